//! What each detector sees: the block through whose feeder a wheel draws its current.
//!
//! For a frog that is the block behind the tie in use: `seen_by` of its proof. For plain rails it is the block of the
//! feeder that reaches the rail; its own block's, wherever that one does.

use crate::{
    index::{BlockIx, FrogIx, MachineIx},
    layout::{Layout, Position},
    netlist::Piece,
    plan::settle,
    polarity::PolarityProof,
};

/// The detectors of one piece of track or trackwork.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Seen {
    /// `track/q1-main`, `trackwork/T1`; a crossing has one for each of its two tracks: `trackwork/D1.a-left`.
    pub piece: String,
    /// The block that feeds the left rail, looking from `from`, from the points or from end a; none when it is dead.
    pub left: Option<BlockIx>,
    /// The block that feeds the right rail.
    pub right: Option<BlockIx>,
}

/// For every pair of rails: the block whose detector sees a wheel there.
#[must_use]
pub fn rails(layout: &Layout) -> Vec<Seen> {
    let (net, _) = settle(layout);
    let strands = net.strands.iter().zip(&net.fed_by);
    let seen = strands.map(|(strand, [left, right])| Seen {
        piece: piece(layout, strand.piece),
        left: *left,
        right: *right,
    });
    seen.collect()
}

fn piece(layout: &Layout, piece: Piece) -> String {
    match piece {
        Piece::Track(track) => format!("track/{}", layout.tracks[track.at()].id),
        Piece::Trackwork(index, number) => {
            let it = &layout.trackwork[index.at()];
            match (it.kind.strands(), number) {
                (1, _) => format!("trackwork/{}", it.id),
                (_, 0) => format!("trackwork/{}.a-left", it.id),
                (_, _) => format!("trackwork/{}.a-right", it.id),
            }
        }
    }
}

/// The block whose detector sees a wheel on a frog when the machines stand as given; none when the frog is dead, when it
/// is fed before any detector, or when a position is not known.
#[must_use]
pub fn frog(
    proof: &PolarityProof,
    frog: FrogIx,
    position: impl Fn(MachineIx) -> Option<Position>,
) -> Option<BlockIx> {
    proof.frog(frog).row(position)?.seen_by
}
