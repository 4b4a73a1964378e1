//! The tables: ports, routes and the rail of each route that passes each frog.
//!
//! Source: drawn geometry, re-derived by this crate's geometry tests, which draw every route's rails and intersect them.

use super::{FrogName, Kind, Leg, Port};
use crate::{
    index::MachineIx,
    layout::{Position, Side},
};

/// A rail at a port, seen looking into the trackwork from that port.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub struct PortRail {
    /// The port.
    pub port: Port,
    /// The rail.
    pub side: Side,
}

/// A way through trackwork.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Route {
    /// The two ports that it joins.
    pub ends: (Port, Port),
    /// The frogs that it passes, each with the rail of this route that passes through it.
    pub frogs: &'static [(FrogName, PortRail)],
}

impl Route {
    /// The rail that a frog must match while this route is in use; none when the route does not pass the frog.
    #[must_use]
    pub fn rail_at(&self, frog: FrogName) -> Option<PortRail> {
        self.frogs.iter().find(|(name, _)| *name == frog).map(|(_, rail)| *rail)
    }
}

const fn at(port: Port, side: Side) -> PortRail {
    PortRail { port, side }
}

use FrogName as F;
use Port as P;
use Side::{Left as L, Right as R};

static TURNOUT: [Route; 2] = [
    Route { ends: (P::Points, P::Left), frogs: &[(F::Only, at(P::Points, R))] },
    Route { ends: (P::Points, P::Right), frogs: &[(F::Only, at(P::Points, L))] },
];

static THREE_WAY: [Route; 3] = [
    Route {
        ends: (P::Points, P::Left),
        frogs: &[(F::Left, at(P::Points, R)), (F::Middle, at(P::Points, R))],
    },
    Route {
        ends: (P::Points, P::Centre),
        frogs: &[(F::Left, at(P::Points, L)), (F::Right, at(P::Points, R))],
    },
    Route {
        ends: (P::Points, P::Right),
        frogs: &[(F::Right, at(P::Points, L)), (F::Middle, at(P::Points, L))],
    },
];

/// The two straight routes of a crossing, then the two slip routes. The slip roads add no frogs.
static CROSSING: [Route; 4] = [
    Route {
        ends: (P::ALeft, P::BLeft),
        frogs: &[
            (F::A, at(P::ALeft, R)),
            (F::B, at(P::BLeft, R)),
            (F::KLeft, at(P::ALeft, L)),
            (F::KRight, at(P::ALeft, R)),
        ],
    },
    Route {
        ends: (P::ARight, P::BRight),
        frogs: &[
            (F::A, at(P::ARight, L)),
            (F::B, at(P::BRight, L)),
            (F::KLeft, at(P::ARight, L)),
            (F::KRight, at(P::ARight, R)),
        ],
    },
    Route {
        ends: (P::ALeft, P::BRight),
        frogs: &[(F::A, at(P::ALeft, R)), (F::B, at(P::BRight, L))],
    },
    Route {
        ends: (P::ARight, P::BLeft),
        frogs: &[(F::A, at(P::ARight, L)), (F::B, at(P::BLeft, R))],
    },
];

const STRAIGHT: usize = 2;
const SLIP_FROM_A_LEFT: std::ops::Range<usize> = 0..3;

/// The straight routes and the slip route from a-right.
static SLIP_FROM_A_RIGHT: [Route; 3] = [CROSSING[0], CROSSING[1], CROSSING[3]];

/// How a pair of rails runs through trackwork.
///
/// A strand is a pair of rails that is one and the same, electrically, all the way through: both tracks of a crossing
/// are strands of their own; a slip is a single one, because its slip rails and obtuse frogs join its two tracks.
/// Frogs are cut off from it, and the rails beyond a frog are bonded to the rail of their route before it.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Strand {
    /// Which strand.
    pub number: usize,
    /// Looking in from the port, the strand's left rail is on this side. The strand's own left is that seen from the
    /// points, or from end a.
    pub left_on: Side,
}

