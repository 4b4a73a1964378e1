//! The track plan as trains meet it: pieces, what follows what, which rails a wheel stands on, which frogs a route passes.

use circuit::grid::Terminal;
use wiring::{
    index::{BlockIx, FrogIx, MachineIx, TrackIx, TrackworkIx},
    layout::{End, Layout, Position, Side, Which},
    trackwork::{FrogName, Kind, Leg, Port},
};

/// Length of a port's stub where no track joins. Unit: metre.
const STUB_LENGTH: f64 = 1.5;
/// Length of trackwork, end to end. Unit: metre.
const WORK_LENGTH: f64 = 0.32;
/// Half of the length over which a wheel stands on a frog. Unit: metre.
const FROG_REACH: f64 = 0.035;

/// Where a train is or goes: a piece of the layout with the direction in which it is crossed.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub(crate) enum Step {
    /// Plain track, entered at one end.
    Track(TrackIx, Which),
    /// Trackwork, from port to port.
    Work(TrackworkIx, Port, Port),
    /// The open end at a port without track; `outward` is away from the trackwork.
    Stub { work: TrackworkIx, port: Port, outward: bool },
}

/// What may be held by one train only.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub(crate) enum Piece {
    Track(TrackIx),
    Work(TrackworkIx),
    Stub(TrackworkIx, Port),
}

/// What lies beyond the end of a step.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Beyond {
    /// Plain track or a stub: only one way on.
    Step(Step),
    /// Trackwork, entered at this port.
    Work(TrackworkIx, Port),
    /// A buffer.
    Nothing,
}

/// A frog on a route.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Passage {
    /// The frog.
    pub(crate) frog: FrogName,
    /// The rail of the route that it is part of, looking along the route.
    pub(crate) side: Side,
    /// Where along the route, 0..1.
    pub(crate) at: f64,
}

impl Step {
    pub(crate) fn piece(self) -> Piece {
        match self {
            Self::Track(track, _) => Piece::Track(track),
            Self::Work(work, _, _) => Piece::Work(work),
            Self::Stub { work, port, .. } => Piece::Stub(work, port),
        }
    }

    pub(crate) fn reversed(self) -> Self {
        match self {
            Self::Track(track, entered) => Self::Track(track, other_end(entered)),
            Self::Work(work, from, to) => Self::Work(work, to, from),
            Self::Stub { work, port, outward } => Self::Stub { work, port, outward: !outward },
        }
    }

    pub(crate) fn length(self, layout: &Layout) -> f64 {
        match self {
            Self::Track(track, _) => layout.tracks[track.at()].length.metres().max(0.05),
            Self::Work(..) => WORK_LENGTH,
            Self::Stub { .. } => STUB_LENGTH,
        }
    }

    pub(crate) fn block(self, layout: &Layout) -> BlockIx {
        match self {
            Self::Track(track, _) => layout.tracks[track.at()].block,
            Self::Work(work, _, _) | Self::Stub { work, .. } => layout.trackwork[work.at()].block,
        }
    }

    /// What comes after it.
    pub(crate) fn beyond(self, layout: &Layout) -> Beyond {
        match self {
            Self::Track(track, entered) => {
                let it = &layout.tracks[track.at()];
                let leaving = other_end(entered);
                match if leaving == Which::From { it.from } else { it.to } {
                    End::Port(work, port) => Beyond::Work(work, port),
                    End::Joint(joint) => layout.joints[joint.at()]
                        .ends
                        .iter()
                        .find(|end| **end != (track, leaving))
                        .map_or(Beyond::Nothing, |&(next, at)| Beyond::Step(Self::Track(next, at))),
                }
            }
            Self::Work(work, _, port) => Beyond::Step(outside(layout, work, port)),
            Self::Stub { outward: true, .. } => Beyond::Nothing,
            Self::Stub { work, port, outward: false } => Beyond::Work(work, port),
        }
    }

