//! Parity: joins that swap the rails of a set of strands against each other.
//!
//! Joins on which the feeds agree are taken first. What is left disagrees: it either joins two sets, and then the feeds
//! of the two are wrong against each other, or closes a ring. A ring that is odd joins the two rails with each other
//! whatever the feeds are: a reversing loop. A join with both rails gapped is a place where a set ends; where it leads
//! back into the same set with the rails swapped, no gapped section lies between, and it is a reversing loop too.

use super::{
    blame::{Blamed, blame},
    round::{OddLoop, Rounds},
    signed::{Joined, SignedSets},
};
use crate::{
    index::ReverserIx,
    layout::Layout,
    netlist::{Netlist, across},
};

/// What the plan's parity shows. Numbers are indices of joins.
#[derive(Clone, Debug, Default)]
pub(crate) struct Parity {
    /// Loops, each by the join that closes it.
    pub(crate) loops: Vec<OddLoop>,
    /// Joined rails whose feeds are on opposite conductors.
    pub(crate) crossed: Vec<Blamed>,
    /// Joined rails that are fed from two districts.
    pub(crate) two_districts: Vec<usize>,
    /// Gaps with opposite conductors on their two sides, and no reverser on either.
    pub(crate) crossed_gaps: Vec<Blamed>,
}

/// The net of a layout with every feeder judged.
///
/// A feeder that is blamed for a crossed feed is reported, and then taken as if its wires were right, so that everything
/// else is judged against the feeds that are. Near-linear; each loop costs a search of its surroundings.
pub(crate) fn settle(layout: &Layout) -> (Netlist<'_>, Parity) {
    let mut net = Netlist::new(layout);
    let mut parity = Parity::default();
    let mut sets = SignedSets::new(net.strands.len());
    let (is_consistent, odd) = join_all(&net, &mut sets, &mut parity);
    parity.loops = loops(&net, is_consistent, &odd);
    net.exchange(parity.crossed.iter().map(|it| it.guilty));
    parity.crossed_gaps = blame(&net, &crossed_gaps(&net, &mut sets));
    (net, parity)
}

/// All loops: first those closed by a joint, then those closed by a gap, with the gaps proposed before taken as made.
fn loops(net: &Netlist<'_>, is_consistent: Vec<bool>, odd: &[usize]) -> Vec<OddLoop> {
    let mut rounds = Rounds::new(net, is_consistent);
    let mut loops = Vec::new();
    for &at in odd {
        // A join can close several loops; when the last is open it is a join like others.
        loops.extend(std::iter::from_fn(|| rounds.close(at)));
        rounds.accept(at);
    }
    let mut sets = SignedSets::new(net.strands.len());
    for join in (0..net.joins.len()).filter(|at| rounds.is_open(*at)).map(|at| &net.joins[at]) {
        sets.join(join.one.at(), join.two.at(), join.is_turned);
    }
    for at in single_gaps(net, &mut sets) {
        loops.extend(std::iter::from_fn(|| rounds.close(at)));
    }
    loops
}

/// Joins all strands that any rail joins. By join: it holds, and is in no odd ring; and the joins that close one.
fn join_all(
    net: &Netlist<'_>,
    sets: &mut SignedSets,
    parity: &mut Parity,
) -> (Vec<bool>, Vec<usize>) {
    let mut is_consistent = vec![false; net.joins.len()];
    let (mut crossed, mut odd) = (Vec::new(), Vec::new());
    for (at, join) in net.joins.iter().enumerate() {
        if join.is_joined() && net.agrees[at] {
            sets.join(join.one.at(), join.two.at(), join.is_turned);
            is_consistent[at] = true;
        }
    }
    for (at, join) in net.joins.iter().enumerate() {
        if !join.is_joined() || net.agrees[at] {
            continue;
        }
        let joined = sets.join(join.one.at(), join.two.at(), join.is_turned);
        is_consistent[at] = joined != Joined::Odd;
        if net.origin_district(join.one) != net.origin_district(join.two) {
            parity.two_districts.push(at);
        }
        if joined == Joined::Merged && !same_sense(net, at) {
            crossed.push(at);
        }
        if joined == Joined::Odd {
            odd.push(at);
        }
    }
    parity.crossed = blame(net, &crossed);
    (is_consistent, odd)
}

fn same_sense(net: &Netlist<'_>, at: usize) -> bool {
    let join = &net.joins[at];
    across(join, net.left[join.one.at()]) == net.left[join.two.at()]
}

/// Joins with both rails gapped that lead back into the same set with its rails swapped.
fn single_gaps(net: &Netlist<'_>, sets: &mut SignedSets) -> Vec<usize> {
    let mut odd = Vec::new();
    for (at, join) in net.joins.iter().enumerate().filter(|(_, join)| !join.is_joined()) {
        let (one, turned_one) = sets.find(join.one.at());
        let (two, turned_two) = sets.find(join.two.at());
        if one == two && turned_one ^ turned_two ^ join.is_turned {
            odd.push(at);
        }
    }
    odd
}

/// Gaps between two sets that no reverser turns over.
fn crossed_gaps(net: &Netlist<'_>, sets: &mut SignedSets) -> Vec<usize> {
    let reversed = reversed_sets(net, sets);
    let mut crossed = Vec::new();
    for (at, join) in net.joins.iter().enumerate().filter(|(_, join)| !join.is_joined()) {
        let (one, two) = (sets.find(join.one.at()).0, sets.find(join.two.at()).0);
        let is_fixed = one != two && !reversed[one] && !reversed[two];
        if is_fixed && is_fed(net, at) && !same_sense(net, at) {
            crossed.push(at);
        }
    }
    crossed
}

fn is_fed(net: &Netlist<'_>, at: usize) -> bool {
    let join = &net.joins[at];
    [join.one, join.two].iter().all(|strand| net.fed_by[strand.at()].iter().any(Option::is_some))
}

/// By set: it lies wholly behind one reverser, which makes it a gapped section whose rails may be swapped.
fn reversed_sets(net: &Netlist<'_>, sets: &mut SignedSets) -> Vec<bool> {
    let mut reverser: Vec<Option<Option<ReverserIx>>> = vec![None; net.strands.len()];
    let mut is_reversed = vec![false; net.strands.len()];
    for (at, strand) in net.strands.iter().enumerate() {
        let (set, _) = sets.find(at);
        let own = net.layout.blocks[strand.block.at()].reverser;
        let is_first = reverser[set].is_none();
        let seen = *reverser[set].get_or_insert(own);
        is_reversed[set] = own.is_some() && seen == own && (is_first || is_reversed[set]);
    }
    is_reversed
}
