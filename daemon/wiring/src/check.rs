//! `check`: every finding about a layout's wiring that needs no current to be computed.

use crate::{
    finding::{Code, Finding},
    index::{FrogIx, TrackIx},
    layout::{Layout, Span},
    plan::{Parity, settle},
    polarity::{MACHINES_MAX, PolarityProof, prove_net},
};

mod feeds;
mod frogs;
mod loops;
mod machines;
mod means;
mod remedy;
mod shared;
mod words;

pub(crate) use words::{tie_words, wire_label};

/// A loop that connects the two rails with each other.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Loop {
    /// The tracks of the loop, in the order in which a train runs over them.
    pub tracks: Vec<TrackIx>,
    /// The ends at which a gap of both rails is missing, as the layout file names them: `T1.left`, `buffer-3`.
    pub gap_at: Vec<String>,
}

/// Checks that did not run.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Unchecked {
    /// Codes of the findings that could not be looked for.
    pub checks: Vec<Code>,
    /// The data that they lack.
    pub lacks: String,
}

/// What `check` found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Report {
    /// Findings, by place in the file.
    pub findings: Vec<Finding>,
    /// The polarity of every frog in every combination of positions.
    pub proof: PolarityProof,
    /// Loops without a gapped section.
    pub loops: Vec<Loop>,
    /// Checks that did not run.
    pub unchecked: Vec<Unchecked>,
}

/// Checks the wiring of a layout. Time is near-linear in the size of the layout.
#[must_use]
pub fn check(layout: &Layout) -> Report {
    let (net, parity) = settle(layout);
    let mut report = Report { proof: prove_net(&net), ..Report::default() };
    frogs::check(&net, &report.proof, &mut report.findings);
    shared::check(&net, &mut report.findings);
    machines::check(layout, &mut report.findings);
    means::check(layout, &mut report.findings);
    if layout.tracks.is_empty() {
        report.unchecked.push(no_plan());
    } else {
        feeds::check(&net, &parity, &mut report.findings);
        loops::check(&net, &parity, &mut report.findings);
        report.loops = found_loops(&parity);
    }
    unproved(layout, &mut report);
    say_unchecked(&mut report);
    report.findings.sort_by(|one, two| order(one).cmp(&order(two)));
    report
}

/// By place, then by weight and subject: the same for the same layout, whatever order the checks run in.
fn order(finding: &Finding) -> (Span, Code, &str) {
    (finding.span, finding.code, &finding.subject)
}

fn found_loops(parity: &Parity) -> Vec<Loop> {
    let loops = parity.loops.iter();
    loops.map(|it| Loop { tracks: it.tracks.clone(), gap_at: it.gap_at.clone() }).collect()
}

fn no_plan() -> Unchecked {
    Unchecked {
        checks: vec![
            Code::FeedCrossed,
            Code::ReverseLoop,
            Code::GapCrossed,
            Code::GapMissing,
            Code::RailUnfed,
        ],
        lacks: "a track plan (there is no [track] table)".to_owned(),
    }
}

fn unproved(layout: &Layout, report: &mut Report) {
    for (at, proof) in report.proof.frogs.iter().enumerate().filter(|(_, it)| it.rows.is_empty()) {
        let frog = &layout.frogs[FrogIx::new(at).at()];
        report.findings.push(Finding::new(
            Code::NotChecked,
            format!("frog/{}", frog.id),
            frog.span,
            format!(
                "the polarity of frog {} is not proved: {} machines take part, and the proof goes \
                 through every combination of at most {MACHINES_MAX}",
                frog.id,
                proof.machines.len()
            ),
            "name fewer machines in `routes`".to_owned(),
        ));
    }
}

fn say_unchecked(report: &mut Report) {
    for it in &report.unchecked {
        let codes: Vec<_> = it.checks.iter().map(|code| code.code()).collect();
        report.findings.push(Finding::new(
            Code::NotChecked,
            "layout".to_owned(),
            Span::default(),
            format!("not checked: {}; the file lacks {}", codes.join(", "), it.lacks),
            "add a [track.ID] table for each piece of plain track, with `from` and `to`".to_owned(),
        ));
    }
}