    /// The left and right rail under a wheel at `offset` metres from where the step begins, looking ahead.
    pub(crate) fn rails(self, layout: &Layout, offset: f64) -> [Terminal; 2] {
        [Side::Left, Side::Right].map(|side| self.rail(layout, offset, side))
    }

    /// Distance from `offset` to the next place where a wheel comes onto other rails.
    pub(crate) fn to_next_rails(self, layout: &Layout, offset: f64) -> f64 {
        let length = self.length(layout);
        let half = if offset < length / 2.0 { length / 2.0 } else { length };
        let mut nearest = half - offset;
        if let Self::Work(work, from, to) = self {
            for passage in passages(&layout.trackwork[work.at()].kind, from, to) {
                for edge in [-FROG_REACH, FROG_REACH] {
                    let distance = passage.at * length + edge - offset;
                    if 0.0 <= distance {
                        nearest = nearest.min(distance);
                    }
                }
            }
        }
        nearest
    }

    fn rail(self, layout: &Layout, offset: f64, side: Side) -> Terminal {
        let near_start = offset < self.length(layout) / 2.0;
        match self {
            Self::Track(track, entered) => {
                let end = if near_start { entered } else { other_end(entered) };
                let side = if entered == Which::From { side } else { side.other() };
                Terminal::Rail(track, end, side)
            }
            Self::Work(work, from, to) => {
                let at = offset / WORK_LENGTH;
                let on = passages(&layout.trackwork[work.at()].kind, from, to)
                    .find(|it| it.side == side && (it.at - at).abs() * WORK_LENGTH < FROG_REACH);
                match on.and_then(|it| frog_of(layout, work, it.frog)) {
                    Some(frog) => Terminal::Frog(frog),
                    None if near_start => Terminal::PortRail(work, from, side),
                    None => Terminal::PortRail(work, to, side.other()),
                }
            }
            Self::Stub { work, port, outward } => {
                let side = if outward { side.other() } else { side };
                Terminal::PortRail(work, port, side)
            }
        }
    }
}

/// The other end of a track.
pub(crate) fn other_end(end: Which) -> Which {
    match end {
        Which::From => Which::To,
        Which::To => Which::From,
    }
}

/// The step that leaves trackwork at a port.
pub(crate) fn outside(layout: &Layout, work: TrackworkIx, port: Port) -> Step {
    let joined = layout.trackwork[work.at()].at_port.iter().find(|(at, _)| *at == port);
    match joined.and_then(|(_, track)| *track) {
        Some((track, end)) => Step::Track(track, end),
        None => Step::Stub { work, port, outward: true },
    }
}

/// The frog of that name.
pub(crate) fn frog_of(layout: &Layout, work: TrackworkIx, name: FrogName) -> Option<FrogIx> {
    let frogs = &layout.trackwork[work.at()].frogs;
    frogs.iter().copied().find(|frog| layout.frogs[frog.at()].name == name)
}

/// The ports that can be reached from a port.
pub(crate) fn exits(kind: &Kind, from: Port) -> &'static [Port] {
    match (kind, from) {
        (Kind::Turnout { .. }, Port::Points) => &[Port::Left, Port::Right],
        (Kind::ThreeWay { .. }, Port::Points) => &[Port::Left, Port::Centre, Port::Right],
        (Kind::Turnout { .. } | Kind::ThreeWay { .. }, _) => &[Port::Points],
        (Kind::Crossing { .. }, Port::ALeft) => &[Port::BLeft],
        (Kind::Crossing { .. }, Port::ARight) => &[Port::BRight],
        (Kind::Crossing { .. }, Port::BLeft) => &[Port::ALeft],
        (Kind::Crossing { .. }, _) => &[Port::ARight],
        (Kind::DoubleSlip { .. }, Port::ALeft | Port::ARight) => &[Port::BLeft, Port::BRight],
        (Kind::DoubleSlip { .. }, _) => &[Port::ALeft, Port::ARight],
        (Kind::SingleSlip { slip: Port::ALeft, .. }, Port::ALeft)
        | (Kind::SingleSlip { slip: Port::ARight, .. }, Port::ARight) => {
            &[Port::BLeft, Port::BRight]
        }
        (Kind::SingleSlip { slip: Port::ALeft, .. }, Port::BRight)
        | (Kind::SingleSlip { slip: Port::ARight, .. }, Port::BLeft) => {
            &[Port::ALeft, Port::ARight]
        }
        (Kind::SingleSlip { .. }, Port::ALeft) => &[Port::BLeft],
        (Kind::SingleSlip { .. }, Port::ARight) => &[Port::BRight],
        (Kind::SingleSlip { .. }, Port::BLeft) => &[Port::ALeft],
        (Kind::SingleSlip { .. }, _) => &[Port::ARight],
    }
}

