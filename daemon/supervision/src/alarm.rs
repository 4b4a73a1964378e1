//! Alarms: kinds, priorities, states, after ISA-18.2. The state machine lives here too.

use std::sync::Arc;

use wiring::{
    channel::Object,
    index::{BlockIx, DistrictIx},
};

use crate::input::NodeIx;

/// Kinds of alarms.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum AlarmKind {
    /// `short-circuit`.
    ShortCircuit,
    /// `half-short`.
    HalfShort,
    /// `at-limit`.
    AtLimit,
    /// `tripped-elsewhere`.
    TrippedElsewhere,
    /// `contact-overload`.
    ContactOverload,
    /// `overload`.
    Overload,
    /// `frog-mismatch`.
    FrogMismatch,
    /// `frog-dead`.
    FrogDead,
    /// `frog-not-switching`.
    FrogNotSwitching,
    /// `frog-not-measured`.
    FrogNotMeasured,
    /// `machine-slow`.
    MachineSlow,
    /// `machine-stuck`.
    MachineStuck,
    /// `machine-out-of-step`.
    MachineOutOfStep,
    /// `positions-invalid`.
    PositionsInvalid,
    /// `run-through`.
    RunThrough,
    /// `cut-failed`.
    CutFailed,
    /// `power-cut`.
    PowerCut,
    /// `voltage-low`.
    VoltageLow,
    /// `current-unaccounted`.
    CurrentUnaccounted,
    /// `reading-stale`.
    ReadingStale,
    /// `reading-bad`.
    ReadingBad,
    /// `node-offline`.
    NodeOffline,
    /// `block-held`.
    BlockHeld,
    /// `clock-skew`.
    ClockSkew,
    /// `history-failing`.
    HistoryFailing,
}

/// Priority.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub enum Priority {
    /// Act now.
    High,
    /// Act this move.
    Medium,
    /// Act today.
    Low,
}

/// What an alarm is about.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub enum Subject {
    /// An object of the layout.
    Object(Object),
    /// A node.
    Node(NodeIx),
    /// Checkrail itself: `node/checkrail`.
    Checkrail,
}

/// One alarm: a kind about a subject.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub struct AlarmKey {
    /// Kind.
    pub kind: AlarmKind,
    /// Subject.
    pub subject: Subject,
}

/// State of an alarm, after ISA-18.2.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum AlarmState {
    /// A: not active.
    Normal,
    /// B: active, unacknowledged.
    Unacknowledged,
    /// C: active, acknowledged.
    Acknowledged,
    /// D: gone, unacknowledged.
    ReturnedUnacknowledged,
    /// E: gone, latched, unacknowledged.
    LatchedUnacknowledged,
    /// F: gone, latched, acknowledged: wants a reset.
    LatchedAcknowledged,
    /// G: shelved.
    Shelved,
    /// I: out of service.
    OutOfService,
}

/// What happened to an alarm.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Transition {
    /// It was raised, or came back.
    Raised,
    /// A person acknowledged it.
    Acknowledged,
    /// Its condition is gone and it is over.
    Cleared,
    /// Its condition is gone; it waits for acknowledgement or reset.
    ClearedUnacknowledged,
    /// Shelved.
    Shelved,
    /// Unshelved.
    Unshelved,
    /// Out of service.
    OutOfService,
    /// Back in service.
    InService,
    /// A latched alarm was reset.
    Reset,
}

impl Transition {
    /// Nobody has a hand in the state that it leads to.
    #[must_use]
    pub const fn is_unsigned(self) -> bool {
        matches!(self, Self::Raised | Self::Unshelved | Self::InService)
    }
}

/// One change of one alarm.
#[derive(Clone, Debug)]
pub struct AlarmChange {
    /// Which alarm.
    pub alarm: AlarmKey,
    /// What happened.
    pub transition: Transition,
    /// State after it.
    pub state: AlarmState,
    /// Priority.
    pub priority: Priority,
    /// It was the first of its district's burst.
    pub first_out: bool,
    /// More than ten came from its district in ten seconds: it stands under this one, the first of them.
    pub under: Option<AlarmKey>,
    /// What was seen, in words: shared by all that tell of it.
    pub text: Arc<str>,
}

/// Whose sensor is wrong, as far as sums of currents tell.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum WrongSensor {
    /// Nothing here can tell.
    Unknown,
    /// The one at the head: its sum above and its sum below point at it.
    Own,
    /// One of the parts: the head is confirmed from above.
    Parts,
    /// This block's: the only one that shows enough to be too much.
    Block(BlockIx),
    /// This district's, which explains the sum of its booster.
    District(DistrictIx),
}
