//! The resistive network of a whole layout, positions as switches: what current flows where, for given bridges.
//!
//! This is the face that other crates use; assembly and factorisation live in files of their own.

use wiring::{
    index::{BlockIx, DistrictIx, FrogIx, TrackIx, TrackworkIx},
    layout::{Conductor, Position, Side, Which},
    trackwork::Port,
};

/// Electric current. Unit: ampere.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Amps(pub f64);

/// Voltage. Unit: volt.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Volts(pub f64);

/// Resistance. Unit: ohm.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Ohms(pub f64);

/// A point of the network.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub enum Terminal {
    /// A rail at an end of plain track, side looking from `from` to `to`.
    Rail(TrackIx, Which, Side),
    /// A rail at a port of trackwork, side looking in from there.
    PortRail(TrackworkIx, Port, Side),
    /// A frog.
    Frog(FrogIx),
    /// A bus conductor of a district, at its far end.
    Bus(DistrictIx, Conductor),
    /// The head of a block's feeder rails: where its feeders join the rails.
    Block(BlockIx, Conductor),
}

/// Factors on the model's resistances: 1 is the model itself. A plant that shall differ from it is perturbed here.
#[derive(Clone, Debug)]
pub struct Scales {
    /// On all wire.
    pub wire: f64,
    /// On all rail.
    pub rail: f64,
    /// On booster source resistance.
    pub source: f64,
    /// On each pole's contact resistance.
    pub contacts: Vec<f64>,
}

/// What a pole does.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum PoleState {
    /// As its machine stands; open while it moves.
    Follows,
    /// Burnt: open in both positions.
    Open,
    /// Welded to one contact.
    Stuck(Position),
    /// Both contacts joined.
    Bridged,
}

/// Everything that is switched.
#[derive(Clone, Debug)]
pub struct Switches {
    /// By booster.
    pub boosters_on: Vec<bool>,
    /// By district.
    pub districts_on: Vec<bool>,
    /// By machine; none while it moves.
    pub machines: Vec<Option<Position>>,
    /// By pole.
    pub poles: Vec<PoleState>,
    /// By reverser: true is swapped.
    pub reversers_swapped: Vec<bool>,
}

/// A load or a fault: a resistance between two points.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bridge {
    /// From.
    pub from: Terminal,
    /// To.
    pub to: Terminal,
    /// Resistance, above zero.
    pub resistance: Ohms,
}

/// The solution for one set of switches and bridges.
#[derive(Clone, Debug)]
pub struct Flow {
    /// Current out of each booster, after current limiting.
    pub boosters: Vec<Amps>,
    /// Voltage at each booster's terminals.
    pub booster_volts: Vec<Volts>,
    /// Current into each district.
    pub districts: Vec<Amps>,
    /// Voltage at the far end of each district's bus.
    pub district_volts: Vec<Volts>,
    /// Current through each block's feeders: what its detector sees.
    pub blocks: Vec<Amps>,
    /// Current through each pole.
    pub poles: Vec<Amps>,
    /// Voltage of each frog against its district's conductor B.
    pub frogs: Vec<Volts>,
    /// Current through each bridge, in the order given.
    pub bridges: Vec<Amps>,
}
