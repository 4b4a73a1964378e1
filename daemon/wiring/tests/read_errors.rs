//! Everything that can be wrong with a layout file: all of it in one run, each once, at its place, with what to write.

use std::{collections::BTreeSet, path::Path};

use wiring::{
    read,
    read::{FILE_SIZE_MAX, FileError, ReadResult},
    source::LineIndex,
};

const MEANING: &str = include_str!("read_bad/layout.toml");
const SYNTAX: &str = include_str!("read_bad/syntax.toml");
const FOLDER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/read_bad");

/// The line and code of each error, in the order of the file.
fn found(text: &str) -> Vec<(usize, &'static str)> {
    let lines = LineIndex::new(text);
    let line = |error: &FileError| lines.place(error.span.start).line;
    let mut found: Vec<_> =
        read(text).errors.iter().map(|error| (line(error), error.code())).collect();
    found.sort_unstable();
    found
}

/// What the comments behind `#!` ask for.
fn marked(text: &str) -> Vec<(usize, &str)> {
    let lines = text.lines().enumerate().filter(|(_, line)| !line.starts_with('#'));
    let marks = lines.filter_map(|(at, line)| Some((at, line.split_once("#! ")?.1)));
    let mut marked: Vec<_> =
        marks.flat_map(|(at, codes)| codes.split(' ').map(move |code| (at + 1, code))).collect();
    marked.sort_unstable();
    marked
}

/// Every error with its place and words, as a file to compare with.
fn told(text: &str, result: &ReadResult) -> String {
    let lines = LineIndex::new(text);
    let mut told = String::new();
    for error in &result.errors {
        let at = lines.place(error.span.start);
        told += &format!("{}:{} {} [{}]\n", at.line, at.column, error.code(), error.subject);
        told += &format!("    {}\n    -> {}\n", error.message(), error.remedy());
        for (span, what) in &error.also {
            told += &format!("    line {}: {what}\n", lines.place(span.start).line);
        }
    }
    told
}

fn check_golden(name: &str, text: &str) {
    let told = told(text, &read(text));
    let path = Path::new(FOLDER).join(name);
    if std::env::var_os("UPDATE_GOLDEN").is_some() {
        std::fs::write(&path, &told).expect("the folder can be written");
    }
    let wanted = std::fs::read(&path).unwrap_or_default();
    assert_eq!(told, String::from_utf8_lossy(&wanted), "{name}");
}

#[test]
fn each_mistake_of_a_file_is_told_once_and_nothing_follows_from_it() {
    assert_eq!(found(MEANING), marked(MEANING));
    assert!(25 < found(MEANING).len());
}

#[test]
fn every_mistake_of_writing_is_told_on_its_line() {
    let lines: Vec<usize> = found(SYNTAX).into_iter().map(|(line, _)| line).collect();
    let marks = SYNTAX.lines().enumerate().skip(1).filter(|(_, line)| line.contains(" #!"));
    let wanted: Vec<usize> = marks.map(|(at, _)| at + 1).collect();
    assert_eq!(lines, wanted);
    assert!(!read(SYNTAX).is_toml);
    assert!(read(MEANING).is_toml);
}

#[test]
fn messages_and_remedies_are_as_reviewed() {
    check_golden("layout.txt", MEANING);
    check_golden("syntax.txt", SYNTAX);
}

/// The name of the variant, from its debug form.
fn variant(error: &FileError) -> String {
    let debug = format!("{:?}", error.kind);
    debug.split([' ', '{', '(']).next().unwrap_or_default().to_owned()
}

#[test]
fn every_kind_of_error_is_among_those_files_or_here() {
    let large = "#".repeat(FILE_SIZE_MAX + 1);
    let texts = [MEANING, SYNTAX, "", large.as_str()];
    let seen: BTreeSet<String> =
        texts.iter().flat_map(|text| read(text).errors).map(|error| variant(&error)).collect();
    let all = [
        "Unquoted",
        "Doubled",
        "Syntax",
        "TooLarge",
        "Empty",
        "KeyUnknown",
        "KeyMisplaced",
        "KeyMissing",
        "KeysClash",
        "ValueWrong",
        "OutOfBounds",
        "ThresholdsCross",
        "UnitMissing",
        "UnitWrong",
        "IdBad",
        "Unknown",
        "PortMissing",
        "PoleBad",
        "PoleBeyond",
        "PoleDoubled",
        "EndTaken",
        "ReverserDoubled",
    ];
    assert_eq!(seen, all.into_iter().map(str::to_owned).collect());
}

#[test]
fn an_empty_file_and_one_that_is_too_large_are_told_apart() {
    let empty = read("");
    assert_eq!(
        told("", &empty),
        "1:1 layout-empty [layout]\n    the file names no district, so there is nothing to watch\n    -> add a [booster.ID] and a [district.ID] with booster = \"ID\"\n"
    );
    assert!(empty.is_toml && empty.layout.is_some());
    let large = read(&" ".repeat(FILE_SIZE_MAX + 1));
    assert_eq!(large.errors[0].code(), "file-too-large");
    assert!(!large.is_toml && large.layout.is_none());
    assert!(read(&format!("{MEANING}{}", " ".repeat(FILE_SIZE_MAX - MEANING.len()))).is_toml);
}

#[test]
fn what_is_left_out_is_listed() {
    let left_out = read(MEANING).left_out;
    for subject in ["booster/main", "district/quarry", "block/v2", "track/six", "frog/T2"] {
        assert!(left_out.iter().any(|it| it == subject), "{subject} of {left_out:?}");
    }
    assert!(!left_out.contains(&"booster/spare".to_owned()));
}
