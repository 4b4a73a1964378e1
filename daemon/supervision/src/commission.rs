//! Commissioning: one switch machine proved in place, step by step, by a person under the layout.
//!
//! # Flow
//!
//! ```text
//!   begin -> name -> throw to normal -> throw to reverse -> frog in both positions
//!         -> contact resistance (4 throws) -> trip test -> coin test -> sign off
//! ```
//!
//! A [`Session`] is a state machine like all others here: a [`Sight`] of the layout, a [`Request`] of the person or the
//! passing of time goes in; results of steps and what else is to be done come out; the deadline is derived from state.
//! The supervisor makes the sights, throws and cuts under its own rules, and puts the alarms of the machine, its frogs
//! and its contacts out of service meanwhile.
//!
//! A step that can be measured passes by itself when the reading has been right and steady for [`STEADY`]. Where nothing
//! measures it the person says what was seen, and the result says so. A failed step names the likely mistake and the
//! wires to look at; it is tried again, or skipped with a reason. Nobody's sign of life for [`IDLE`] ends the session;
//! results stay. The turnout counts as proved from the signature until its part of the wiring model changes.
//!
//! Polarity and contacts are measured with a supply that the owner limits. Should more than [`LIMIT`] flow all the same,
//! the district is cut: the limiter is missing.

mod coin;
mod contact;
mod frogs;
mod offers;
mod plan;
mod results;
mod session;
mod texts;
mod throwing;
mod trip;
mod view;

use wiring::{
    index::{FrogIx, MachineIx},
    layout::{Conductor, Position},
    units::{Microamps, Micros, Millivolts, Mono},
};

use crate::{
    cause::Cause,
    input::{MachinePosition, MeasuredPolarity},
    output::{PowerState, ProofStrength},
    store::NodeTime,
};

pub(crate) use plan::Plan;
pub(crate) use session::{Do, Session, Told};
pub use view::{Ask, Mood, Offer, SessionView, Verdict, Wants};

/// A reading is right when it has stood for so long.
pub const STEADY: Micros = Micros::from_millis(2000);
/// Without a sign of the person for so long a session ends.
pub const IDLE: Micros = Micros::from_millis(600_000);
/// The most that a limited supply may deliver.
pub const LIMIT: Microamps = Microamps::from_milliamps(1500);

/// The steps, in order.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub enum Step {
    /// It is the right machine.
    Name,
    /// The motor throws it to normal, in time.
    Normal,
    /// And to reverse.
    Reverse,
    /// Its frogs are on the right rail in both positions.
    Frog,
    /// Its contacts carry: volts across them in four throws.
    Contact,
    /// Its district can be cut: order, feedback, current gone.
    Trip,
    /// A coin on plain rail makes the breaker act.
    Coin,
    /// A person stands for it.
    Sign,
}

impl Step {
    /// All, in order.
    pub const ALL: [Self; 8] = [
        Self::Name,
        Self::Normal,
        Self::Reverse,
        Self::Frog,
        Self::Contact,
        Self::Trip,
        Self::Coin,
        Self::Sign,
    ];

    /// As history and API write it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Name => "name",
            Self::Normal => "throw-normal",
            Self::Reverse => "throw-reverse",
            Self::Frog => "frog-both-positions",
            Self::Contact => "contact",
            Self::Trip => "trip-test",
            Self::Coin => "coin-test",
            Self::Sign => "signed",
        }
    }

    /// The step of a word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|it| it.word() == word)
    }

    /// What a person sees of seven: cut and coin are one.
    #[must_use]
    pub const fn number(self) -> u8 {
        match self {
            Self::Name => 1,
            Self::Normal => 2,
            Self::Reverse => 3,
            Self::Frog => 4,
            Self::Contact => 5,
            Self::Trip | Self::Coin => 6,
            Self::Sign => 7,
        }
    }

    pub(crate) const fn at(self) -> usize {
        self as usize
    }

    pub(crate) fn next(self) -> Self {
        Self::ALL.get(self.at() + 1).copied().unwrap_or(Self::Sign)
    }

    pub(crate) fn before(self) -> Self {
        Self::ALL.get(self.at().wrapping_sub(1)).copied().unwrap_or(Self::Name)
    }

    /// Without it a turnout is not proved.
    pub(crate) const fn is_needed(self) -> bool {
        matches!(self, Self::Normal | Self::Reverse | Self::Frog)
    }
}

/// How a step ended.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Outcome {
    /// As it should be.
    Passed,
    /// Not as it should be.
    Failed,
    /// Not done, with a reason.
    Skipped,
}

impl Outcome {
    /// `passed failed skipped`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Passed => "passed",
            Self::Failed => "failed",
            Self::Skipped => "skipped",
        }
    }

    /// The outcome of a word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Passed, Self::Failed, Self::Skipped].into_iter().find(|it| it.word() == word)
    }
}

/// The result of one step, to be kept.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct StepResult {
    /// The step.
    pub step: Step,
    /// How it ended.
    pub outcome: Outcome,
    /// What was measured or seen, in words.
    pub detail: String,
    /// Who did it.
    pub who: String,
}

/// Something to keep about a machine's commissioning.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Kept {
    /// The machine.
    pub machine: MachineIx,
    /// Fingerprint of the wiring that this is about ([`wiring::fingerprint`]).
    pub wiring: String,
    /// Who did it.
    pub who: String,
    /// What.
    pub what: KeptWhat,
}

