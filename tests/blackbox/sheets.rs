//! `checkrail sheets`: what comes out is complete, stands by itself, and is the same for the same file.

mod support;

use std::{collections::BTreeMap, fs, path::Path};

use support::{checkrail, project};

fn sheets(layout: &str) -> BTreeMap<String, String> {
    let folder = tempfile::tempdir().expect("a folder");
    let path = project(layout);
    let out = folder.path().join("sheets");
    let output = checkrail(&[
        "sheets",
        path.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
        "--date",
        "2026-11-25",
    ]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    read(&out)
}

fn read(folder: &Path) -> BTreeMap<String, String> {
    fs::read_dir(folder)
        .expect("made")
        .flatten()
        .map(|entry| {
            let name = entry.file_name().to_string_lossy().into_owned();
            (name, fs::read_to_string(entry.path()).expect("UTF-8"))
        })
        .collect()
}

#[test]
fn there_is_a_page_for_each_district_one_for_all_and_an_index() {
    let pages = sheets("config/tamarrow-valley.toml");
    let names: Vec<&str> = pages.keys().map(String::as_str).collect();
    assert_eq!(
        names,
        ["all.html", "harbour.html", "index.html", "quarry.html", "summit.html", "valley.html"]
    );
    let all = &pages["all.html"];
    for machine in 1..=14 {
        assert!(all.contains(&format!("Switch machine T{machine}<")), "T{machine}");
    }
    assert!(pages["harbour.html"].contains("Switch machine T1<"));
    assert!(!pages["quarry.html"].contains("Switch machine T1<"));
}

#[test]
fn a_page_says_what_a_person_under_the_table_needs() {
    let page = &sheets("config/starter.toml")["all.html"];
    for wanted in [
        "Terminal",
        "Goes to",
        "Above, facing the frog",
        "Below, on your back",
        "Bench",
        "beep",
        "drill",
        "Unplug the booster",
        "Checked by",
    ] {
        let found = page.to_lowercase().contains(&wanted.to_lowercase());
        assert!(found, "{wanted}");
    }
}

#[test]
fn pages_stand_by_themselves_and_every_tag_is_closed() {
    for (name, page) in sheets("config/tamarrow-valley.toml") {
        for outside in ["src=\"http", "href=\"http", "@import", "<script", "url(http"] {
            assert!(!page.contains(outside), "{name} asks for {outside}");
        }
        balanced(&name, &page);
    }
}

#[test]
fn the_same_file_gives_the_same_pages() {
    assert_eq!(sheets("config/starter.toml"), sheets("config/starter.toml"));
}

/// Every element that is opened is closed, in order; those that HTML leaves open are known by name.
fn balanced(name: &str, page: &str) {
    const VOID: [&str; 7] = ["meta", "link", "br", "hr", "img", "input", "col"];
    let mut open: Vec<String> = Vec::new();
    let mut rest = page;
    while let Some(at) = rest.find('<') {
        rest = &rest[at + 1..];
        let Some(end) = rest.find('>') else { panic!("{name}: a tag without end") };
        let tag = &rest[..end];
        rest = &rest[end + 1..];
        if tag.starts_with('!') || tag.ends_with('/') {
            continue;
        }
        let closing = tag.starts_with('/');
        let element: String =
            tag.trim_start_matches('/').chars().take_while(|it| it.is_alphanumeric()).collect();
        if VOID.contains(&element.as_str()) {
            continue;
        }
        if closing {
            assert_eq!(open.pop().as_deref(), Some(element.as_str()), "{name} at {tag}");
        } else {
            open.push(element.clone());
            if element == "style" {
                let end =
                    rest.find("</style").unwrap_or_else(|| panic!("{name}: style has no end"));
                rest = &rest[end..];
            }
        }
    }
    assert!(open.is_empty(), "{name} leaves open {open:?}");
}
