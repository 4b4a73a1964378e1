//! From the layout to strands and joins.

use super::{Join, Netlist, Piece, StrandIx, StrandOf, side_index};
use crate::{
    index::{TrackIx, TrackworkIx},
    layout::{Conductor, End, Gap, Layout, Side, Track, Trackwork, Which},
};

/// Strands and joins; conductors are still as declared.
pub(super) fn build(layout: &Layout) -> Netlist<'_> {
    let mut strands: Vec<StrandOf> =
        layout.tracks.iter().enumerate().map(|it| track(layout, it)).collect();
    let mut first_strand = Vec::with_capacity(layout.trackwork.len());
    for (at, it) in layout.trackwork.iter().enumerate() {
        first_strand.push(u32::try_from(strands.len()).unwrap_or(u32::MAX));
        for number in 0..it.kind.strands() {
            strands.push(trackwork(layout, TrackworkIx::new(at), it, number));
        }
    }
    let count = strands.len();
    let left = strands.iter().map(|it| it.declared).collect();
    let mut net = Netlist {
        layout,
        strands,
        joins: Vec::new(),
        joins_of: Vec::new(),
        joins_from: Vec::new(),
        first_strand,
        left,
        origin: (0..count).map(|at| StrandIx(u32::try_from(at).unwrap_or(u32::MAX))).collect(),
        agrees: Vec::new(),
        fed_by: vec![[None; 2]; count],
    };
    joins_at_ports(&mut net);
    joins_at_joints(&mut net);
    index_joins(&mut net);
    net
}

fn track(layout: &Layout, (at, it): (usize, &Track)) -> StrandOf {
    StrandOf {
        piece: Piece::Track(TrackIx::new(at)),
        block: it.block,
        declared: it.left.unwrap_or(layout.blocks[it.block.at()].left),
        is_stated: it.left.is_some(),
        is_fed_here: !it.feeders.is_empty(),
    }
}

/// Trackwork is fed where it states `left` itself; without any track plan always, at its points, by its block.
fn trackwork(layout: &Layout, index: TrackworkIx, it: &Trackwork, number: usize) -> StrandOf {
    let stated: Option<Conductor> = it.left.filter(|_| it.kind.has_stock_rails());
    StrandOf {
        piece: Piece::Trackwork(index, number),
        block: it.block,
        declared: stated.unwrap_or(layout.blocks[it.block.at()].left),
        is_stated: stated.is_some(),
        is_fed_here: stated.is_some() || layout.tracks.is_empty(),
    }
}

/// Where the strand's left rail is, looking into a track from one of its ends.
pub(super) const fn left_looking_in(which: Which) -> Side {
    match which {
        Which::From => Side::Left,
        Which::To => Side::Right,
    }
}

/// The same, looking out of the track over that end: the view into whatever it is joined to.
pub(super) const fn left_looking_out(which: Which) -> Side {
    left_looking_in(which).other()
}

/// One end of a strand at a join.
#[derive(Clone, Copy)]
struct Meets {
    strand: StrandIx,
    /// Where its left rail is, looking into it.
    left_in: Side,
    /// Its left, right rail is gapped at this end.
    gapped: [bool; 2],
    /// The track end, where it is one.
    end: Option<(TrackIx, Which)>,
}

fn track_end(layout: &Layout, track: TrackIx, which: Which) -> Meets {
    let mut gapped = [false; 2];
    for Gap { end, rail } in &layout.tracks[track.at()].gaps {
        if *end == which {
            gapped[side_index(*rail)] = true;
        }
    }
    Meets {
        strand: Netlist::track(track),
        left_in: left_looking_in(which),
        gapped,
        end: Some((track, which)),
    }
}

fn joins_at_ports(net: &mut Netlist<'_>) {
    for (at, it) in net.layout.tracks.iter().enumerate() {
        for (which, end) in [(Which::From, it.from), (Which::To, it.to)] {
            let End::Port(trackwork, port) = end else { continue };
            let left_in = net.layout.trackwork[trackwork.at()].kind.strand(port).left_on;
            let strand = net.at_port(trackwork, port);
            let there = Meets { strand, left_in, gapped: [false; 2], end: None };
            add(net, track_end(net.layout, TrackIx::new(at), which), there);
        }
    }
}

/// Two tracks meet at a joint. More than two are the tracks around a turntable: each meets both ends of the bridge, which
/// is the track with both its ends there, or else the first track named.
fn joins_at_joints(net: &mut Netlist<'_>) {
    for joint in &net.layout.joints {
        let ends = &joint.ends;
        let has_both =
            |end: &&(TrackIx, Which)| ends.iter().any(|other| other.0 == end.0 && other.1 != end.1);
        let bridge = if ends.len() > 2 { ends.iter().find(has_both) } else { None };
        let Some(&centre) = bridge.or(ends.first()) else { continue };
        let is_centre = |end: &(TrackIx, Which)| match bridge {
            Some(bridge) => end.0 == bridge.0,
            None => *end == centre,
        };
        for &inner in ends.iter().filter(|end| is_centre(end)) {
            for &outer in ends.iter().filter(|end| !is_centre(end)) {
                let meets = track_end(net.layout, outer.0, outer.1);
                add(net, track_end(net.layout, inner.0, inner.1), meets);
            }
        }
    }
}

fn add(net: &mut Netlist<'_>, one: Meets, two: Meets) {
    let is_turned = one.left_in == two.left_in;
    let mut joined = [true; 2];
    for side in [Side::Left, Side::Right] {
        let of_two = if is_turned { side.other() } else { side };
        let is_gapped = one.gapped[side_index(side)] || two.gapped[side_index(of_two)];
        joined[side_index(side)] = !is_gapped;
    }
    let ends = [one.end, two.end];
    net.joins.push(Join { one: one.strand, two: two.strand, is_turned, joined, ends });
}

/// Lists the joins of every strand; one that joins a strand with itself is listed once.
fn index_joins(net: &mut Netlist<'_>) {
    let ends = |join: &Join| {
        let is_ring = join.one == join.two;
        std::iter::once(join.one.at()).chain((!is_ring).then_some(join.two.at()))
    };
    net.joins_from = vec![0; net.strands.len() + 1];
    for strand in net.joins.iter().flat_map(ends) {
        net.joins_from[strand + 1] += 1;
    }
    for strand in 0..net.strands.len() {
        net.joins_from[strand + 1] += net.joins_from[strand];
    }
    let mut next = net.joins_from.clone();
    net.joins_of = vec![0; next[net.strands.len()] as usize];
    for (index, join) in net.joins.iter().enumerate() {
        for strand in ends(join) {
            net.joins_of[next[strand] as usize] = u32::try_from(index).unwrap_or(u32::MAX);
            next[strand] += 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::netlist::seen;

    #[test]
    fn the_view_from_a_port_into_trackwork_is_the_view_out_of_the_track_there() {
        assert_eq!(seen(Side::Left, left_looking_out(Which::To)), Side::Left);
        assert_eq!(seen(Side::Left, left_looking_out(Which::From)), Side::Right);
    }
}
