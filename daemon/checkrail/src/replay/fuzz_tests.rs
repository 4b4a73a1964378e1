//! Damaged journals: every one is read to its end, time never goes back, and what comes out is JSON.

#[path = "../../../../tests/fuzz/mod.rs"]
mod fuzz;

use std::{collections::BTreeSet, io::Cursor, path::Path};

use super::*;
use crate::journal::LINE_MAX;

const LAYOUT: &str = include_str!("../../../../tests/layouts/two-districts.toml");

const WORDS: [&str; 32] = [
    "{\"t\":",
    "\"channel\":",
    "\"value\":",
    "\"e\":",
    "district/east/current",
    "district/west/current",
    "booster/main/current",
    "block/e1/current",
    "machine/T1/position",
    "frog/T2/polarity",
    "district/east/feedback",
    "district/east/voltage",
    "frog/T1/expected",
    "block/e1/peak",
    "\"over\"",
    "\"under\"",
    "null",
    "true",
    "NaN",
    "-Infinity",
    "normal",
    "moving",
    "dead",
    "off",
    "A",
    "5.0",
    "0.0",
    "\n",
    "\u{2028}",
    "\\ud800",
    "{",
    "}",
];

#[test]
fn no_journal_is_too_much() {
    let loaded = Source::from_text(Path::new("layout"), LAYOUT.to_owned()).require();
    let loaded = loaded.unwrap_or_else(|why| panic!("a good layout file: {why}"));
    let core = Core::new(&loaded);
    fuzz::Target { name: "journal", words: &WORDS, more: &[], weight: 1 }.run(|bytes| {
        let mut input = Cursor::new(bytes);
        let mut supervisor = core.supervisor(Start::journal(), Mono::START);
        let (mut last, mut line, mut number) = (Mono::START, Vec::new(), 0);
        let mut seen = BTreeSet::new();
        while read_line(&mut input, &mut line).expect("memory can be read") > 0 {
            number += 1;
            assert!(line.len() <= LINE_MAX, "a line without end is cut");
            let text = String::from_utf8_lossy(&line).into_owned();
            line.clear();
            let parsed = journal::parse(&text, number, &loaded.channels);
            assert!(parsed.complaint.is_none() || parsed.input.is_some(), "a complaint is counted");
            last = last.max(parsed.t.unwrap_or(last));
            if let Some(input) = parsed.input {
                supervisor.handle(input, last);
            }
            drain(&mut supervisor, &loaded, last, &mut seen);
        }
        supervisor.finish(last);
        drain(&mut supervisor, &loaded, last, &mut seen);
        seen.into_iter().collect::<Vec<_>>().join(" ")
    });
}

fn drain(supervisor: &mut Supervisor, loaded: &Loaded, last: Mono, seen: &mut BTreeSet<String>) {
    while let Some(output) = supervisor.poll_output() {
        assert!(output.at <= last, "stamped {:?} at {last:?}", output.at);
        let Some(line) = journal::output_line(&output, &loaded.layout, &loaded.channels, &[])
        else {
            continue;
        };
        let word = |key: &str| line[key].as_str().map(|it| format!("{key} {it}"));
        seen.extend(["order", "alarm", "cause"].into_iter().filter_map(word));
    }
}
