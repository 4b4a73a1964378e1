//! What the supervisor knew when fault current began. Plain facts, no judgement: [`super::rank`] weighs them.
//!
//! Facts are from the instant before onset, readings of polarity from at least 200 ms before it, and currents only from
//! the samples between onset and the end of fault current.

use wiring::{
    index::{BlockIx, DistrictIx, FrogIx, MachineIx, ReverserIx},
    layout::{Conductor, Position},
    trackwork::Port,
    units::{Microamps, Microohms, Micros},
};

/// Everything that a ranking rests on.
#[derive(Clone, Debug, PartialEq)]
pub struct Evidence {
    /// The district that was cut.
    pub district: DistrictIx,
    /// How current went between onset and its end.
    pub shape: Shape,
    /// What the other districts did at the same time.
    pub others: Others,
    /// Since power came on here, at the onset; none after a restore that follows a fault, for then what stood there before
    /// may stand there still.
    pub powered_for: Option<Micros>,
    /// Power that had been off came back at the onset, whoever switched it: what stood there shorts at once, and engines
    /// charge.
    pub power_back: Option<PowerBack>,
    /// Short bursts of current within the two seconds before the onset, each over by itself: a wheel that passes.
    pub spikes: u32,
    /// Fault current ended before a cut or a breaker could end it.
    pub ended_by_itself: bool,
    /// Two neighbouring blocks that each drew a part of the fault's current: a wheel on the gap between them joins rails
    /// of different phase. A short in one block steps that block only.
    pub gap: Option<(BlockIx, BlockIx)>,
    /// The district's current stepped, and that of none of its blocks, all of them measured: it does not come by a detector.
    pub bypassed: bool,
    /// The breaker opened without an order, and no fault current was seen.
    pub opened_by_itself: bool,
    /// Readings contradicted each other, or the district's own were missing.
    pub contradiction: bool,
    /// A train was moving or a raw edge of block current was seen in the last 3 s; none: no block has a sensor.
    pub movement: Option<bool>,
    /// Earlier faults with the same train at other places; zero also where trains are not known.
    pub same_train_elsewhere: u32,
    /// Resistance of the loop at the fault, volts by amps; none: not measured, or the booster was at its limit.
    pub loop_measured: Option<Microohms>,
    /// The frogs of the district that contacts feed, and those that its wheels reach.
    pub frogs: Vec<FrogFacts>,
    /// The blocks of the district.
    pub blocks: Vec<BlockFacts>,
    /// The reversers of the district.
    pub reversers: Vec<ReverserFacts>,
}

impl Evidence {
    /// No facts at all about a district.
    #[must_use]
    pub const fn of(district: DistrictIx) -> Self {
        Self {
            district,
            shape: Shape::NotKnown,
            others: Others::Quiet,
            powered_for: None,
            power_back: None,
            spikes: 0,
            ended_by_itself: false,
            gap: None,
            bypassed: false,
            opened_by_itself: false,
            contradiction: false,
            movement: None,
            same_train_elsewhere: 0,
            loop_measured: None,
            frogs: Vec::new(),
            blocks: Vec::new(),
            reversers: Vec::new(),
        }
    }
}

/// Power that came back.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct PowerBack {
    /// Before the onset.
    pub ago: Micros,
    /// What the district drew before it had gone; none: not measured.
    pub load_before: Option<Microamps>,
}

/// How fault current went.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub enum Shape {
    /// Too few samples.
    #[default]
    NotKnown,
    /// It stayed: a short.
    Flat,
    /// It fell smoothly while voltage rose: engines charging.
    Decaying,
    /// It did not step: it was nearly there a second before, as load is.
    Crept,
}

/// What other districts did.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub enum Others {
    /// Nothing.
    #[default]
    Quiet,
    /// Their voltage fell: they share the booster. Says nothing about who did it.
    Fell,
    /// One of them stepped by about as much.
    Stepped(DistrictIx),
    /// One that meets this one tripped so long after it, as where a wheel at their border goes on feeding the fault.
    Followed(DistrictIx, Micros),
}

/// Where current stepped, as far as sensors tell.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub enum Step {
    /// No sensor there.
    #[default]
    NotMeasured,
    /// It stepped.
    Here,
    /// In the block of the leg that the turnout is not set for: a wheel that joins that leg's rail to the frog draws
    /// through it.
    OnWrongLeg,
    /// It is measured and did not, another one did.
    Elsewhere,
}

/// Whether trains are around a turnout: on its points, its legs, its own block.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub enum Around {
    /// Unknown, held or stale.
    #[default]
    NotKnown,
    /// Points and both legs clear.
    Clear,
    /// Something there.
    Occupied,
}

/// Where the train on a leg came from.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub enum Came {
    /// Not seen to come.
    #[default]
    NotKnown,
    /// From the far end of the leg, so long ago that it can have come to the turnout.
    Towards,
    /// From the far end, so short a time ago that it is still on its way.
    NotYet,
    /// Over the turnout itself: it is beyond it.
    Away,
}