/// Where the machines must stand for a route, so that no other route is open beside it.
pub(crate) fn settings(kind: &Kind, from: Port, to: Port) -> Vec<(MachineIx, Position)> {
    let ends = [from, to];
    let at_a = if ends.contains(&Port::ALeft) { Port::ALeft } else { Port::ARight };
    let at_b = if ends.contains(&Port::BLeft) { Port::BLeft } else { Port::BRight };
    match kind {
        Kind::Turnout { machine, normal } => {
            vec![(*machine, reverse_unless(ends.contains(&leg_port(*normal))))]
        }
        Kind::ThreeWay { left, right } => vec![
            (*left, reverse_unless(!ends.contains(&Port::Left))),
            (*right, reverse_unless(!ends.contains(&Port::Right))),
        ],
        Kind::Crossing { a_left, a_right } => {
            let (open, shut) =
                if at_a == Port::ALeft { (a_left, a_right) } else { (a_right, a_left) };
            let mut wanted = open.clone();
            if let Some(&(machine, position)) = shut.first()
                && !open.iter().any(|(named, _)| *named == machine)
            {
                wanted.push((machine, reverse_unless(position == Position::Reverse)));
            }
            wanted
        }
        Kind::DoubleSlip { a, a_normal, b, b_normal } => {
            vec![(*a, reverse_unless(at_b == *a_normal)), (*b, reverse_unless(at_a == *b_normal))]
        }
        Kind::SingleSlip { a, b, slip } => {
            let straight = (at_a == Port::ALeft) == (at_b == Port::BLeft);
            let from_slip = at_a == *slip;
            vec![
                (*a, reverse_unless(straight && from_slip)),
                (*b, reverse_unless(straight && !from_slip)),
            ]
        }
    }
}

fn reverse_unless(normal: bool) -> Position {
    if normal { Position::Normal } else { Position::Reverse }
}

fn leg_port(leg: Leg) -> Port {
    match leg {
        Leg::Left => Port::Left,
        Leg::Centre => Port::Centre,
        Leg::Right => Port::Right,
    }
}

/// The frogs that a wheel meets on a route, with the rail of the route that each is part of.
///
/// Turned round, sides and places are mirrored. Drawn by hand from the two rails of each route.
pub(crate) fn passages(kind: &Kind, from: Port, to: Port) -> impl Iterator<Item = Passage> {
    let forward = forward_passages(kind, from, to);
    let back = if forward.is_empty() { forward_passages(kind, to, from) } else { &[] };
    let there = forward.iter().map(|&(frog, side, at)| Passage { frog, side, at });
    let back =
        back.iter().map(|&(frog, side, at)| Passage { frog, side: side.other(), at: 1.0 - at });
    there.chain(back)
}