impl Kind {
    /// Its ports.
    #[must_use]
    pub const fn ports(&self) -> &'static [Port] {
        match self {
            Self::Turnout { .. } => &[P::Points, P::Left, P::Right],
            Self::ThreeWay { .. } => &[P::Points, P::Left, P::Centre, P::Right],
            Self::Crossing { .. } | Self::DoubleSlip { .. } | Self::SingleSlip { .. } => {
                &[P::ALeft, P::ARight, P::BLeft, P::BRight]
            }
        }
    }

    /// The frogs that it may have.
    #[must_use]
    pub const fn frogs(&self) -> &'static [FrogName] {
        match self {
            Self::Turnout { .. } => &[F::Only],
            Self::ThreeWay { .. } => &[F::Left, F::Middle, F::Right],
            Self::Crossing { .. } | Self::DoubleSlip { .. } | Self::SingleSlip { .. } => {
                &[F::A, F::B, F::KLeft, F::KRight]
            }
        }
    }

    /// All ways through it.
    #[must_use]
    pub fn routes(&self) -> &'static [Route] {
        match self {
            Self::Turnout { .. } => &TURNOUT,
            Self::ThreeWay { .. } => &THREE_WAY,
            Self::Crossing { .. } => &CROSSING[..STRAIGHT],
            Self::DoubleSlip { .. } => &CROSSING,
            Self::SingleSlip { slip: P::ARight, .. } => &SLIP_FROM_A_RIGHT,
            Self::SingleSlip { .. } => &CROSSING[SLIP_FROM_A_LEFT],
        }
    }

    /// The machines that set it, ascending, each once.
    #[must_use]
    pub fn machines(&self) -> Vec<MachineIx> {
        let mut machines = match self {
            Self::Turnout { machine, .. } => vec![*machine],
            Self::ThreeWay { left, right } => vec![*left, *right],
            Self::Crossing { a_left, a_right } => {
                a_left.iter().chain(a_right).map(|(machine, _)| *machine).collect()
            }
            Self::DoubleSlip { a, b, .. } | Self::SingleSlip { a, b, .. } => vec![*a, *b],
        };
        machines.sort_unstable();
        machines.dedup();
        machines
    }

    /// The trackwork can take these positions.
    #[must_use]
    pub fn is_valid(&self, position: impl Fn(MachineIx) -> Position) -> bool {
        match self {
            Self::ThreeWay { left, right } => {
                position(*left) == Position::Normal || position(*right) == Position::Normal
            }
            Self::Turnout { .. }
            | Self::Crossing { .. }
            | Self::DoubleSlip { .. }
            | Self::SingleSlip { .. } => true,
        }
    }

    /// The routes that are open when its machines stand as given.
    #[must_use]
    pub fn open_routes(&self, position: impl Fn(MachineIx) -> Position) -> Vec<&'static Route> {
        self.routes().iter().filter(|route| self.is_open(route, &position)).collect()
    }

    fn is_open(&self, route: &Route, position: &impl Fn(MachineIx) -> Position) -> bool {
        let reverse = |machine: &MachineIx| position(*machine) == Position::Reverse;
        let (from, to) = route.ends;
        match self {
            Self::Turnout { machine, normal } => (to == leg_port(*normal)) != reverse(machine),
            Self::ThreeWay { left, right } => match to {
                P::Left => reverse(left),
                P::Right => reverse(right),
                P::Points | P::Centre | P::ALeft | P::ARight | P::BLeft | P::BRight => {
                    !reverse(left) && !reverse(right)
                }
            },
            Self::Crossing { a_left, a_right } => {
                let asked = if from == P::ALeft { a_left } else { a_right };
                asked.iter().all(|(machine, wanted)| position(*machine) == *wanted)
            }
            Self::DoubleSlip { a, a_normal, b, b_normal } => {
                (to == *a_normal) != reverse(a) && (from == *b_normal) != reverse(b)
            }
            Self::SingleSlip { a, b, slip } => match (from == *slip, to == slip_end(*slip)) {
                (true, true) => reverse(a) && reverse(b),
                (true, false) => !reverse(a),
                (false, true) => !reverse(b),
                (false, false) => true,
            },
        }
    }

    /// The strand that runs to a port.
    #[must_use]
    pub const fn strand(&self, port: Port) -> Strand {
        let is_plain_crossing = matches!(self, Self::Crossing { .. });
        match port {
            P::Points | P::ALeft => Strand { number: 0, left_on: L },
            P::Left | P::Centre | P::Right | P::BLeft => Strand { number: 0, left_on: R },
            P::ARight => Strand { number: is_plain_crossing as usize, left_on: L },
            P::BRight => Strand { number: is_plain_crossing as usize, left_on: R },
        }
    }

    /// Number of its strands.
    #[must_use]
    pub const fn strands(&self) -> usize {
        match self {
            Self::Crossing { .. } => 2,
            Self::Turnout { .. }
            | Self::ThreeWay { .. }
            | Self::DoubleSlip { .. }
            | Self::SingleSlip { .. } => 1,
        }
    }

    /// It has stock rails: `left` and `right` ties, and a left rail of its own seen from the points.
    #[must_use]
    pub const fn has_stock_rails(&self) -> bool {
        match self {
            Self::Turnout { .. } | Self::ThreeWay { .. } => true,
            Self::Crossing { .. } | Self::DoubleSlip { .. } | Self::SingleSlip { .. } => false,
        }
    }

    /// `turnout`, `three-way` … as the layout file writes it.
    #[must_use]
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Turnout { .. } => "turnout",
            Self::ThreeWay { .. } => "three-way",
            Self::Crossing { .. } => "crossing",
            Self::DoubleSlip { .. } => "double-slip",
            Self::SingleSlip { .. } => "single-slip",
        }
    }
}

impl FrogName {
    /// As the layout file and channels write it; empty for the only frog of a turnout.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Only => "",
            Self::Left => "left",
            Self::Middle => "middle",
            Self::Right => "right",
            Self::A => "a",
            Self::B => "b",
            Self::KLeft => "k-left",
            Self::KRight => "k-right",
        }
    }
}

/// The port at the end of a leg.
#[must_use]
pub const fn leg_port(leg: Leg) -> Port {
    match leg {
        Leg::Left => P::Left,
        Leg::Centre => P::Centre,
        Leg::Right => P::Right,
    }
}

/// The b-port at which the slip route from an a-port ends.
const fn slip_end(slip: Port) -> Port {
    match slip {
        P::ARight => P::BLeft,
        P::ALeft | P::BLeft | P::BRight | P::Points | P::Left | P::Centre | P::Right => P::BRight,
    }
}
