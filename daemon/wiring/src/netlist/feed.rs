//! Which conductor each rail is on: every feeder is followed outwards through the joints.
//!
//! Two walks. The first gives every strand the conductors of the nearest feeder (or statement), over joins with at
//! least one joined rail; a join whose sides then disagree is where two feeds meet. The second walks rail by rail,
//! over agreeing joins only, and tells which rails are live and through which block's feeder.

use std::collections::VecDeque;

use super::{Join, Netlist, StrandIx, StrandOf};
use crate::{index::BlockIx, layout::Conductor};

pub(super) fn follow(net: &mut Netlist<'_>) {
    for at in 0..net.strands.len() {
        net.origin[at] = strand(at);
    }
    net.fed_by = vec![[None; 2]; net.strands.len()];
    let is_reached = conductors(net);
    compare(net, &is_reached);
    feed_rails(net);
}

fn strand(at: usize) -> StrandIx {
    StrandIx(u32::try_from(at).unwrap_or(u32::MAX))
}

/// Conductor of `two`'s left rail when that of `one` is `left`.
pub(crate) const fn across(join: &Join, left: Conductor) -> Conductor {
    if join.is_turned { left.other() } else { left }
}

/// How far a feed is followed before others get their turn.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Within {
    Block,
    District,
    Layout,
}

/// Labels all strands; returns which of them a feeder reaches. Each feed first gets its own block, then its own
/// district, so that where two meet they do so at the border, if there is one between them.
fn conductors(net: &mut Netlist<'_>) -> Vec<bool> {
    let mut is_labelled = vec![false; net.strands.len()];
    let mut starts = start(net, &mut is_labelled, |it| it.is_fed_here);
    for within in [Within::Block, Within::District, Within::Layout] {
        starts = spread(net, &mut is_labelled, starts, within);
    }
    let is_reached = is_labelled.clone();
    let stated = start(net, &mut is_labelled, |it| it.is_stated);
    spread(net, &mut is_labelled, stated, Within::Layout);
    for at in 0..net.strands.len() {
        if !is_labelled[at] {
            is_labelled[at] = true;
            net.left[at] = net.strands[at].declared;
            spread(net, &mut is_labelled, vec![at], Within::Layout);
        }
    }
    is_reached
}

/// Labels all unlabelled strands that say something themselves.
fn start(
    net: &mut Netlist<'_>,
    is_labelled: &mut [bool],
    says: impl Fn(&StrandOf) -> bool,
) -> Vec<usize> {
    let said = (0..net.strands.len()).filter(|at| !is_labelled[*at] && says(&net.strands[*at]));
    let said: Vec<usize> = said.collect();
    for &at in &said {
        is_labelled[at] = true;
        net.left[at] = net.strands[at].declared;
    }
    said
}

/// Breadth first from the given strands. Returns all that are labelled, in the order in which they were reached.
fn spread(
    net: &mut Netlist<'_>,
    is_labelled: &mut [bool],
    mut reached: Vec<usize>,
    within: Within,
) -> Vec<usize> {
    let mut next = 0;
    while let Some(&at) = reached.get(next) {
        next += 1;
        for position in 0..net.joins_at(at).len() {
            let join = net.joins[net.joins_at(at)[position] as usize];
            let to = join.other(strand(at)).at();
            if !join.is_joined() || is_labelled[to] || !is_within(net, at, to, within) {
                continue;
            }
            is_labelled[to] = true;
            net.left[to] = across(&join, net.left[at]);
            net.origin[to] = net.origin[at];
            reached.push(to);
        }
    }
    reached
}

/// The feed of a strand may go on to another one.
fn is_within(net: &Netlist<'_>, at: usize, to: usize, within: Within) -> bool {
    let (own, other) = (net.strands[net.origin[at].at()].block, net.strands[to].block);
    let district = |block: BlockIx| net.layout.district_of_block(block);
    match within {
        Within::Block => own == other,
        Within::District => district(own) == district(other),
        Within::Layout => true,
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
        for position in 0..net.joins_at(at).len() {
            let index = net.joins_at(at)[position] as usize;
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
