//! Which conductor each rail is on: every feeder is followed outwards through the joints.
//!
//! Two walks. The first gives every strand the conductors of the nearest feeder (or statement), over joins with at
//! least one joined rail; a join whose sides then disagree is where two feeds meet. The second walks rail by rail,
//! over agreeing joins only, and tells which rails are live and through which block's feeder.

use std::collections::VecDeque;

use super::{Join, Netlist, StrandIx};
use crate::{index::BlockIx, layout::Conductor};

pub(super) fn follow(net: &mut Netlist<'_>) {
    let is_reached = conductors(net);
    compare(net, &is_reached);
    feed_rails(net);
}

/// Conductor of `two`'s left rail when that of `one` is `left`.
pub(crate) const fn across(join: &Join, left: Conductor) -> Conductor {
    if join.is_turned { left.other() } else { left }
}

/// Labels all strands; returns which of them a feeder reaches.
fn conductors(net: &mut Netlist<'_>) -> Vec<bool> {
    let mut is_labelled = vec![false; net.strands.len()];
    spread(net, &mut is_labelled, |net, at| net.strands[at].is_fed_here);
    let is_reached = is_labelled.clone();
    spread(net, &mut is_labelled, |net, at| net.strands[at].is_stated);
    spread(net, &mut is_labelled, |_, _| true);
    is_reached
}

/// Breadth first from every unlabelled strand that `starts`. Where all may start, each component starts once only.
fn spread(
    net: &mut Netlist<'_>,
    is_labelled: &mut [bool],
    starts: impl Fn(&Netlist<'_>, usize) -> bool,
) {
    let mut queue = VecDeque::new();
    let is_common =
        |net: &Netlist<'_>, at: usize| net.strands[at].is_fed_here || net.strands[at].is_stated;
    for at in 0..net.strands.len() {
        if is_labelled[at] || !starts(net, at) {
            continue;
        }
        is_labelled[at] = true;
        net.left[at] = net.strands[at].declared;
        queue.push_back(at);
        if !is_common(net, at) {
            drain(net, is_labelled, &mut queue);
        }
    }
    drain(net, is_labelled, &mut queue);
}

fn drain(net: &mut Netlist<'_>, is_labelled: &mut [bool], queue: &mut VecDeque<usize>) {
    while let Some(at) = queue.pop_front() {
        for position in 0..net.strands[at].joins.len() {
            let join = net.joins[net.strands[at].joins[position] as usize];
            let here = StrandIx(u32::try_from(at).unwrap_or(u32::MAX));
            let next = join.other(here).at();
            if !join.is_joined() || is_labelled[next] {
                continue;
            }
            is_labelled[next] = true;
            net.left[next] = across(&join, net.left[at]);
            net.origin[next] = net.origin[at];
            queue.push_back(next);
        }
    }
}

/// A join agrees when its sides have the conductors that it demands, and feeders of one district where both are fed.
fn compare(net: &mut Netlist<'_>, is_reached: &[bool]) {
    let district = |strand: StrandIx| {
        let origin = net.origin[strand.at()];
        net.layout.district_of_block(net.strands[origin.at()].block)
    };
    let agrees = net.joins.iter().map(|join| {
        let same_sense = across(join, net.left[join.one.at()]) == net.left[join.two.at()];
        let both_fed = is_reached[join.one.at()] && is_reached[join.two.at()];
        let one_district = !both_fed || district(join.one) == district(join.two);
        !join.is_joined() || (same_sense && one_district)
    });
    net.agrees = agrees.collect();
}

/// Rail by rail from the feeders, first within each feeder's own block, so that a rail is booked to its own block's
/// detector wherever that feeds it, and then on into whatever is left.
fn feed_rails(net: &mut Netlist<'_>) {
    let mut reached: Vec<(usize, usize)> = Vec::new();
    for at in 0..net.strands.len() {
        if net.strands[at].is_fed_here {
            net.fed_by[at] = [Some(net.strands[at].block); 2];
            reached.extend([(at, 0), (at, 1)]);
        }
    }
    let mut within = VecDeque::from(reached.clone());
    walk(net, &mut within, &mut reached, true);
    let mut queue = VecDeque::from(reached.clone());
    walk(net, &mut queue, &mut reached, false);
}

fn walk(
    net: &mut Netlist<'_>,
    queue: &mut VecDeque<(usize, usize)>,
    reached: &mut Vec<(usize, usize)>,
    stays_in_block: bool,
) {
    while let Some((at, rail)) = queue.pop_front() {
        let block = net.fed_by[at][rail];
        for position in 0..net.strands[at].joins.len() {
            let index = net.strands[at].joins[position] as usize;
            let Some((next, next_rail)) = continues(net, index, at, rail) else { continue };
            let is_other_block = block != Some(net.strands[next].block);
            if net.fed_by[next][next_rail].is_some() || (stays_in_block && is_other_block) {
                continue;
            }
            feed(net, (next, next_rail), block);
            reached.push((next, next_rail));
            queue.push_back((next, next_rail));
        }
    }
}

fn feed(net: &mut Netlist<'_>, (strand, rail): (usize, usize), block: Option<BlockIx>) {
    net.fed_by[strand][rail] = block;
}

/// The rail on the other side of a join; none at a gap, and none where two feeds meet.
fn continues(net: &Netlist<'_>, join: usize, at: usize, rail: usize) -> Option<(usize, usize)> {
    let is_agreed = net.agrees[join];
    let join = &net.joins[join];
    let is_one = join.one.at() == at;
    let other_rail = if join.is_turned { 1 - rail } else { rail };
    let rail_of_one = if is_one { rail } else { other_rail };
    (is_agreed && join.joined[rail_of_one])
        .then(|| (if is_one { join.two.at() } else { join.one.at() }, other_rail))
}