/// What is kept.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum KeptWhat {
    /// A session began, or another person goes on with it.
    Begun,
    /// A session ended without a signature.
    Ended {
        /// Why.
        why: String,
        /// What came of its steps.
        results: Vec<StepResult>,
    },
    /// A session ended with a signature.
    Signed {
        /// The turnout is proved by it.
        proved: bool,
        /// What was left out.
        detail: String,
        /// What came of its steps.
        results: Vec<StepResult>,
    },
    /// A step ended.
    Result {
        /// Which.
        step: Step,
        /// How.
        outcome: Outcome,
        /// What was measured or seen.
        detail: String,
    },
    /// Both poles of a frog were shown to carry, or not to.
    BothPoles {
        /// The frog.
        frog: FrogIx,
        /// They do.
        carry: bool,
        /// What was measured.
        detail: String,
    },
}

/// What the history brings back about a machine.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Remembered {
    /// The machine.
    pub machine: MachineIx,
    /// The signature that proved it last, whatever was wired since.
    pub proved: Option<Proved>,
    /// Latest results of steps since that signature, for the wiring as it is now.
    pub results: Vec<StepResult>,
    /// A session was open, by this person.
    pub open: Option<String>,
}

/// A signature.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Proved {
    /// Fingerprint of the wiring that it is about.
    pub wiring: String,
    /// Initials.
    pub who: String,
    /// When.
    pub when: When,
}

/// An instant of this run, or one of the wall clock that was remembered.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum When {
    /// Of this run.
    Run(Mono),
    /// Remembered. Unit: microseconds since 1970, UTC.
    Utc(i64),
}

/// What a person asks of a session. Requests for a machine without one are refused, but [`Request::Begin`].
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Request {
    /// Begin, or go on from another device.
    Begin,
    /// Still here.
    Stay,
    /// The step is done as far as the person is concerned: it is the right machine; coins are laid.
    Next,
    /// Throw by order.
    Throw {
        /// Where to.
        to: Position,
        /// No wheel stands on the points.
        confirmed: bool,
    },
    /// No sensor tells the position: the person sees it.
    SeenPosition(Position),
    /// No sensor tells the polarity: the person measured it.
    SeenFrog(SeenFrog),
    /// Volts across the contact by a meter.
    Meter {
        /// Volts.
        drop: Millivolts,
        /// Current through it; none: as measured.
        amps: Option<Microamps>,
        /// With this pole's wire lifted, to show that the other carries.
        lifted: Option<u8>,
    },
    /// Cut the district, to see that it goes.
    Cut,
    /// A coin will be laid there.
    Coin {
        /// The place as the study names it.
        place: String,
        /// Current that the study predicts.
        predicted: Microamps,
    },
    /// The wires were changed: measure this step again.
    Again,
    /// The step before.
    Back,
    /// Leave this step out.
    Skip(String),
    /// Sign off.
    Sign(String),
    /// End the session without signing.
    Leave,
}

impl Request {
    /// In the list of what operators did.
    #[must_use]
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Begin => "begin",
            Self::Stay => "stay",
            Self::Next => "next",
            Self::Throw { .. } => "throw",
            Self::SeenPosition(_) => "position seen",
            Self::SeenFrog(_) => "frog seen",
            Self::Meter { .. } => "meter reading",
            Self::Cut => "trip test",
            Self::Coin { .. } => "coin test",
            Self::Again => "again",
            Self::Back => "back",
            Self::Skip(_) => "skip",
            Self::Sign(_) => "sign",
            Self::Leave => "leave",
        }
    }
}

/// What a person found with a lamp or a meter.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum SeenFrog {
    /// On the rail it must match.
    Matches,
    /// On the other one.
    Wrong,
    /// On none.
    Dead,
}

/// What can be seen of a machine at one instant. None is not measured, or too old.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Sight {
    pub(crate) position: Option<MachinePosition>,
    /// When its node told that, on the node's own clock.
    pub(crate) position_told: Option<NodeTime>,
    /// In the order of [`Plan::frogs`].
    pub(crate) frogs: Vec<FrogSight>,
    /// Current through the frog or, where that is not measured, of its block.
    pub(crate) amps: Option<Microamps>,
    pub(crate) district: DistrictSight,
}

/// A frog at one instant.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct FrogSight {
    /// The conductor of the rail that it must match in this position; none: free, or the position is not known.
    pub(crate) right: Option<Conductor>,
    pub(crate) measured: Option<MeasuredPolarity>,
    /// When its node told that, on the node's own clock.
    pub(crate) told: Option<NodeTime>,
    /// A reading means something: power is there and quiet.
    pub(crate) judged: bool,
    /// The supervisor has found it on the wrong rail: a cut for that ends the readings.
    pub(crate) wrong: bool,
}

/// The district at one instant.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct DistrictSight {
    pub(crate) amps: Option<Microamps>,
    /// When its current was heard last.
    pub(crate) amps_told: Option<Mono>,
    pub(crate) feedback: Option<bool>,
    pub(crate) power: Option<PowerState>,
    pub(crate) cause: Option<Cause>,
    /// The cut that was ordered last is proved: after so long, how strongly.
    pub(crate) proved: Option<(Micros, ProofStrength)>,
}
