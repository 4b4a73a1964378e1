//! `checkrail check`: text, JSON and exit status as another program sees them.

mod support;

use serde_json::Value;
use support::{checkrail, fixture, project, text};

fn check_json(path: &std::path::Path) -> (Option<i32>, Value) {
    let output = checkrail(&["check", "--format", "json", path.to_str().unwrap()]);
    let json = serde_json::from_str(&text(&output)).expect("one JSON document");
    (output.status.code(), json)
}

fn changed(from: &str, to: &str) -> tempfile::NamedTempFile {
    let original = std::fs::read_to_string(fixture("layouts/two-districts.toml")).unwrap();
    assert!(original.contains(from), "{from}");
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), original.replacen(from, to, 1)).unwrap();
    file
}

#[test]
fn a_sound_layout_exits_0_with_every_frog_in_every_position() {
    let (status, json) = check_json(&fixture("layouts/two-districts.toml"));
    assert_eq!(status, Some(0));
    assert_eq!(json["layout"], "Fernhollow junction");
    assert_eq!(json["schema"], 1);
    let frogs = json["frogs"].as_array().unwrap();
    assert_eq!(frogs.len(), 6, "three turnouts in two positions");
    for row in frogs {
        assert_eq!(row["required"], row["wired"], "{row}");
    }
}

#[test]
fn the_layouts_that_we_ship_have_no_errors_and_no_warnings() {
    for name in ["config/starter.toml", "config/tamarrow-valley.toml"] {
        let (status, json) = check_json(&project(name));
        let serious: Vec<&Value> = json["findings"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|finding| finding["severity"] == "error")
            .collect();
        assert_eq!(status, Some(0), "{name}: {serious:?}");
    }
}

/// A booster in volts takes districts, blocks and tracks along: that the file has no track plan would be untrue.
#[test]
fn what_an_error_kept_from_being_read_is_named_and_not_called_missing() {
    let starter = std::fs::read_to_string(project("config/starter.toml")).unwrap();
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), starter.replace("limit = \"5 A\"", "limit = \"5 V\"")).unwrap();
    let (_, json) = check_json(file.path());
    let codes: Vec<&str> =
        json["findings"].as_array().unwrap().iter().filter_map(|it| it["code"].as_str()).collect();
    assert!(codes.contains(&"unit-wrong"), "{codes:?}");
    assert!(!codes.contains(&"not-checked"), "{codes:?}");
    let said = text(&checkrail(&["check", file.path().to_str().unwrap()]));
    let line = said.lines().find(|it| it.starts_with("Left out because of the errors"));
    assert!(line.is_some_and(|it| it.contains("district/")), "{said}");
}

#[test]
fn swapped_tie_wires_are_found_at_their_line_and_exit_1() {
    let file =
        changed("normal = \"right\"\nreverse = \"left\"", "normal = \"left\"\nreverse = \"right\"");
    let (status, json) = check_json(file.path());
    assert_eq!(status, Some(1));
    let found: Vec<&Value> = json["findings"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|finding| finding["severity"] == "error")
        .collect();
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(found[0]["code"], "frog-swapped");
    assert_eq!(found[0]["subject"], "frog/T1");
    let source = std::fs::read_to_string(file.path()).unwrap();
    let line = found[0]["line"].as_u64().unwrap() as usize;
    assert!(source.lines().nth(line - 1).unwrap().contains("[trackwork.T1.frog]"), "line {line}");
    let shown = text(&checkrail(&["check", file.path().to_str().unwrap()]));
    assert!(shown.contains("error[frog-swapped]") && shown.contains('^'), "{shown}");
}

#[test]
fn every_error_of_a_file_is_reported_in_one_run() {
    let file = changed("limit = \"5 A\"", "limit = 5");
    let text = std::fs::read_to_string(file.path()).unwrap();
    let text = text.replace("block = \"e2\"", "block = \"e22\"").replace("\"T3.1\"", "\"T33.1\"");
    std::fs::write(file.path(), text.replace("hand = \"left\"", "hand = \"lefty\"")).unwrap();
    let (status, json) = check_json(file.path());
    assert_eq!(status, Some(1));
    let codes: Vec<&str> = json["findings"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|finding| finding["severity"] == "error")
        .map(|finding| finding["code"].as_str().unwrap())
        .collect();
    for code in ["unit-missing", "block-unknown", "machine-unknown"] {
        assert!(codes.contains(&code), "{code} in {codes:?}");
    }
    assert_eq!(codes.len(), 4, "{codes:?}");
}

#[test]
fn a_file_that_cannot_be_read_exits_2() {
    let missing = checkrail(&["check", "/nonexistent.toml"]);
    assert_eq!(missing.status.code(), Some(2));
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), "this is = = no TOML").unwrap();
    let broken = checkrail(&["check", file.path().to_str().unwrap()]);
    assert_eq!(broken.status.code(), Some(2), "{}", text(&broken));
}

#[test]
fn verbose_shows_what_is_assumed_and_every_setting_in_force() {
    let layout = fixture("layouts/two-districts.toml");
    let shown = text(&checkrail(&["check", "--verbose", layout.to_str().unwrap()]));
    for wanted in
        ["Rails: the block", "trackwork/T1", "contact-rating", "short-after", "seen by", "assumed"]
    {
        assert!(shown.contains(wanted), "{wanted}");
    }
}

#[test]
fn one_pole_where_two_were_meant_is_told_by_the_load() {
    let file = changed("poles = [\"T2.1\", \"T2.2\"]", "poles = [\"T2.1\"]");
    let (status, json) = check_json(file.path());
    assert_eq!(status, Some(0), "{json}");
    let told = |subject: &str| {
        let found = json["findings"].as_array().unwrap().iter().find(|it| it["subject"] == subject);
        found.map(|it| it["message"].as_str().unwrap().to_owned())
    };
    let message = told("pole/T2.1").expect("5 A through a single 1 A contact");
    assert!(message.contains("alone") && message.contains("contact 2"), "{message}");
}

#[test]
fn a_file_that_cannot_be_read_is_said_in_words() {
    let folder = tempfile::tempdir().unwrap();
    let rubbish = folder.path().join("photo.toml");
    std::fs::write(&rubbish, [0xFF, 0xD8, 0xFF, 0xE0]).unwrap();
    let cases = [
        (folder.path().join("nothing.toml"), "there is no such file"),
        (folder.path().to_owned(), "it is a folder"),
        (rubbish, "it is no text file (UTF-8)"),
    ];
    for (path, want) in cases {
        let output = checkrail(&["check", path.to_str().unwrap()]);
        assert_eq!(output.status.code(), Some(2), "{want}");
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(told.trim_end().ends_with(want), "{told}");
    }
}
