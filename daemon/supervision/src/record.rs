//! The record of a fault: what was seen before and after, what was done, and who is suspected.

use wiring::{
    channel::Object,
    index::{ChannelIx, DistrictIx, FrogIx, MachineIx, PoleIx},
    units::{MicroA2s, Microamps, Micros, Mono},
};

use crate::{
    cause::Cause,
    input::{Feed, MachinePosition, MeasuredPolarity, Value},
    locate::Evidence,
    output::{ExpectedPolarity, Order, Output, ProofStrength},
};

/// Number of a fault, from 1, going on over restarts.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub struct FaultNumber(pub u32);

/// Everything known of one fault when its window closed.
#[derive(Clone, Debug)]
pub struct FaultRecord {
    /// Its number.
    pub number: FaultNumber,
    /// Where.
    pub district: DistrictIx,
    /// Why.
    pub cause: Cause,
    /// The instant that started it: the onset of the fault current, or the alarm's condition.
    pub onset: Mono,
    /// The instant of the decision.
    pub trigger: Mono,
    /// When the window closed.
    pub closed: Mono,
    /// The window was cut short by a stop.
    pub cut_short: bool,
    /// Highest current of the district in the window.
    pub peak: Microamps,
    /// Time from onset until the current was gone; none: not seen to go.
    pub cleared_after: Option<Micros>,
    /// What was cut, and how it was proved.
    pub cuts: Vec<Cut>,
    /// Samples of every channel of the district, pre-trigger to post-trigger.
    pub waveforms: Vec<Waveform>,
    /// Events of the window, in order.
    pub events: Vec<Output>,
    /// Positions at the onset.
    pub positions: Vec<(MachineIx, MachinePosition)>,
    /// Expected and measured polarity at the onset.
    pub polarity: Vec<(FrogIx, ExpectedPolarity, Option<MeasuredPolarity>)>,
    /// Contact images, before and after.
    pub contacts: Vec<ContactStress>,
    /// What the ranking rests on.
    pub evidence: Evidence,
    /// Ranked, shares adding to 1000.
    pub suspects: Vec<Suspect>,
    /// Which suspects the sensors cannot tell apart, and the next test that would.
    pub inseparable: Option<String>,
    /// What to do next.
    pub advice: Advice,
    /// Records of the same fault in other districts.
    pub beside: Vec<Beside>,
}

/// What to do after a fault.
#[derive(Clone, Debug, Default, Eq, PartialEq)]
pub struct Advice {
    /// In order.
    pub steps: Vec<String>,
    /// How many of the first steps are done and only say so: whoever tells of the cut already leaves them out.
    pub done: usize,
}

/// Another district that the same fault took, with a record of its own.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Beside {
    /// Which.
    pub district: DistrictIx,
    /// Its record.
    pub fault: FaultNumber,
    /// Why it went.
    pub cause: Cause,
    /// The instant of its decision: before or after that of this record.
    pub trigger: Mono,
}

/// One cut.
#[derive(Clone, Debug)]
pub struct Cut {
    /// What.
    pub feed: Feed,
    /// The order.
    pub order: Order,
    /// When it was ordered.
    pub ordered: Mono,
    /// When and how it was proved.
    pub proved: Option<(Mono, ProofStrength)>,
}

/// Samples of one channel.
#[derive(Clone, Debug)]
pub struct Waveform {
    /// The channel.
    pub channel: ChannelIx,
    /// Instant and value, oldest first.
    pub samples: Vec<(Mono, Value)>,
}

/// What a fault did to one pole.
#[derive(Clone, Copy, Debug)]
pub struct ContactStress {
    /// The pole.
    pub pole: PoleIx,
    /// Thermal image before, thousandths.
    pub before: u32,
    /// Highest after, thousandths.
    pub after: u32,
    /// Energy carried.
    pub energy: MicroA2s,
    /// Highest current carried.
    pub amps: Microamps,
    /// Computed from block current, not measured at the frog.
    pub estimated: bool,
    /// Peak drop above the softening voltage of silver.
    pub softening: bool,
    /// Peak drop above its melting voltage.
    pub melting: bool,
    /// Hits counted: 1, or 10 for a throw under fault current.
    pub hits: u32,
}

/// Who or what is suspected.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Accused {
    /// A frog, a block or a machine.
    Object(Object),
    /// An object on the track, or a derailment.
    ObjectOnTrack,
    /// A vehicle.
    Vehicle,
    /// Wiring.
    Wiring,
    /// A reverser.
    Reverser,
    /// None of these.
    NotExplained,
}

/// One suspect.
#[derive(Clone, Debug)]
pub struct Suspect {
    /// Who.
    pub accused: Accused,
    /// Share of the evidence, thousandths.
    pub share: u32,
    /// Why, one fact each.
    pub reasons: Vec<Reason>,
}

/// One fact, for or against.
#[derive(Clone, Debug, PartialEq)]
pub struct Reason {
    /// In words.
    pub text: String,
    /// Likelihood ratio, hundredths: above 100 for, below against.
    pub ratio: u32,
}
