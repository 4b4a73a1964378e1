//! What each detector sees: the block through whose feeder a wheel draws its current.

use crate::{index::BlockIx, layout::Layout};

/// The detectors of one piece of track or trackwork.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Seen {
    /// `track/q1-main`, `trackwork/T1`; a crossing has a line for each of its two tracks: `trackwork/D1.a-left`.
    pub piece: String,
    /// The block that feeds the left rail, looking from `from`, from the points or from end a; none when it is dead.
    pub left: Option<BlockIx>,
    /// The block that feeds the right rail.
    pub right: Option<BlockIx>,
}

/// For every pair of rails: the block whose detector sees a wheel there.
#[must_use]
pub fn rails(_layout: &Layout) -> Vec<Seen> {
    Vec::new()
}
