//! Frog polarity proved from the netlist: for every frog and every combination of machine positions, the conductor it
//! must be on, the conductor it is wired to, and the block whose detector sees a wheel on it.

use crate::{
    index::{BlockIx, DistrictIx, FrogIx, MachineIx},
    layout::{Conductor, Position},
};

mod prove;

pub(crate) use prove::{Combination, machines, prove_net, required, tied, wanted, wired};
pub use prove::{MACHINES_MAX, prove};

/// What a frog must be on.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Required {
    /// One conductor.
    On(Conductor),
    /// No open route uses the frog.
    Any,
    /// Two open routes want it on different rails.
    Conflict,
}

/// What a frog is tied to.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Wired {
    /// One conductor.
    On(Conductor),
    /// Nothing: dead.
    None,
    /// Both: a dead short through the contacts.
    Both,
}

/// One combination of positions.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct ProofRow {
    /// What the frog must be on.
    pub required: Required,
    /// What it is tied to.
    pub wired: Wired,
    /// The district whose conductor that is; none when dead.
    pub district: Option<DistrictIx>,
    /// The block through whose feeder a wheel on the frog draws; none when dead or when it is fed straight from the
    /// bus, before any detector.
    pub seen_by: Option<BlockIx>,
    /// The trackwork can take this combination.
    pub valid: bool,
    /// Bit n: the nth port of the trackwork's `Kind::ports` is an end of an open route.
    pub open_ports: u8,
}

/// The proof of one frog: a row for each combination of all machines of its trackwork and of its poles.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct FrogProof {
    /// The machines, in ascending order. Bit n of a row's index is set when machine n is reverse.
    pub machines: Vec<MachineIx>,
    /// 2^n rows; none at all when more than [`MACHINES_MAX`] machines take part.
    pub rows: Vec<ProofRow>,
}

/// The proof of a whole layout, by frog.
#[derive(Clone, Debug, Default, Eq, PartialEq)]
pub struct PolarityProof {
    /// By frog.
    pub frogs: Vec<FrogProof>,
}

impl FrogProof {
    /// The row for the given positions; none while one of the frog's machines has no known position.
    pub fn row(&self, position: impl Fn(MachineIx) -> Option<Position>) -> Option<&ProofRow> {
        let mut index = 0;
        for (bit, &machine) in self.machines.iter().enumerate() {
            match position(machine)? {
                Position::Normal => {}
                Position::Reverse => index |= 1 << bit,
            }
        }
        self.rows.get(index)
    }

    /// The positions that a row's index stands for.
    pub fn positions(&self, row: usize) -> impl Iterator<Item = (MachineIx, Position)> + '_ {
        self.machines.iter().enumerate().map(move |(bit, &machine)| {
            (machine, if row & (1 << bit) == 0 { Position::Normal } else { Position::Reverse })
        })
    }
}

impl PolarityProof {
    /// The proof of one frog.
    #[must_use]
    pub fn frog(&self, frog: FrogIx) -> &FrogProof {
        &self.frogs[frog.at()]
    }
}
