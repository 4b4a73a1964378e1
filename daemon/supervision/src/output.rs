//! What goes out: orders first, then alarms, states, events, fault records and answers.

use wiring::{
    index::{ChannelIx, DistrictIx, MachineIx},
    layout::Position,
    units::Mono,
};

use crate::{
    alarm::AlarmChange,
    cause::Cause,
    input::{OrderId, RequestId},
    record::{FaultNumber, FaultRecord},
};

/// One output, stamped with the instant it fell due.
#[derive(Clone, Debug)]
pub struct Output {
    /// When it fell due, which may be before the supervisor was asked.
    pub at: Mono,
    /// What.
    pub what: Decision,
}

/// What the supervisor decided.
#[derive(Clone, Debug)]
pub enum Decision {
    /// Hand this to the links before anything else is done.
    Order(Order),
    /// An alarm changed state.
    Alarm(AlarmChange),
    /// An output channel has a new value.
    State {
        /// The channel.
        channel: ChannelIx,
        /// Its value.
        value: StateValue,
    },
    /// Something to record.
    Event(Event),
    /// A fault has begun. The record follows when its window has closed.
    FaultOpened {
        /// Its number.
        fault: FaultNumber,
        /// Where.
        district: DistrictIx,
        /// Why.
        cause: Cause,
    },
    /// The record of a fault, window closed.
    FaultClosed(Box<FaultRecord>),
    /// Something about a machine's commissioning to keep.
    Commissioned(Box<crate::commission::Kept>),
    /// The answer to a request.
    Answer {
        /// Which request.
        request: RequestId,
        /// Done, or why not.
        result: Result<(), Refusal>,
    },
}

/// An order to an actuator.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Order {
    /// Number within this run.
    pub id: OrderId,
    /// A `power` or `throw` channel.
    pub channel: ChannelIx,
    /// What it shall do.
    pub action: Action,
    /// Why.
    pub cause: Cause,
    /// The fault it belongs to.
    pub fault: Option<FaultNumber>,
    /// 1 for the first, counted up when repeated until proved.
    pub attempt: u8,
}

/// What an actuator shall do.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Action {
    /// Switch on.
    On,
    /// Cut.
    Cut,
    /// Throw to a position.
    Throw(Position),
}

impl Action {
    /// As messages and journals write it: `on cut normal reverse`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::On => "on",
            Self::Cut => "cut",
            Self::Throw(Position::Normal) => "normal",
            Self::Throw(Position::Reverse) => "reverse",
        }
    }
}

/// The value of an output channel.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum StateValue {
    /// Power as proved.
    Power(PowerState),
    /// Occupancy.
    Occupancy(Occupancy),
    /// Expected polarity.
    Expected(ExpectedPolarity),
    /// Thermal image in percent, and whether it is estimated.
    Load {
        /// Percent of the thermal capacity.
        percent: u16,
        /// Computed from block current, not measured at the frog.
        estimated: bool,
    },
}

/// Power of a feed.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum PowerState {
    /// Nothing has shown it yet.
    Unknown,
    /// On.
    On,
    /// A cut is ordered and not yet proved.
    Cutting,
    /// Off, proved.
    Cut,
    /// Ordered off, and it would not go.
    CutFailed,
    /// An on is ordered and not yet seen.
    Restoring,
}

/// Occupancy of a block.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Occupancy {
    /// Not yet read.
    Unknown,
    /// Clear.
    Clear,
    /// Occupied.
    Occupied,
    /// Not readable; this was it before.
    Held {
        /// The last state read.
        occupied: bool,
    },
}

/// Polarity that a frog should have.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum ExpectedPolarity {
    /// A machine moves or its position is not known.
    Unknown,
    /// Wired dead.
    None,
    /// On a conductor.
    On(wiring::layout::Conductor),
}

/// Something that happened, for the record. Each has a typed subject; words are made by `words`.
#[derive(Clone, Debug)]
pub struct Event {
    /// What.
    pub kind: EventKind,
    /// The fault it belongs to.
    pub fault: Option<FaultNumber>,
}

