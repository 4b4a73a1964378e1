//! What the tests of the wiring proof share.

#![allow(dead_code, reason = "each test uses a part")]

use wiring::{
    check::{Report, check},
    index::{FrogIx, MachineIx},
    layout::{Layout, Position},
    polarity::ProofRow,
};

/// One booster, one district, one block whose left rails are on A.
pub(crate) const ONE_BLOCK: &str = r#"
schema = 1
[layout]
name = "Tamarrow Valley"
[booster.main]
volts = "15 V"
limit = "5 A"
[district.d]
booster = "main"
[block.q]
district = "d"
left = "A"
[defaults.machine]
poles = 8
"#;

/// Reads a layout that has no errors of grammar or reference.
pub(crate) fn layout(text: &str) -> Layout {
    let read = wiring::read(text);
    assert!(read.errors.is_empty(), "{:#?}\n{text}", read.errors);
    read.layout.expect("a layout")
}

pub(crate) fn report(text: &str) -> Report {
    check(&layout(text))
}

/// Codes and subjects of the findings, sorted.
pub(crate) fn findings(text: &str) -> Vec<String> {
    let mut found: Vec<_> = report(text).findings.iter().map(line).collect();
    found.sort();
    found
}

fn line(finding: &wiring::finding::Finding) -> String {
    format!("{} {}", finding.code.code(), finding.subject)
}

pub(crate) fn frog(layout: &Layout, id: &str) -> FrogIx {
    let at = layout.frogs.iter().position(|frog| frog.id == id);
    FrogIx::new(at.unwrap_or_else(|| panic!("there is no frog {id}")))
}

/// The row of a frog for positions given by machine.
pub(crate) fn row<'a>(
    layout: &Layout,
    report: &'a Report,
    id: &str,
    positions: &[(String, Position)],
) -> &'a ProofRow {
    let position = |machine: MachineIx| {
        let name = &layout.machines[machine.at()].id;
        positions.iter().find(|(of, _)| of == name).map(|(_, position)| *position)
    };
    let row = report.proof.frog(frog(layout, id)).row(position);
    row.unwrap_or_else(|| panic!("a position is missing for {id}: {positions:?}"))
}
