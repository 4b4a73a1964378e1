//! Findings about feeders and gaps: where two feeds meet, where none arrives, where a gap is missing.

use super::words::{and, piece, piece_span};
use crate::{
    finding::{Code, Finding},
    layout::Layout,
    netlist::{Join, Netlist, Piece, StrandIx},
    plan::{Blamed, Parity, place},
};

pub(super) fn check(net: &Netlist<'_>, parity: &Parity, findings: &mut Vec<Finding>) {
    crossed(net, parity, findings);
    findings.extend(parity.two_districts.iter().map(|&at| two_districts(net, at)));
    crossed_gaps(net, parity, findings);
    findings.extend((0..net.joins.len()).filter_map(|at| gap_missing(net, at)));
    unfed(net, findings);
}

fn places(net: &Netlist<'_>, joins: &[usize]) -> String {
    let mut places: Vec<String> =
        joins.iter().map(|&at| place(net.layout, &net.joins[at])).collect();
    places.dedup();
    and(&places)
}

fn crossed(net: &Netlist<'_>, parity: &Parity, findings: &mut Vec<Finding>) {
    for Blamed { guilty, other, joins } in &parity.crossed {
        let (guilty, other, places) = (*guilty, *other, places(net, joins));
        let finding = Finding::new(
            Code::FeedCrossed,
            piece(net, guilty),
            piece_span(net, guilty),
            format!(
                "the feeds of {} and {} meet at {places} without a gap, and their left and right \
                 conductors are exchanged: A and B are joined there",
                name(net, guilty),
                name(net, other)
            ),
            format!(
                "swap the two feeder wires of {}, or if they are right as they are, those of {}",
                name(net, guilty),
                name(net, other)
            ),
        );
        findings
            .push(finding.and(piece_span(net, other), format!("{} is fed here", name(net, other))));
    }
}

/// `track q1-main`.
fn name(net: &Netlist<'_>, strand: StrandIx) -> String {
    piece(net, strand).replace('/', " ")
}

/// The track at a join: the first that is one.
fn at_join(join: &Join) -> (StrandIx, StrandIx) {
    if join.ends[0].is_some() { (join.one, join.two) } else { (join.two, join.one) }
}

fn two_districts(net: &Netlist<'_>, at: usize) -> Finding {
    let join = &net.joins[at];
    let place = place(net.layout, join);
    let (strand, other) = at_join(join);
    let district = |it: StrandIx| &net.layout.districts[net.origin_district(it).at()].id;
    let rails = if join.joined == [true; 2] { "both rails" } else { "the rail that is not gapped" };
    let finding = Finding::new(
        Code::FeedCrossed,
        piece(net, strand),
        piece_span(net, strand),
        format!(
            "districts {} and {} are joined at {place}: {rails} there have feeders of both",
            district(strand),
            district(other)
        ),
        format!("gap both rails at {place}"),
    );
    finding.and(piece_span(net, other), format!("{} on the other side", name(net, other)))
}

fn crossed_gaps(net: &Netlist<'_>, parity: &Parity, findings: &mut Vec<Finding>) {
    for Blamed { guilty, other, joins } in &parity.crossed_gaps {
        let (guilty, other, places) = (*guilty, *other, places(net, joins));
        let block = &net.layout.blocks[net.strands[guilty.at()].block.at()].id;
        let finding = Finding::new(
            Code::GapCrossed,
            piece(net, guilty),
            piece_span(net, guilty),
            format!(
                "at the gap {places} the rails of {} and {} are on opposite conductors, and no \
                 reverser is named: a wheel that crosses the gap joins A and B",
                name(net, guilty),
                name(net, other)
            ),
            format!(
                "swap the two feeder wires of {}; if it is a reversing section, say what swaps its \
                 rails: [reverser.ID] block = \"{block}\"",
                name(net, guilty)
            ),
        );
        findings
            .push(finding.and(piece_span(net, other), format!("{} is fed here", name(net, other))));
    }
}