fn forward_passages(kind: &Kind, from: Port, to: Port) -> &'static [(FrogName, Side, f64)] {
    use FrogName as F;
    use Side::{Left, Right};
    match (kind, from, to) {
        (Kind::Turnout { .. }, Port::Points, Port::Left) => &[(F::Only, Right, 0.7)],
        (Kind::Turnout { .. }, Port::Points, Port::Right) => &[(F::Only, Left, 0.7)],
        (Kind::ThreeWay { .. }, Port::Points, Port::Left) => {
            &[(F::Middle, Right, 0.5), (F::Left, Right, 0.8)]
        }
        (Kind::ThreeWay { .. }, Port::Points, Port::Centre) => {
            &[(F::Left, Left, 0.8), (F::Right, Right, 0.8)]
        }
        (Kind::ThreeWay { .. }, Port::Points, Port::Right) => {
            &[(F::Middle, Left, 0.5), (F::Right, Left, 0.8)]
        }
        (_, Port::ALeft, Port::BLeft) => &[(F::A, Right, 0.2), (F::B, Left, 0.8)],
        (_, Port::ARight, Port::BRight) => &[(F::A, Left, 0.2), (F::B, Right, 0.8)],
        (_, Port::ALeft, Port::BRight) => &[(F::A, Right, 0.2), (F::B, Right, 0.8)],
        (_, Port::ARight, Port::BLeft) => &[(F::A, Left, 0.2), (F::B, Left, 0.8)],
        _ => &[],
    }
}

/// All trackwork that a machine sets.
pub(crate) fn works_of_machine(layout: &Layout) -> Vec<Vec<TrackworkIx>> {
    let mut works = vec![Vec::new(); layout.machines.len()];
    for (at, work) in layout.trackwork.iter().enumerate() {
        for machine in machines_of(&work.kind) {
            works[machine.at()].push(TrackworkIx::new(at));
        }
    }
    works
}

/// The machines that set a piece of trackwork.
pub(crate) fn machines_of(kind: &Kind) -> Vec<MachineIx> {
    match kind {
        Kind::Turnout { machine, .. } => vec![*machine],
        Kind::ThreeWay { left, right } => vec![*left, *right],
        Kind::Crossing { a_left, a_right } => {
            let mut all: Vec<_> =
                a_left.iter().chain(a_right).map(|(machine, _)| *machine).collect();
            all.sort_unstable();
            all.dedup();
            all
        }
        Kind::DoubleSlip { a, b, .. } | Kind::SingleSlip { a, b, .. } => vec![*a, *b],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TURNOUT: Kind = Kind::Turnout { machine: MachineIx(0), normal: Leg::Left };
    const DOUBLE: Kind = Kind::DoubleSlip {
        a: MachineIx(0),
        a_normal: Port::BLeft,
        b: MachineIx(1),
        b_normal: Port::ALeft,
    };

    #[test]
    fn a_route_turned_round_meets_the_same_frogs_from_the_other_side() {
        let only = |from, to| passages(&TURNOUT, from, to).next().expect("a route over its frog");
        let (there, back) = (only(Port::Points, Port::Left), only(Port::Left, Port::Points));
        assert_eq!([there.side, back.side], [Side::Right, Side::Left]);
        assert!((there.at + back.at - 1.0).abs() < 1e-9);
    }

    #[test]
    fn both_machines_of_a_double_slip_normal_open_the_straight_route_of_a_left() {
        // layout-file.md, table of positions.
        use Position::{Normal, Reverse};
        let check = |from, to, want: [Position; 2]| {
            let got: Vec<_> = settings(&DOUBLE, from, to).iter().map(|it| it.1).collect();
            assert_eq!(got, want, "{from:?} to {to:?}");
        };
        check(Port::ALeft, Port::BLeft, [Normal, Normal]);
        check(Port::ARight, Port::BRight, [Reverse, Reverse]);
        check(Port::ALeft, Port::BRight, [Reverse, Normal]);
        check(Port::BLeft, Port::ARight, [Normal, Reverse]);
    }

    #[test]
    fn every_exit_leads_back() {
        for kind in [TURNOUT, DOUBLE] {
            for from in [Port::Points, Port::Left, Port::Right, Port::ALeft, Port::BRight] {
                let belongs = matches!(kind, Kind::Turnout { .. })
                    == matches!(from, Port::Points | Port::Left | Port::Right);
                for to in exits(&kind, from).iter().filter(|_| belongs) {
                    assert!(exits(&kind, *to).contains(&from), "{from:?} {to:?}");
                }
            }
        }
    }
}
