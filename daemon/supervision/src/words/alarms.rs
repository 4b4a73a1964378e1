//! The words of alarms: kinds, priorities, transitions, states, and what was seen.

use wiring::{
    channel::Object,
    layout::{Conductor, Layout, Position},
    units::{Microamps, Micros, Millivolts},
};

use super::{alarm_table, cause_text, sentence, subject_text};
use crate::{
    alarm::{AlarmKey, AlarmKind, AlarmState, Priority, Subject, Transition, WrongSensor},
    cause::Cause,
    input::{MachinePosition, MeasuredPolarity},
};

impl AlarmKind {
    /// Every kind, in the order of the contract: it breaks ties of equal priority and time.
    pub const ALL: [Self; 25] = [
        Self::ShortCircuit,
        Self::HalfShort,
        Self::AtLimit,
        Self::TrippedElsewhere,
        Self::ContactOverload,
        Self::Overload,
        Self::FrogMismatch,
        Self::FrogDead,
        Self::FrogNotSwitching,
        Self::FrogNotMeasured,
        Self::MachineSlow,
        Self::MachineStuck,
        Self::MachineOutOfStep,
        Self::PositionsInvalid,
        Self::RunThrough,
        Self::CutFailed,
        Self::PowerCut,
        Self::VoltageLow,
        Self::CurrentUnaccounted,
        Self::ReadingStale,
        Self::ReadingBad,
        Self::NodeOffline,
        Self::BlockHeld,
        Self::ClockSkew,
        Self::HistoryFailing,
    ];

    /// As messages, journals and the API write it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::ShortCircuit => "short-circuit",
            Self::HalfShort => "half-short",
            Self::AtLimit => "at-limit",
            Self::TrippedElsewhere => "tripped-elsewhere",
            Self::ContactOverload => "contact-overload",
            Self::Overload => "overload",
            Self::FrogMismatch => "frog-mismatch",
            Self::FrogDead => "frog-dead",
            Self::FrogNotSwitching => "frog-not-switching",
            Self::FrogNotMeasured => "frog-not-measured",
            Self::MachineSlow => "machine-slow",
            Self::MachineStuck => "machine-stuck",
            Self::MachineOutOfStep => "machine-out-of-step",
            Self::PositionsInvalid => "positions-invalid",
            Self::RunThrough => "run-through",
            Self::CutFailed => "cut-failed",
            Self::PowerCut => "power-cut",
            Self::VoltageLow => "voltage-low",
            Self::CurrentUnaccounted => "current-unaccounted",
            Self::ReadingStale => "reading-stale",
            Self::ReadingBad => "reading-bad",
            Self::NodeOffline => "node-offline",
            Self::BlockHeld => "block-held",
            Self::ClockSkew => "clock-skew",
            Self::HistoryFailing => "history-failing",
        }
    }

    /// The kind that a word means.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

impl Priority {
    /// `high medium low`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::High => "high",
            Self::Medium => "medium",
            Self::Low => "low",
        }
    }
}

impl Transition {
    /// Every transition.
    pub const ALL: [Self; 9] = [
        Self::Raised,
        Self::Acknowledged,
        Self::Cleared,
        Self::ClearedUnacknowledged,
        Self::Shelved,
        Self::Unshelved,
        Self::OutOfService,
        Self::InService,
        Self::Reset,
    ];

    /// As messages, journals and the API write it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Raised => "raised",
            Self::Acknowledged => "acknowledged",
            Self::Cleared => "cleared",
            Self::ClearedUnacknowledged => "cleared-unacknowledged",
            Self::Shelved => "shelved",
            Self::Unshelved => "unshelved",
            Self::OutOfService => "out-of-service",
            Self::InService => "in-service",
            Self::Reset => "reset",
        }
    }
}

impl AlarmState {
    /// Every state.
    pub const ALL: [Self; 8] = [
        Self::Normal,
        Self::Unacknowledged,
        Self::Acknowledged,
        Self::ReturnedUnacknowledged,
        Self::LatchedUnacknowledged,
        Self::LatchedAcknowledged,
        Self::Shelved,
        Self::OutOfService,
    ];

    /// As the history and the API write it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Unacknowledged => "unacknowledged",
            Self::Acknowledged => "acknowledged",
            Self::ReturnedUnacknowledged => "returned-unacknowledged",
            Self::LatchedUnacknowledged => "latched-unacknowledged",
            Self::LatchedAcknowledged => "latched-acknowledged",
            Self::Shelved => "shelved",
            Self::OutOfService => "out-of-service",
        }
    }

    /// The state that a word means.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.word() == word)
    }
}