/// A train on a leg that the turnout is not set for.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct WrongLeg {
    /// The leg.
    pub port: Port,
    /// The block of the leg.
    pub block: BlockIx,
    /// Since the last raw edge there; none: it has stood there for longer than 3 s.
    pub edge: Option<Micros>,
    /// Where the train came from.
    pub came: Came,
}

/// What a frog's polarity reading says.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub enum PolaritySign {
    /// No sensor, no reading, or its district had no power.
    #[default]
    NotMeasured,
    /// As expected.
    Matches,
    /// On the wrong rail: this one.
    WrongRail(Conductor),
    /// Dead where the wiring feeds it.
    Dead,
    /// It stayed on one conductor over its last throw.
    NotSwitching(Conductor),
}

/// What a frog's machines did.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub enum MachineSign {
    /// No position sensor.
    #[default]
    NotMeasured,
    /// At rest, thrown long ago or never.
    AtRest(Position),
    /// Thrown within the last 4 s, this long before the onset.
    Thrown(MachineIx, Micros),
    /// Under way at the onset.
    Moving(MachineIx),
    /// Position unknown at the onset.
    Unknown(MachineIx),
}

/// Facts about one frog and its turnout.
#[derive(Clone, Debug, PartialEq)]
pub struct FrogFacts {
    /// The frog.
    pub frog: FrogIx,
    /// Its polarity.
    pub polarity: PolaritySign,
    /// Its machine, the one that moved last where there are two.
    pub machine: MachineSign,
    /// The throw of it that was under way at the onset or ended last, within 4 s: since its beginning, in percent of the
    /// time that it takes.
    pub throw_share: Option<u32>,
    /// Since its polarity reading changed last before the onset, within 4 s.
    pub polarity_changed: Option<Micros>,
    /// Position and what was asked disagree.
    pub out_of_step: bool,
    /// A train on a leg that the turnout is not set for.
    pub wrong_leg: Option<WrongLeg>,
    /// A train on the route that the turnout is set for, or on its points.
    pub lined_train: bool,
    /// A train in the block of its points, which holds a leg that it is not set for as well: no detector tells on which
    /// of them it is.
    pub shares_leg: bool,
    /// A train, or a raw edge in the last 3 s, in its own block.
    pub train_on_it: bool,
    /// Trains around it.
    pub around: Around,
    /// No raw edge of current in the last 3 s in any block of its points and legs, all of them with a sensor.
    pub still: bool,
    /// The block through whose detector a wheel on this frog draws as its machines stand; none: not known, or none does.
    pub seen_by: Option<BlockIx>,
    /// What the sensor of that block says.
    pub step: Step,
    /// The sensor of its own current.
    pub own_current: Step,
    /// Its contact was found weak, or its alarm stands.
    pub weak_contact: bool,
    /// It stood in this position before, powered, without a fault.
    pub was_good_here: bool,
    /// Earlier faults that were laid to this frog.
    pub earlier_faults: u32,
    /// Its feed or one of its legs belongs to the other district that stepped.
    pub at_boundary: bool,
    /// Resistance of the loop to this frog by the model.
    pub loop_model: Option<Microohms>,
    /// Frogs of the district with the same number share every sensor.
    pub sensor_group: u32,
}

impl FrogFacts {
    /// No facts about a frog. It shares its sensors with no other.
    #[must_use]
    pub const fn of(frog: FrogIx) -> Self {
        Self {
            frog,
            polarity: PolaritySign::NotMeasured,
            machine: MachineSign::NotMeasured,
            throw_share: None,
            polarity_changed: None,
            out_of_step: false,
            wrong_leg: None,
            lined_train: false,
            shares_leg: false,
            train_on_it: false,
            around: Around::NotKnown,
            still: false,
            seen_by: None,
            step: Step::NotMeasured,
            own_current: Step::NotMeasured,
            weak_contact: false,
            was_good_here: false,
            earlier_faults: 0,
            at_boundary: false,
            loop_model: None,
            sensor_group: u32::MAX - frog.0,
        }
    }
}

/// Facts about one block.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BlockFacts {
    /// The block.
    pub block: BlockIx,
    /// Its current or peak.
    pub step: Step,
    /// Occupied at the onset; none: not known.
    pub occupied: Option<bool>,
    /// Since the last raw edge of its current, within 3 s.
    pub edge: Option<Micros>,
}

/// Facts about one reverser.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReverserFacts {
    /// The reverser.
    pub reverser: ReverserIx,
    /// Flips within 1 s around the onset.
    pub flips: u32,
    /// Current stepped on both sides of one of its gaps, as a wheel that joins them draws it.
    pub gap_stepped: bool,
    /// The block it swaps has a train, or a raw edge in the last 3 s; none: not known.
    pub train: Option<bool>,
}
