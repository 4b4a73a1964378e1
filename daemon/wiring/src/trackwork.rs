//! Trackwork as data: ports, routes, frogs, machines, and the rail that each frog must match on each route.
//!
//! Looking from the points toward the frog, or into the trackwork from the end named. The tables are proved
//! against drawn geometry in this crate's tests.

use crate::{index::MachineIx, layout::Position};

mod tables;

pub use tables::{PortRail, Route, Strand, leg_port};

/// A port: an end of trackwork at which track joins.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Port {
    /// The points end of a turnout or three-way.
    Points,
    /// The left leg.
    Left,
    /// The centre leg of a three-way.
    Centre,
    /// The right leg.
    Right,
    /// Of a crossing or slip: the left track at end a, looking in from a.
    ALeft,
    /// The right track at end a.
    ARight,
    /// The left track at end b, looking in from b.
    BLeft,
    /// The right track at end b.
    BRight,
}

impl Port {
    /// As the layout file writes it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Points => "points",
            Self::Left => "left",
            Self::Centre => "centre",
            Self::Right => "right",
            Self::ALeft => "a-left",
            Self::ARight => "a-right",
            Self::BLeft => "b-left",
            Self::BRight => "b-right",
        }
    }
}

/// Hand of a turnout.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Hand {
    /// The diverging leg is the left one.
    Left,
    /// The diverging leg is the right one.
    Right,
    /// Both legs diverge.
    Wye,
}

/// A leg of a turnout or three-way.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Leg {
    /// Left.
    Left,
    /// Centre.
    Centre,
    /// Right.
    Right,
}

/// Which frog of a trackwork.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum FrogName {
    /// The only frog of a turnout.
    Only,
    /// Of a three-way.
    Left,
    /// Of a three-way.
    Middle,
    /// Of a three-way.
    Right,
    /// The acute frog at end a of a crossing or slip.
    A,
    /// The acute frog at end b.
    B,
    /// The obtuse frog on the left, looking in from a.
    KLeft,
    /// The obtuse frog on the right, looking in from a.
    KRight,
}

/// What a piece of trackwork is, with the machines that set it.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Kind {
    /// Two legs, one frog.
    Turnout {
        /// The machine.
        machine: MachineIx,
        /// The leg in use when the machine is normal.
        normal: Leg,
    },
    /// Three legs, three frogs.
    ThreeWay {
        /// Its reverse selects the left leg.
        left: MachineIx,
        /// Its reverse selects the right leg.
        right: MachineIx,
    },
    /// Two tracks that cross.
    Crossing {
        /// When the route through a-left is in use: all named machines stand so. Empty: always possible.
        a_left: Vec<(MachineIx, Position)>,
        /// The same for the route through a-right.
        a_right: Vec<(MachineIx, Position)>,
    },
    /// A crossing with two slip routes.
    DoubleSlip {
        /// The machine at end a: its blades select the b-port.
        a: MachineIx,
        /// The b-port in use when machine a is normal.
        a_normal: Port,
        /// The machine at end b: its blades select the a-port.
        b: MachineIx,
        /// The a-port in use when machine b is normal.
        b_normal: Port,
    },
    /// A crossing with one slip route.
    SingleSlip {
        /// The machine at end a.
        a: MachineIx,
        /// The machine at end b.
        b: MachineIx,
        /// The a-port that the slip route starts from.
        slip: Port,
    },
}