fn gap_missing(net: &Netlist<'_>, at: usize) -> Option<Finding> {
    let join = &net.joins[at];
    let layout: &Layout = net.layout;
    let (strand, other) = at_join(join);
    let (here, there) = (net.strands[strand.at()].block, net.strands[other.at()].block);
    if here == there || join.joined != [true; 2] {
        return None;
    }
    let (one, two) = (&layout.blocks[here.at()], &layout.blocks[there.at()]);
    let is_border = one.district != two.district;
    let what = if is_border { "districts" } else { "blocks" };
    let (one, two) = if is_border {
        (&layout.districts[one.district.at()].id, &layout.districts[two.district.at()].id)
    } else {
        (&one.id, &two.id)
    };
    let place = place(layout, join);
    let which = match join.ends.iter().flatten().next().map(|end| end.1) {
        Some(crate::layout::Which::From) => "from",
        Some(crate::layout::Which::To) | None => "to",
    };
    let finding = Finding::new(
        Code::GapMissing,
        piece(net, strand),
        piece_span(net, strand),
        format!("{what} {one} and {two} meet at {place} without a gap"),
        format!(
            "gap both rails there: gaps = [\"{which}\"] in [{}]",
            piece(net, strand).replace('/', ".")
        ),
    );
    Some(finding.and(piece_span(net, other), format!("{} on the other side", name(net, other))))
}

/// Dead rails, one finding for each group of pieces that hang together.
fn unfed(net: &Netlist<'_>, findings: &mut Vec<Finding>) {
    let mut is_seen = vec![false; net.strands.len()];
    for at in 0..net.strands.len() {
        if is_seen[at] || !is_dead(net, at) {
            continue;
        }
        let group = group(net, at, &mut is_seen);
        findings.push(dead(net, &group));
    }
}

/// The short rails inside a crossing or slip belong to its frogs and are not asked for.
fn is_dead(net: &Netlist<'_>, at: usize) -> bool {
    let is_asked = match net.strands[at].piece {
        Piece::Track(_) => true,
        Piece::Trackwork(it, _) => net.layout.trackwork[it.at()].kind.has_stock_rails(),
    };
    is_asked && net.fed_by[at].iter().any(Option::is_none)
}

fn group(net: &Netlist<'_>, start: usize, is_seen: &mut [bool]) -> Vec<usize> {
    is_seen[start] = true;
    let mut group = vec![start];
    let mut next = 0;
    while let Some(&at) = group.get(next) {
        next += 1;
        for &index in net.joins_at(at) {
            let join = &net.joins[index as usize];
            let other = if join.one.at() == at { join.two.at() } else { join.one.at() };
            if join.is_joined() && !is_seen[other] && is_dead(net, other) {
                is_seen[other] = true;
                group.push(other);
            }
        }
    }
    group.sort_unstable();
    group
}

fn dead(net: &Netlist<'_>, group: &[usize]) -> Finding {
    let strands: Vec<StrandIx> =
        group.iter().filter_map(|at| u32::try_from(*at).ok()).map(StrandIx).collect();
    let first = strands[0];
    let rails = match net.fed_by[first.at()] {
        [None, Some(_)] => "the left rail",
        [Some(_), None] => "the right rail",
        [None, None] | [Some(_), Some(_)] => "either rail",
    };
    let verb = if rails == "either rail" { "no feeder reaches" } else { "no feeder path leads to" };
    let mut message = format!("{verb} {rails} of {}", name(net, first));
    if let [_, rest @ ..] = strands.as_slice()
        && !rest.is_empty()
    {
        let rest: Vec<_> = rest.iter().map(|it| name(net, *it)).collect();
        message.push_str(&format!(", nor of {} joined to it", and(&rest)));
    }
    let remedy = match net.strands[first.at()].piece {
        Piece::Track(_) => format!(
            "add a feeder: feeders = [\"from\"] in [{}], or close the gap that cuts it off",
            piece(net, first).replace('/', ".")
        ),
        Piece::Trackwork(..) => format!(
            "join a fed track to {} without a gap, or state `left` there, which gives it a feeder of its own",
            name(net, first)
        ),
    };
    let finding =
        Finding::new(Code::RailUnfed, piece(net, first), piece_span(net, first), message, remedy);
    strands[1..].iter().fold(finding, |finding, it| finding.and(piece_span(net, *it), "dead too"))
}
