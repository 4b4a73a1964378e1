//! `checkrail replay --protection`: what other settings would have done with a recorded session.

mod support;

use std::{fs, path::Path, process::Output};

use serde_json::Value;
use support::{checkrail, fixture, text};

/// A simulated session on two districts with one train run through a turnout set against it, at 20 s.
fn journal(folder: &Path) -> String {
    let name = folder.join("session").display().to_string();
    let layout = fixture("layouts/two-districts.toml").display().to_string();
    let faults = ["--faults", "F01@20", "--minutes", "0.6"];
    let made = checkrail(&[&["simulate", &layout, "--out", &name], &faults[..]].concat());
    assert!(made.status.success(), "{made:?}");
    format!("{name}.jsonl")
}

fn compare(folder: &Path, journal: &str, changes: &str, format: &str) -> Output {
    let file = folder.join("tried.toml");
    fs::write(&file, changes).expect("written");
    let layout = fixture("layouts/two-districts.toml").display().to_string();
    let file = file.display().to_string();
    checkrail(&["replay", &layout, journal, "--protection", &file, "--format", format])
}

/// A number of one side of the only fault.
fn of(all: &Value, side: &str, path: &str) -> f64 {
    all["faults"][0][side].pointer(path).and_then(Value::as_f64).unwrap_or_default()
}

/// What the contact that bears most bears on one side of the only fault.
fn most(all: &Value, side: &str, figure: &str) -> f64 {
    let contacts = all["faults"][0][side]["contacts"].as_array();
    let of = |contact: &Value| contact[figure].as_f64().unwrap_or_default();
    contacts.into_iter().flatten().map(of).fold(0.0, f64::max)
}

#[test]
fn other_settings_are_shown_beside_the_own_with_what_they_cost_each_contact() {
    let folder = tempfile::tempdir().expect("a folder");
    let journal = journal(folder.path());
    let check = |changes: &str, exit: i32, decided: &dyn Fn(f64, f64) -> bool| {
        let out = compare(folder.path(), &journal, changes, "json");
        assert_eq!(out.status.code(), Some(exit), "{changes}: {out:?}");
        let all: Value = serde_json::from_str(&text(&out)).expect("one JSON object");
        assert_eq!(all["faults"].as_array().map(Vec::len), Some(1), "{all}");
        let (own, tried) = (of(&all, "own", "/decided_ms"), of(&all, "tried", "/decided_ms"));
        assert!(decided(own, tried), "{changes}: {own} and {tried} ms");
        all
    };
    let same = check("", 0, &|own, tried| own == tried);
    assert_eq!(same["faults"][0]["own"], same["faults"][0]["tried"]);
    let cut = same["faults"][0]["own"]["cut"].as_str().unwrap_or_default().to_owned();
    assert!(cut.ends_with("/power"), "{same}");

    let slow = check("[protection]\nshort-after = \"60 ms\"", 0, &|own, tried| own + 30.0 <= tried);
    let energy = |side| most(&slow, side, "energy");
    let heat = |side| most(&slow, side, "heat");
    assert!(0.0 < energy("own") && energy("own") * 1.5 < energy("tried"), "{slow}");
    assert!(heat("own") * 1.5 < heat("tried") && heat("tried") < 100.0, "{slow}");
    assert_eq!(slow["settings"][0]["own"], "20 ms");

    // Elsewhere: nothing changes here.
    let elsewhere = if cut.contains("east") { "west" } else { "east" };
    let changes = format!("[district.{elsewhere}.protection]\nshort-after = \"60 ms\"");
    check(&changes, 0, &|own, tried| own == tried);
}

#[test]
fn settings_that_protect_less_end_with_one_and_say_so() {
    let folder = tempfile::tempdir().expect("a folder");
    let journal = journal(folder.path());
    let never = "[protection]\nshort-step = \"50 A\"\nhalf-short-after = \"1000 s\"\nat-limit-after = \"1000 s\"";
    let out = compare(folder.path(), &journal, never, "text");
    assert_eq!(out.status.code(), Some(1), "{out:?}");
    let said = text(&out);
    for want in ["something is protected less", "open loop", "short-step", "50 A", "s, district "] {
        assert!(said.contains(want), "{want} in {said}");
    }
}

#[test]
fn errors_of_the_settings_are_told_with_their_place_and_end_with_one() {
    let folder = tempfile::tempdir().expect("a folder");
    let journal = folder.path().join("empty.jsonl");
    fs::write(&journal, "").expect("written");
    let journal = journal.display().to_string();
    let wrong =
        "[protection]\nshort-after = 10\n[district.north.protection]\nshort-step = \"2 A\"\n";
    let out = compare(folder.path(), &journal, wrong, "text");
    let told = String::from_utf8_lossy(&out.stderr);
    assert_eq!(out.status.code(), Some(1), "{told}");
    for want in ["tried.toml:2:15", "unit-missing", "tried.toml:3:11", "district-unknown"] {
        assert!(told.contains(want), "{want} in {told}");
    }
    let layout = fixture("layouts/two-districts.toml").display().to_string();
    let gone = folder.path().join("nowhere.toml").display().to_string();
    let out = checkrail(&["replay", &layout, &journal, "--protection", &gone]);
    assert_eq!(out.status.code(), Some(2), "{out:?}");
}
