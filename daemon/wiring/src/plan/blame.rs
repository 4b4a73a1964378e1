//! Which of two feeders is wrong, where two meet: the one that meets most others, and of two alike the one further down
//! the file.

use std::collections::BTreeMap;

use crate::{
    layout::Span,
    netlist::{Netlist, Piece, StrandIx},
};

/// A feeder that is wrong against others.
#[derive(Clone, Debug)]
pub(crate) struct Blamed {
    /// The strand that it feeds.
    pub(crate) guilty: StrandIx,
    /// A strand with a feeder that it is wrong against.
    pub(crate) other: StrandIx,
    /// The joins at which they meet.
    pub(crate) joins: Vec<usize>,
}

/// One entry for each feeder to blame.
pub(super) fn blame(net: &Netlist<'_>, joins: &[usize]) -> Vec<Blamed> {
    let origins = |at: usize| [net.joins[at].one, net.joins[at].two].map(|it| net.origin[it.at()]);
    let mut count: BTreeMap<StrandIx, usize> = BTreeMap::new();
    for &at in joins {
        for origin in origins(at) {
            *count.entry(origin).or_default() += 1;
        }
    }
    let weight = |origin: StrandIx| (count.get(&origin).copied(), span(net, origin));
    let mut blamed: BTreeMap<StrandIx, Blamed> = BTreeMap::new();
    for &at in joins {
        let [one, two] = origins(at);
        let (guilty, other) = if weight(two) < weight(one) { (one, two) } else { (two, one) };
        let entry = blamed.entry(guilty);
        entry.or_insert(Blamed { guilty, other, joins: Vec::new() }).joins.push(at);
    }
    blamed.into_values().collect()
}

fn span(net: &Netlist<'_>, strand: StrandIx) -> Span {
    match net.strands[strand.at()].piece {
        Piece::Track(track) => net.layout.tracks[track.at()].span,
        Piece::Trackwork(it, _) => net.layout.trackwork[it.at()].span,
    }
}
