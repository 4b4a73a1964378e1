//! What can be recorded.

use supervision::{
    alarm::{AlarmChange, AlarmKey, Subject},
    cause::Cause,
    input::NodeIx,
    output::{Decision, Event, Order, Output},
    record::{FaultNumber, FaultRecord},
};
use wiring::{index::DistrictIx, units::Mono};

/// One thing to record, with both clocks.
#[derive(Clone, Debug)]
pub struct Item {
    /// The instant, on this run's axis.
    pub at: Mono,
    /// The wall clock at that instant. Unit: microseconds since 1970, UTC.
    pub utc: i64,
    /// What happened.
    pub what: What,
}

/// What happened.
#[derive(Clone, Debug)]
pub enum What {
    /// An order went out.
    Order(Order),
    /// An alarm changed.
    Alarm {
        /// The change.
        change: AlarmChange,
        /// The node's name where the subject is a node.
        node: Option<String>,
    },
    /// An event.
    Event(Event),
    /// A fault began: its number is taken from here on.
    FaultOpened {
        /// Its number.
        fault: FaultNumber,
        /// Where.
        district: DistrictIx,
        /// Why.
        cause: Cause,
    },
    /// A fault's record.
    FaultClosed(Box<FaultRecord>),
    /// An alarm was shelved until then.
    Shelving {
        /// Which.
        alarm: AlarmKey,
        /// When it ends, on this run's axis.
        until: Mono,
    },
    /// Who acknowledged an alarm, shelved it or took it out of service.
    Hand {
        /// Which.
        alarm: AlarmKey,
        /// Who.
        who: String,
    },
    /// A person said who did it.
    Culprit {
        /// The fault.
        fault: FaultNumber,
        /// Its index among the suspects of the record.
        suspect: usize,
        /// Who said so.
        who: String,
    },
    /// A person wrote a note on a fault.
    Note {
        /// The fault.
        fault: FaultNumber,
        /// Who.
        who: String,
        /// What.
        text: String,
    },
    /// A step of commissioning was done.
    Proving(Proving),
    /// A commissioning ended.
    Commissioned(Commissioned),
    /// A commissioning went on, or ended.
    Commissioning(Box<supervision::commission::Kept>),
}

/// The result of commissioning one turnout.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Commissioned {
    /// `machine/T14`.
    pub machine: String,
    /// Who signed: initials.
    pub who: String,
    /// How it ended.
    pub outcome: Outcome,
    /// Fingerprint of the wiring that was proved ([`wiring::fingerprint::of_machine`]).
    pub wiring: String,
    /// What was done and measured, in the form that the pages know.
    pub steps: serde_json::Value,
}

/// How a commissioning ended.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Outcome {
    /// Every step passed and somebody signed: the turnout is proved.
    Passed,
    /// A step failed: the turnout is proved no more.
    Failed,
    /// It was left before its end. What was proved before stays proved.
    Abandoned,
}

impl Outcome {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Passed, Self::Failed, Self::Abandoned];

    /// As stored and answered.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Passed => "passed",
            Self::Failed => "failed",
            Self::Abandoned => "abandoned",
        }
    }

    /// The outcome of a word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|it| it.word() == word)
    }
}

/// The result of one step of commissioning.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Proving {
    /// `machine/T14` or `frog/T14`.
    pub subject: String,
    /// The step: `throw-normal`, `frog-both-positions`, `both-poles`, `trip-test`, `signed` …
    pub step: String,
    /// It passed.
    pub passed: bool,
    /// What was measured, in words.
    pub detail: String,
    /// Who did it.
    pub who: String,
}

impl Proving {
    /// The step that shows that both poles of a frog carry: the history remembers it for the contact image.
    pub const BOTH_POLES: &'static str = "both-poles";
}

impl Item {
    /// An output of the supervisor as an item; none for values of state and answers, which are no history.
    ///
    /// `utc` is the wall clock at the output's instant, `node` tells the name of a node.
    #[must_use]
    pub fn of(output: Output, utc: i64, node: impl Fn(NodeIx) -> Option<String>) -> Option<Self> {
        let what = match output.what {
            Decision::Order(order) => What::Order(order),
            Decision::Alarm(change) => {
                let node = match change.alarm.subject {
                    Subject::Node(index) => node(index),
                    Subject::Object(_) | Subject::Checkrail => None,
                };
                What::Alarm { change, node }
            }
            Decision::Event(event) => What::Event(event),
            Decision::FaultOpened { fault, district, cause } => {
                What::FaultOpened { fault, district, cause }
            }
            Decision::FaultClosed(record) => What::FaultClosed(record),
            Decision::Commissioned(kept) => What::Commissioning(kept),
            Decision::State { .. } | Decision::Answer { .. } => return None,
        };
        Some(Self { at: output.at, utc, what })
    }

    /// The wall clock at another instant of the same run.
    pub(crate) fn utc_at(&self, instant: Mono) -> i64 {
        let later = i64::try_from(instant.since(self.at).0).unwrap_or(i64::MAX);
        let earlier = i64::try_from(self.at.since(instant).0).unwrap_or(i64::MAX);
        self.utc.saturating_add(later).saturating_sub(earlier)
    }

    /// How dearly the item is kept when room gets short.
    pub(crate) fn worth(&self) -> Worth {
        match &self.what {
            What::FaultClosed(_) => Worth::Record,
            What::Alarm { .. }
            | What::FaultOpened { .. }
            | What::Shelving { .. }
            | What::Hand { .. }
            | What::Culprit { .. }
            | What::Note { .. }
            | What::Commissioning(_)
            | What::Proving(_)
            | What::Commissioned(_) => Worth::State,
            What::Event(event) => worth_of(event),
            What::Order(_) => Worth::Line,
        }
    }
}

/// How dearly an item is kept.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Worth {
    /// A line of the event list: the first to go.
    Line,
    /// Something that a restart needs: an alarm, a lock-out, a hit, a fault's number.
    State,
    /// A fault record: large.
    Record,
}

fn worth_of(event: &Event) -> Worth {
    use supervision::output::EventKind as Kind;
    match event.kind {
        Kind::LockedOut(_) | Kind::LockOutOpened(_) | Kind::Hit { .. } | Kind::Operated { .. } => {
            Worth::State
        }
        Kind::Started
        | Kind::Stopping
        | Kind::PowerChanged(..)
        | Kind::PickedUp(..)
        | Kind::DroppedOut(..)
        | Kind::PositionChanged(..)
        | Kind::PolarityChanged(..)
        | Kind::OccupancyChanged(..)
        | Kind::ReverserChanged(..)
        | Kind::CutProved(..)
        | Kind::Node { .. }
        | Kind::ReadingBad { .. } => Worth::Line,
    }
}
