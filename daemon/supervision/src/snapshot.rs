//! The state at one instant as plain data, for dashboard, metrics and tests.

use std::sync::Arc;

use wiring::units::{Microamps, Micros, Millivolts, Mono};

use crate::{
    alarm::{AlarmKey, AlarmState, Priority},
    cause::Cause,
    commission::{Proved, SessionView, When},
    input::{Feed, MachinePosition, MeasuredPolarity, NodeIx, ReverserState},
    output::{ExpectedPolarity, Occupancy, PowerState},
    record::FaultNumber,
};

/// Everything that can be shown. Lists are in the layout's order.
#[derive(Clone, Debug, Default)]
pub struct Snapshot {
    /// The instant.
    pub at: Mono,
    /// Boosters.
    pub boosters: Vec<FeedView>,
    /// Districts.
    pub districts: Vec<FeedView>,
    /// Blocks.
    pub blocks: Vec<BlockView>,
    /// Machines.
    pub machines: Vec<MachineView>,
    /// Frogs.
    pub frogs: Vec<FrogView>,
    /// Poles.
    pub poles: Vec<PoleView>,
    /// Reversers.
    pub reversers: Vec<Option<ReverserState>>,
    /// Nodes, in order of appearance.
    pub nodes: Vec<NodeView>,
    /// Alarms that are not normal: first-out first, then by priority, newest first.
    pub alarms: Vec<AlarmView>,
    /// Alarms raised in the last ten minutes.
    pub alarms_in_ten_minutes: usize,
    /// Machines in commissioning, in the order in which they began.
    pub sessions: Vec<SessionView>,
    /// What commissioning proved, by machine.
    pub proofs: Arc<Vec<Proof>>,
}

/// What commissioning proved of one machine.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Proof {
    /// Fingerprint of the wiring as it is now.
    pub wiring: String,
    /// The signature, whatever was wired since.
    pub proved: Option<Proved>,
}

impl Proof {
    /// Signed for the wiring as it is now.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.proved.as_ref().is_some_and(|it| it.wiring == self.wiring)
    }
}

/// A measured value with its age; none was ever seen when `at` is none.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measured<T> {
    /// The last good value.
    pub value: T,
    /// When it came.
    pub at: Mono,
    /// It is too old to act upon.
    pub stale: bool,
}

/// A booster or district.
#[derive(Clone, Debug)]
pub struct FeedView {
    /// Power as proved.
    pub power: PowerState,
    /// Current.
    pub current: Option<Measured<Microamps>>,
    /// Voltage.
    pub voltage: Option<Measured<Millivolts>>,
    /// Locked out: only an operator restores.
    pub locked_out: bool,
    /// Why it is off.
    pub cause: Option<Cause>,
    /// The fault that cut it.
    pub fault: Option<FaultNumber>,
    /// Who holds it.
    pub held_by: Vec<String>,
    /// Automatic tries made.
    pub tries: u8,
    /// Its current protects it: fresh and good.
    pub protected: bool,
    /// Current below this counts as none: as set, or the larger of 50 mA and 5 times the sensor's noise.
    pub residual: Microamps,
}

/// What a district draws and why it is off: of a [`FeedView`] as much as a trend needs.
#[derive(Clone, Copy, Debug)]
pub struct DistrictLoad {
    /// Current.
    pub current: Option<Measured<Microamps>>,
    /// Why it is off.
    pub cause: Option<Cause>,
}

impl From<&FeedView> for DistrictLoad {
    fn from(it: &FeedView) -> Self {
        Self { current: it.current, cause: it.cause }
    }
}

/// A block.
#[derive(Clone, Copy, Debug)]
pub struct BlockView {
    /// Current.
    pub current: Option<Measured<Microamps>>,
    /// Occupancy.
    pub occupancy: Occupancy,
}

/// A machine.
#[derive(Clone, Copy, Debug)]
pub struct MachineView {
    /// Position; none was ever seen.
    pub position: Option<Measured<MachinePosition>>,
    /// What was asked.
    pub asked: Option<wiring::layout::Position>,
    /// Time of the last complete throw.
    pub last_throw: Option<Micros>,
    /// Throws seen.
    pub throws: u32,
}

/// A frog.
#[derive(Clone, Copy, Debug)]
pub struct FrogView {
    /// What it should be on.
    pub expected: ExpectedPolarity,
    /// What it is measured on.
    pub measured: Option<Measured<MeasuredPolarity>>,
    /// Its district has power, so that the measurement means something.
    pub powered: bool,
    /// Measured on the wrong conductor for long enough to say so.
    pub mismatched: bool,
}

/// A pole.
#[derive(Clone, Copy, Debug)]
pub struct PoleView {
    /// Thermal image, thousandths.
    pub image: u32,
    /// Current now, or its estimate.
    pub current: Microamps,
    /// The image rests on estimates.
    pub estimated: bool,
    /// Fault currents carried since the ledger began.
    pub hits: u32,
}

/// A node.
#[derive(Clone, Debug)]
pub struct NodeView {
    /// Its number.
    pub node: NodeIx,
    /// Its name.
    pub name: String,
    /// It lives.
    pub up: bool,
    /// When it was last heard.
    pub heard: Mono,
}

/// An alarm that is not normal.
#[derive(Clone, Debug)]
pub struct AlarmView {
    /// Which.
    pub alarm: AlarmKey,
    /// State.
    pub state: AlarmState,
    /// Priority.
    pub priority: Priority,
    /// When it was raised last.
    pub raised: Mono,
    /// When its condition went.
    pub cleared: Option<Mono>,
    /// First of its burst.
    pub first_out: bool,
    /// One of more than ten from its district in ten seconds: it stands under this one, the first of them.
    pub under: Option<AlarmKey>,
    /// When a shelving ends at the latest.
    pub shelved_until: Option<Mono>,
    /// The shelving ends with the session.
    pub for_session: bool,
    /// Who acknowledged it, shelved it or took it out of service.
    pub by: Option<Hand>,
    /// Latches.
    pub latched: bool,
    /// The feed it concerns.
    pub feed: Option<Feed>,
    /// What was seen. What to do is said of its kind: [`crate::words::alarm_table`].
    pub text: Arc<str>,
}

/// Who did something, and when.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Hand {
    /// Name or initials, as signed in.
    pub who: String,
    /// When.
    pub at: When,
}
