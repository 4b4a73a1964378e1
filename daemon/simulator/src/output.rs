//! What comes out of the simulated layout: readings as nodes would send them, and the truth that nobody measures.

use wiring::{
    index::{BlockIx, BoosterIx, ChannelIx, DistrictIx, MachineIx, PoleIx, ReverserIx, TrackIx},
    layout::Position,
    units::Mono,
};

/// The value of a reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SimValue {
    /// Amps or volts.
    Number(f64),
    /// `normal`, `A`, `on` …
    Word(&'static str),
    /// The sensor says that it cannot tell: `over`, `under`, `open`, `sensor`. Never sent as 0.
    Invalid(&'static str),
}

/// One reading, as its node sends it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SimReading {
    /// When it arrives. Never decreases from one reading to the next.
    pub at: Mono,
    /// What it is of.
    pub channel: ChannelIx,
    /// What it says.
    pub value: SimValue,
    /// The node that sends it: its place in `World::nodes`.
    pub node: usize,
    /// The node's running number. A re-sent reading repeats it; one that overtook another is out of order.
    pub number: u64,
    /// The node's own clock, in milliseconds since its start.
    pub node_ms: u64,
}

/// A node, for its birth message.
#[derive(Clone, Debug, PartialEq)]
pub struct Node {
    /// Its name: `[a-z0-9-]{1,32}`.
    pub id: String,
    /// Tells one start from the next.
    pub boot: String,
    /// What it measures and commands.
    pub channels: Vec<Announced>,
}

/// One channel of a node.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Announced {
    /// The channel.
    pub channel: ChannelIx,
    /// Readings a second, of a channel that is sent steadily.
    pub hz: Option<f64>,
    /// Milliseconds that a reading averages over.
    pub avg_ms: Option<u32>,
    /// The node takes orders on it.
    pub output: bool,
}

/// Something that really happened.
#[derive(Clone, Debug, PartialEq)]
pub struct TruthEvent {
    /// When.
    pub at: Mono,
    /// What.
    pub what: Truth,
}

/// What really happened.
#[derive(Clone, Debug, PartialEq)]
pub enum Truth {
    /// A fault is in place. For a short: current flows from this instant on, where the district is powered.
    FaultStarted(FaultReport),
    /// The crew has removed its cause.
    FaultEnded {
        /// The number of its start.
        number: u32,
        /// A cut came first; otherwise the crew's patience ended.
        after_cut: bool,
    },
    /// A planned fault found no place on this layout, or cannot be brought about at all.
    FaultSkipped {
        /// Its scenario.
        scenario: &'static str,
    },
    /// Short-circuit current began to flow through a wheel or a fault, or another district has come to carry it.
    ShortBegan {
        /// The latest fault in place in one of its districts, or else anywhere; none is.
        fault: Option<u32>,
        /// Its current, amps.
        amps: f64,
        /// Districts whose current is far above their loads.
        districts: Vec<DistrictIx>,
        /// Poles that carry it, with amps.
        poles: Vec<(PoleIx, f64)>,
    },
    /// It ended.
    ShortEnded,
    /// The breaker at the head of a district opened by itself.
    BreakerOpened(DistrictIx),
    /// It closed again by itself.
    BreakerClosed(DistrictIx),
    /// A booster shut itself down.
    BoosterTripped(BoosterIx),
    /// It came back by itself.
    BoosterRecovered(BoosterIx),
    /// A district's actuator opened on an order.
    DistrictCut(DistrictIx),
    /// It closed on an order.
    DistrictRestored(DistrictIx),
    /// A booster's actuator opened on an order.
    BoosterCut(BoosterIx),
    /// It closed on an order.
    BoosterRestored(BoosterIx),
    /// Current above the pole's rating and its limit of damage began to flow through it, or ended.
    ContactHit {
        /// The pole.
        pole: PoleIx,
        /// Let-through of the hit. Unit: A2s.
        energy: f64,
        /// Highest true image during it, 1 is the limit of damage.
        stress: f64,
    },
    /// A contact opened under more current than its rating.
    ContactArced {
        /// The pole.
        pole: PoleIx,
        /// The current that it broke.
        amps: f64,
    },
    /// A contact burnt open.
    ContactBurnt(PoleIx),
    /// A contact welded to one side.
    ContactWelded(PoleIx, Position),
    /// The crew put the machine of a damaged contact right.
    ContactRepaired(PoleIx),
    /// A machine began to move.
    ThrowBegan(MachineIx, Position),
    /// A machine came to rest.
    ThrowEnded(MachineIx, Position),
    /// A reverser swapped its rails, or swapped them back.
    ReverserFlipped(ReverserIx, bool),
    /// The head of a train came onto another piece of the layout.
    TrainMoved {
        /// The train.
        train: usize,
        /// The block it came into.
        block: BlockIx,
        /// The plain track it came onto; none on trackwork.
        track: Option<TrackIx>,
    },
    /// The crew lifted a train from one place to another.
    TrainPlaced {
        /// The train.
        train: usize,
        /// Where it stands.
        block: BlockIx,
    },
}

/// What a fault is and where.
#[derive(Clone, Debug, PartialEq)]
pub struct FaultReport {
    /// Counts from 1.
    pub number: u32,
    /// Id of its scenario: `F01`.
    pub scenario: &'static str,
    /// The true culprit in the words of suspects: `frog/T14`, `machine/T3`, `object`, `vehicle`, `wiring` …
    pub subject: String,
    /// Where it is, in words: `track q1-main`, `turnout T14, left leg`.
    pub place: String,
    /// Districts that carry its current.
    pub districts: Vec<DistrictIx>,
    /// Poles that carry its current, with amps.
    pub poles: Vec<(PoleIx, f64)>,
    /// Current of the fault itself, amps; zero where none flows.
    pub amps: f64,
}