/// Kinds of events.
#[derive(Clone, Debug)]
pub enum EventKind {
    /// The supervisor started.
    Started,
    /// It stops.
    Stopping,
    /// A power channel has a new proved state.
    PowerChanged(crate::input::Feed, PowerState),
    /// A protection element picked up.
    PickedUp(DistrictIx, crate::cause::Element),
    /// It dropped out without a trip.
    DroppedOut(DistrictIx, crate::cause::Element),
    /// A machine's position changed.
    PositionChanged(MachineIx, crate::input::MachinePosition),
    /// A frog's measured polarity changed.
    PolarityChanged(wiring::index::FrogIx, crate::input::MeasuredPolarity),
    /// A block's occupancy changed.
    OccupancyChanged(wiring::index::BlockIx, Occupancy),
    /// A reverser flipped.
    ReverserChanged(wiring::index::ReverserIx, crate::input::ReverserState),
    /// A cut was proved, after this long.
    CutProved(crate::input::Feed, wiring::units::Micros, ProofStrength),
    /// Locked out.
    LockedOut(DistrictIx),
    /// An operator's restore opened the lock-out.
    LockOutOpened(DistrictIx),
    /// A pole carried a fault current: the line of its ledger.
    Hit {
        /// The pole.
        pole: wiring::index::PoleIx,
        /// 1, or 10 for a throw under fault current.
        hits: u32,
        /// Energy carried.
        energy: wiring::units::MicroA2s,
        /// Highest current.
        amps: wiring::units::Microamps,
        /// Computed from district and block current, not measured at the frog.
        estimated: bool,
    },
    /// An operator did something.
    Operated {
        /// Who.
        who: String,
        /// What, in words.
        what: String,
        /// Done or refused.
        refused: Option<Refusal>,
    },
    /// A node appeared, vanished or restarted.
    Node {
        /// Its name.
        name: String,
        /// What.
        what: NodeEvent,
    },
    /// A bad reading or an unusable message: its source and what was wrong.
    ReadingBad {
        /// Where it came from.
        source: String,
        /// What was wrong.
        what: String,
    },
}

/// What happened to a node.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum NodeEvent {
    /// It introduced itself.
    Born,
    /// It restarted.
    Restarted,
    /// It fell silent.
    Lost,
    /// It is back.
    Back,
}

/// How strong the proof of a cut is.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum ProofStrength {
    /// Current gone and, where configured, feedback off.
    Strong,
    /// Only one of them, or only voltage.
    Weak,
}

/// Why a request is refused.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Refusal {
    /// No such alarm, or it is in no state for this act.
    NotInThatState,
    /// It has no actuator.
    NoActuator,
    /// It is on already.
    AlreadyOn,
    /// It is off, or not known to be on.
    NotOn,
    /// The booster above it is off.
    FedFromDead,
    /// Somebody holds it.
    Held,
    /// The latched cause must be acknowledged first.
    AcknowledgeFirst,
    /// The cause still stands.
    CauseStands,
    /// A suspect's contact image is still above 10 %.
    ContactHot,
    /// The cut is not proved yet.
    NotProved,
    /// There is no fresh current reading: confirm.
    Blind,
    /// Trackwork occupied, unknown or held.
    Occupied,
    /// The same in commissioning, while the current of a test lamp flows.
    LampOn,
    /// Fault current flows.
    UnderFault,
    /// The machine has no throw channel, or the link is down.
    NoChannel,
    /// Too long, or not allowed for this priority.
    ShelvingLimit,
    /// The asker does not have the machine in commissioning.
    NotCommissioning,
    /// Another person has a turnout of it in commissioning.
    InCommissioning,
    /// The step of the commissioning does not ask for this.
    WrongStep,
    /// A step is neither passed nor skipped.
    StepOpen,
    /// The test current is not known, too small to judge a contact, or above the limit.
    NoTestCurrent,
    /// No such fault, suspect or object.
    Unknown,
}
