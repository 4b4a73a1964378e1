//! Damaged layout files: every one is read to its end, and each error says where it is, what is wrong, and what helps.

#[path = "../../../tests/fuzz/mod.rs"]
mod fuzz;

use std::collections::BTreeSet;

use wiring::{check::check, read, source::LineIndex};

const WORDS: [&str; 44] = [
    "schema",
    "layout",
    "booster",
    "district",
    "block",
    "track",
    "trackwork",
    "machine",
    "reverser",
    "protection",
    "links",
    "mqtt",
    "serial",
    "modbus",
    "lcc",
    "dashboard",
    "history",
    "turnout",
    "three-way",
    "crossing",
    "single-slip",
    "double-slip",
    "left",
    "right",
    "points",
    "normal",
    "reverse",
    "none",
    "poles",
    "machines",
    "routes",
    "feeders",
    "gaps",
    "limiter",
    "breaker",
    "\"5 A\"",
    "\"-1 A\"",
    "\"0 ohm\"",
    "\"1e30 m\"",
    "[[",
    "]]",
    "\"\"\"",
    "\\u0000",
    "DISTRICT/A",
];

const LAYOUTS: [&str; 3] = [
    include_str!("../../../config/starter.toml"),
    include_str!("../../../config/tamarrow-valley.toml"),
    include_str!("../../../tests/layouts/two-districts.toml"),
];

#[test]
fn no_layout_file_is_too_much() {
    fuzz::Target { name: "layout", words: &WORDS, more: &LAYOUTS, weight: 1 }.run(|bytes| {
        // The program refuses a file that is not UTF-8 before it comes here.
        let text = String::from_utf8_lossy(bytes);
        let lines = LineIndex::new(&text);
        let result = read(&text);
        let mut kinds = BTreeSet::new();
        for error in &result.errors {
            let span = &error.span;
            assert!(span.start <= span.end && span.end <= text.len(), "{error:?}");
            assert!(text.is_char_boundary(span.start) && text.is_char_boundary(span.end));
            let place = lines.place(span.start);
            assert!(place.line >= 1 && place.column >= 1, "{error:?}");
            assert!(!error.message().is_empty() && !error.remedy().is_empty(), "{error:?}");
            kinds.insert(error.code().to_owned());
        }
        assert!(!result.is_toml || result.layout.is_some());
        if let Some(layout) = result.layout {
            let report = check(&layout);
            kinds.extend(report.findings.iter().map(|it| format!("{:?}", it.code)));
            assert_eq!(report.proof.frogs.len(), layout.frogs.len());
            assert!(wiring::change::beyond_settings(&layout, &layout).is_empty());
        }
        kinds.into_iter().collect::<Vec<_>>().join(" ")
    });
}
