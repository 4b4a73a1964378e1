//! A slow second opinion: every rail is painted by hand.
//!
//! Rails are named pieces of paint. A feeder paints its rail; paint runs through trackwork along every route and over
//! every ungapped joint, until nothing changes. A frog has the paint of whatever its closed contacts touch, and must
//! have that of the rail of the route in use. No strands, no sets, no parity: it shares the tables of trackwork with the
//! proof, which are proved from drawings elsewhere, and nothing else.

use std::collections::{BTreeMap, BTreeSet};

use wiring::{
    index::{FrogIx, MachineIx, TrackIx, TrackworkIx},
    layout::{Conductor, End, Layout, Position, Side, Tie, Which},
    polarity::{Required, Wired},
    trackwork::Port,
};

/// A rail at an end of a piece, seen looking into the piece.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub(crate) enum Rail {
    Track(TrackIx, Which, Side),
    Port(TrackworkIx, Port, Side),
}

/// Every rail with the conductors that reach it.
pub(crate) type Paint = BTreeMap<Rail, BTreeSet<&'static str>>;

const SIDES: [Side; 2] = [Side::Left, Side::Right];

/// What a frog must be on, and what it is on, when the machines stand as given.
pub(crate) fn row(
    layout: &Layout,
    paint: &Paint,
    frog: FrogIx,
    positions: &BTreeMap<MachineIx, Position>,
) -> (Required, Wired) {
    let it = &layout.frogs[frog.at()];
    let kind = &layout.trackwork[it.trackwork.at()].kind;
    let open = kind.open_routes(|machine| positions[&machine]);
    let mut wanted = BTreeSet::new();
    for rail in open.iter().filter_map(|route| route.rail_at(it.name)) {
        wanted.extend(at_port(layout, paint, it.trackwork, rail.port, rail.side));
    }
    let mut tied = BTreeSet::new();
    for pole in &it.poles {
        let tie = match positions[&layout.poles[pole.pole.at()].machine] {
            Position::Normal => it.normal,
            Position::Reverse => it.reverse,
        };
        tied.extend(touched(layout, paint, frog, tie));
    }
    if let Some(tie) = it.fixed {
        tied.extend(touched(layout, paint, frog, tie));
    }
    let required = match (wanted.contains("A"), wanted.contains("B")) {
        (true, true) => Required::Conflict,
        (true, false) => Required::On(Conductor::A),
        (false, true) => Required::On(Conductor::B),
        (false, false) => Required::Any,
    };
    let wired = match (tied.contains("A"), tied.contains("B")) {
        (true, true) => Wired::Both,
        (true, false) => Wired::On(Conductor::A),
        (false, true) => Wired::On(Conductor::B),
        (false, false) => Wired::None,
    };
    (required, wired)
}

fn touched(layout: &Layout, paint: &Paint, frog: FrogIx, tie: Tie) -> BTreeSet<&'static str> {
    let trackwork = layout.frogs[frog.at()].trackwork;
    match tie {
        Tie::Stock(side) => at_port(layout, paint, trackwork, Port::Points, side),
        Tie::PortRail(port, side) => at_port(layout, paint, trackwork, port, side),
        Tie::Bus(conductor) | Tie::ForeignBus(_, conductor) => [conductor.word()].into(),
        Tie::None => BTreeSet::new(),
    }
}

/// Paint at a port. At crossings and slips it is that of the track joined there, which is seen from its own end.
fn at_port(
    layout: &Layout,
    paint: &Paint,
    trackwork: TrackworkIx,
    port: Port,
    side: Side,
) -> BTreeSet<&'static str> {
    let it = &layout.trackwork[trackwork.at()];
    let joined = it.at_port.iter().find(|(own, _)| *own == port).and_then(|(_, track)| *track);
    let rail = match joined {
        Some((track, which)) if !it.kind.ports().contains(&Port::Points) => {
            Rail::Track(track, which, side.other())
        }
        _ => Rail::Port(trackwork, port, side),
    };
    paint.get(&rail).cloned().unwrap_or_default()
}

/// Paints all rails.
pub(crate) fn painted(layout: &Layout) -> Paint {
    let mut paint = Paint::new();
    for (at, track) in layout.tracks.iter().enumerate().filter(|(_, it)| !it.feeders.is_empty()) {
        let left = track.left.unwrap_or(layout.blocks[track.block.at()].left);
        let rail = |side| Rail::Track(TrackIx::new(at), Which::From, side);
        paint.entry(rail(Side::Left)).or_default().insert(left.word());
        paint.entry(rail(Side::Right)).or_default().insert(left.other().word());
    }
    let joined = joined(layout);
    loop {
        let before: usize = paint.values().map(BTreeSet::len).sum();
        for (one, two) in &joined {
            let mut both = paint.get(one).cloned().unwrap_or_default();
            both.extend(paint.get(two).into_iter().flatten());
            paint.insert(*one, both.clone());
            paint.insert(*two, both);
        }
        if paint.values().map(BTreeSet::len).sum::<usize>() == before {
            return paint;
        }
    }
}

/// All pairs of rails that touch.
fn joined(layout: &Layout) -> Vec<(Rail, Rail)> {
    let mut pairs = Vec::new();
    for (at, track) in layout.tracks.iter().enumerate() {
        let index = TrackIx::new(at);
        for side in SIDES {
            let (from, to) = (Which::From, Which::To);
            pairs.push((Rail::Track(index, from, side), Rail::Track(index, to, side.other())));
        }
        for (which, end) in [(Which::From, track.from), (Which::To, track.to)] {
            let End::Port(trackwork, port) = end else { continue };
            for side in SIDES.into_iter().filter(|side| !is_gapped(layout, index, which, *side)) {
                let there = Rail::Port(trackwork, port, side.other());
                pairs.push((Rail::Track(index, which, side), there));
            }
        }
    }
    for joint in &layout.joints {
        let [one, two] = joint.ends.as_slice() else { continue };
        for side in SIDES {
            let gapped_one = is_gapped(layout, one.0, one.1, side);
            if !gapped_one && !is_gapped(layout, two.0, two.1, side.other()) {
                let there = Rail::Track(two.0, two.1, side.other());
                pairs.push((Rail::Track(one.0, one.1, side), there));
            }
        }
    }
    for (at, it) in layout.trackwork.iter().enumerate() {
        let index = TrackworkIx::new(at);
        for (from, to) in it.kind.routes().iter().map(|route| route.ends) {
            for side in SIDES {
                pairs.push((Rail::Port(index, from, side), Rail::Port(index, to, side.other())));
            }
        }
    }
    pairs
}

fn is_gapped(layout: &Layout, track: TrackIx, which: Which, side: Side) -> bool {
    // Gaps are named looking from `from` to `to`.
    let rail = match which {
        Which::From => side,
        Which::To => side.other(),
    };
    layout.tracks[track.at()].gaps.iter().any(|gap| gap.end == which && gap.rail == rail)
}