/// What was seen that raised an alarm. Each variant holds all that its sentence needs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Seen<'a> {
    /// Nothing beyond what the kind means.
    Kind,
    /// An element tripped, or power was cut.
    Cause(Cause),
    /// Close to a limit and not over it: percent of it. Contact heat, or current of the breaker's trip.
    Near {
        /// Percent of the limit.
        percent: u32,
        /// Computed from block current, not measured at the frog.
        estimated: bool,
    },
    /// A frog on another rail than its position wants.
    Frog {
        /// What it must be on.
        expected: Conductor,
        /// What it is on.
        measured: MeasuredPolarity,
    },
    /// A frog that stays on one conductor in both positions.
    Stays(Conductor),
    /// A machine under way, or at rest elsewhere than asked.
    Throw {
        /// What was asked; none: a move that nobody asked for.
        asked: Option<Position>,
        /// Where it is.
        position: MachinePosition,
        /// Since the throw began.
        taking: Micros,
        /// Its throw time.
        usual: Micros,
    },
    /// Occupied from a leg that the turnout is not set for.
    WrongLeg {
        /// The leg, as the layout file names its port.
        leg: &'static str,
        /// Where the turnout lies.
        position: MachinePosition,
    },
    /// Current went without an order.
    PowerGone {
        /// Highest current before.
        before: Microamps,
    },
    /// Voltage under its limit with current flowing.
    Voltage {
        /// Seen.
        seen: Millivolts,
        /// The limit.
        limit: Millivolts,
    },
    /// Two sides of a sum that should agree.
    Sum {
        /// At the head.
        whole: Microamps,
        /// Of what it feeds.
        parts: Microamps,
        /// Whose sensor it is.
        wrong: WrongSensor,
    },
    /// No reading for this long.
    Silent(Micros),
    /// Never a reading.
    NeverSeen,
    /// Silent for so long that current no longer protects.
    NotProtected(Micros),
    /// What was wrong with a reading or message.
    Bad(&'a str),
    /// Two clocks apart.
    Skew(Micros),
    /// So many items could not be kept for the history.
    Unsaved(u64),
}

/// The text of an alarm: its subject, and what was seen. `node` is the node's name where the subject is one.
#[must_use]
pub fn alarm_text(layout: &Layout, alarm: AlarmKey, seen: Seen<'_>, node: Option<&str>) -> String {
    let who = sentence(&subject_text(layout, alarm.subject, node));
    match seen {
        Seen::Kind => format!("{who}: {}", alarm_table::row(alarm.kind).meaning),
        // Its text begins with the contact.
        Seen::Cause(cause @ Cause::Contact { pole, .. })
            if alarm.subject == Subject::Object(Object::Pole(pole)) =>
        {
            sentence(&cause_text(cause, layout))
        }
        Seen::Cause(cause) => format!("{who}: {}", cause_text(cause, layout)),
        Seen::Near { percent, estimated } => near_text(&who, alarm.kind, percent, estimated),
        Seen::Frog { expected, measured: MeasuredPolarity::Dead } => {
            format!("{who}: no power where conductor {} belongs", expected.word())
        }
        Seen::Frog { expected, measured: MeasuredPolarity::On(measured) } => format!(
            "{who}: on the wrong rail, conductor {} where {} belongs",
            measured.word(),
            expected.word()
        ),
        Seen::Stays(conductor) => {
            format!("{who}: stays on conductor {} in both positions", conductor.word())
        }
        Seen::Throw { asked, position, taking, usual } => {
            throw_text(&who, asked, position, taking, usual)
        }
        Seen::WrongLeg { leg, position } => {
            format!("{who}: a train entered from the {leg} leg, turnout {}", position.word())
        }
        Seen::PowerGone { before } => {
            format!("{who}: current went from {before} to nothing without an order")
        }
        Seen::Voltage { seen, limit } => {
            format!("{who}: {seen} under the limit of {limit}, current flows")
        }
        Seen::Sum { whole, parts, wrong } => {
            let sum = format!("{who}: {whole} at its head, {parts} in what it feeds");
            match wrong {
                WrongSensor::Unknown | WrongSensor::District(_) => sum,
                WrongSensor::Own => {
                    format!("{sum}; the sums above and below point at its own sensor")
                }
                WrongSensor::Parts => {
                    format!(
                        "{sum}; its own sensor is right: a block's sensor is wrong, or a feed bypasses it"
                    )
                }
                WrongSensor::Block(block) => {
                    let name = &layout.blocks[block.at()].id;
                    format!("{sum}; its own sensor is right: the sensor of block {name} is wrong")
                }
            }
        }
        Seen::Silent(since) => format!("{who}: no reading for {since}"),
        Seen::NeverSeen => format!("{who}: never seen"),
        Seen::NotProtected(since) => format!("{who}: not protected, no current for {since}"),
        Seen::Bad(what) => format!("{who}: {what}"),
        Seen::Unsaved(0) => format!(
            "{who}: {}, what comes is kept in memory and nothing is lost so far",
            alarm_table::row(alarm.kind).meaning
        ),
        Seen::Unsaved(lost) => {
            format!("{who}: {}, {lost} items lost so far", alarm_table::row(alarm.kind).meaning)
        }
        Seen::Skew(by) => format!("{who}: its clock is {by} off"),
    }
}

fn near_text(who: &str, kind: AlarmKind, percent: u32, estimated: bool) -> String {
    let basis = if estimated { " (estimated)" } else { "" };
    if kind == AlarmKind::ContactOverload {
        format!("{who}: contact heat {percent} % of its limit{basis}")
    } else {
        format!("{who}: {percent} % of the limit{basis}")
    }
}

fn throw_text(
    who: &str,
    asked: Option<Position>,
    position: MachinePosition,
    taking: Micros,
    usual: Micros,
) -> String {
    let is = match position {
        MachinePosition::Normal => "stands at normal",
        MachinePosition::Reverse => "stands at reverse",
        MachinePosition::Moving => "moving",
        MachinePosition::Unknown => "position unknown",
    };
    match asked {
        Some(asked) => {
            format!("{who}: {is}, asked for {} {taking} ago; a throw takes {usual}", asked.word())
        }
        None => format!("{who}: {is} for {taking} and nobody asked; a throw takes {usual}"),
    }
}
