//! The rules of the house that a compiler does not keep: direction of the crates, size of functions and files, purity,
//! nothing unfinished left behind.

use std::{
    collections::BTreeMap,
    fs,
    path::{Path, PathBuf},
    process::Command,
};

/// A function longer than this does more than one thing.
const FUNCTION_LINES_MAX: usize = 70;

/// A file longer than this, without its tests, has more than one subject. Tables of data are let off by name.
const FILE_LINES_MAX: usize = 600;
const TABLES: [&str; 2] = ["simulator/src/scenario_table.rs", "wiring/src/grammar/table.rs"];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn sources() -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut folders = vec![root().join("daemon"), root().join("tests")];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).expect("readable").flatten() {
            let path = entry.path();
            let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            if path.is_dir() && !matches!(name.as_str(), "node_modules" | "vendor" | "target") {
                folders.push(path);
            } else if name.ends_with(".rs") {
                let text = fs::read_to_string(&path).expect("UTF-8");
                let shown = path.to_string_lossy().replace('\\', "/");
                let shown =
                    shown.split_once("/../../").map_or(shown.clone(), |(_, rest)| rest.to_owned());
                found.push((shown, text));
            }
        }
    }
    found.sort();
    assert!(found.len() > 50, "the sources are where they are expected");
    found
}

fn is_test(path: &str) -> bool {
    path.contains("/tests/")
        || path.starts_with("tests/")
        || path.contains("/examples/")
        || path.contains("tests.rs")
}

/// The part of a file before its tests.
fn product(text: &str) -> &str {
    text.split_once("#[cfg(test)]\nmod tests {").map_or(text, |(product, _)| product)
}

#[test]
fn the_crates_depend_one_way() {
    let allowed: BTreeMap<&str, &[&str]> = BTreeMap::from([
        ("wiring", &[][..]),
        ("circuit", &["wiring"]),
        ("supervision", &["circuit", "wiring"]),
        ("simulator", &["circuit", "wiring"]),
        ("links", &["supervision", "wiring"]),
        ("history", &["supervision", "wiring"]),
        ("dashboard", &["circuit", "history", "supervision", "wiring"]),
        (
            "checkrail",
            &["circuit", "dashboard", "history", "links", "simulator", "supervision", "wiring"],
        ),
    ]);
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--no-deps", "--offline"])
        .current_dir(root())
        .output()
        .expect("cargo runs");
    let metadata: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let packages = metadata["packages"].as_array().expect("packages");
    assert_eq!(packages.len(), allowed.len());
    for package in packages {
        let name = package["name"].as_str().expect("a name");
        let may =
            allowed.get(name).unwrap_or_else(|| panic!("{name} is a crate of the architecture"));
        for dependency in package["dependencies"].as_array().expect("dependencies") {
            let on = dependency["name"].as_str().expect("a name");
            let ours = allowed.contains_key(on) && dependency["kind"].is_null();
            assert!(!ours || may.contains(&on), "{name} must not depend on {on}");
        }
    }
}

#[test]
fn nothing_unfinished_and_no_foreign_path_is_left_behind() {
    let marks = [
        concat!("todo", "!("),
        concat!("unimplemented", "!("),
        concat!("FIX", "ME"),
        concat!("XX", "X"),
        concat!("dbg", "!("),
        concat!("/wo", "rk/"),
        concat!("#[ig", "nore"),
    ];
    for (path, text) in sources() {
        for mark in marks {
            assert!(!text.contains(mark), "{path} holds {mark}");
        }
    }
}

#[test]
fn pure_crates_name_no_clock_no_file_and_no_runtime() {
    let forbidden = [
        "tokio",
        "std::fs",
        "std::net::Tcp",
        "std::net::Udp",
        "std::thread",
        "std::time::Instant",
        "SystemTime",
        "std::env",
        "tracing::",
    ];
    for (path, text) in sources() {
        let pure = ["wiring/src", "circuit/src", "supervision/src", "simulator/src"];
        if !pure.iter().any(|it| path.contains(it)) || is_test(&path) {
            continue;
        }
        for name in forbidden {
            let used = product(&text)
                .lines()
                .filter(|line| !line.trim_start().starts_with("//"))
                .any(|line| line.contains(name));
            assert!(!used, "{path} names {name}");
        }
    }
}

#[test]
fn functions_and_files_stay_small_enough_to_have_one_subject() {
    let mut long = Vec::new();
    for (path, text) in sources() {
        if is_test(&path) {
            continue;
        }
        let product = product(&text);
        let lines = product.lines().count();
        if FILE_LINES_MAX < lines && !TABLES.iter().any(|table| path.ends_with(table)) {
            long.push(format!("{path}: {lines} lines"));
        }
        for (name, lines) in functions(product) {
            if FUNCTION_LINES_MAX < lines {
                long.push(format!("{path}: fn {name} has {lines} lines"));
            }
        }
    }
    assert!(long.is_empty(), "{}", long.join("\n"));
}

/// Names and lengths of functions, by the indentation that rustfmt keeps.
fn functions(text: &str) -> Vec<(String, usize)> {
    let mut found = Vec::new();
    let mut open: Option<(String, usize, usize)> = None;
    for (number, line) in text.lines().enumerate() {
        let indent = line.len() - line.trim_start().len();
        if let Some((name, at, start)) = &open {
            if indent == *at && line.trim_start().starts_with('}') {
                found.push((name.clone(), number - start + 1));
                open = None;
            }
            continue;
        }
        let Some((before, after)) = line.split_once("fn ") else { continue };
        let words = before.split_whitespace();
        let is_head = words
            .clone()
            .all(|word| matches!(word, "pub" | "const" | "async" | "pub(crate)" | "pub(super)"));
        if is_head && !line.trim_end().ends_with(';') && !line.trim_end().ends_with('}') {
            let name: String =
                after.chars().take_while(|it| it.is_alphanumeric() || *it == '_').collect();
            open = Some((name, indent, number));
        }
    }
    found
}
