//! Why something was cut: the element, what was seen, the limit, for how long.

use wiring::{
    index::{FrogIx, PoleIx},
    units::{Microamps, Micros, Millivolts},
};

/// A protection element.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Element {
    /// Step and level, at once.
    Short,
    /// Step below the pick-up, standing.
    HalfShort,
    /// At the booster's limit.
    AtLimit,
    /// Inverse-time.
    Overload,
    /// Thermal image of a contact.
    Contact,
    /// A frog on the wrong conductor.
    Mismatch,
    /// Voltage low.
    Undervoltage,
    /// The breaker or booster acted first.
    TrippedElsewhere,
    /// A cut did not cut.
    CutFailure,
}

/// Why an order was given. `Copy`, and holds all that its text needs.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Cause {
    /// Short: step and current seen, pick-up, time above it.
    Short {
        /// Highest current seen.
        seen: Microamps,
        /// Pick-up.
        pickup: Microamps,
        /// Time from the first to the latest sample above it.
        lasted: Micros,
    },
    /// A step that stays.
    HalfShort {
        /// The step.
        step: Microamps,
        /// How long.
        lasted: Micros,
    },
    /// At limit.
    AtLimit {
        /// Current seen.
        seen: Microamps,
        /// The limit.
        limit: Microamps,
        /// How long.
        lasted: Micros,
    },
    /// Inverse-time overload.
    Overload {
        /// Current seen.
        seen: Microamps,
        /// Pick-up of the curve.
        pickup: Microamps,
    },
    /// Thermal image full.
    Contact {
        /// The pole.
        pole: PoleIx,
        /// Current through it.
        amps: Microamps,
        /// The current is estimated.
        estimated: bool,
    },
    /// A frog on the wrong conductor under a train.
    Mismatch {
        /// The frog.
        frog: FrogIx,
    },
    /// The breaker or booster acted first.
    TrippedElsewhere {
        /// Highest current before.
        seen: Microamps,
    },
    /// Power went without an order of ours, and no short was seen before.
    PowerGone {
        /// Current before.
        seen: Microamps,
    },
    /// A cut below was not proved.
    CutFailure {
        /// Current still flowing; none: no reading.
        seen: Option<Microamps>,
        /// How long after the order.
        waited: Micros,
    },
    /// Stale current, with `on-stale = "cut"`.
    Stale,
    /// Voltage low, as the second sign of a half-short.
    LowVoltage {
        /// Voltage seen.
        seen: Millivolts,
        /// The step.
        step: Microamps,
    },
    /// More flowed than a limited test supply gives: it is not limited.
    TestLimit {
        /// Current seen.
        seen: Microamps,
        /// What it should not exceed.
        limit: Microamps,
    },
    /// An operator asked.
    Operator,
    /// Checkrail stops.
    Shutdown,
    /// An automatic try, counted from 1.
    Retry(u8),
    /// Start: outputs wanted on.
    Start,
}

impl Cause {
    /// The word in orders, journals and the API: an alarm kind, or `operator shutdown retry start stale test-limit`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Short { .. } => "short-circuit",
            Self::HalfShort { .. } | Self::LowVoltage { .. } => "half-short",
            Self::AtLimit { .. } => "at-limit",
            Self::Overload { .. } => "overload",
            Self::Contact { .. } => "contact-overload",
            Self::Mismatch { .. } => "frog-mismatch",
            Self::TrippedElsewhere { .. } => "tripped-elsewhere",
            Self::PowerGone { .. } => "power-cut",
            Self::CutFailure { .. } => "cut-failed",
            Self::Stale => "reading-stale",
            Self::TestLimit { .. } => "test-limit",
            Self::Operator => "operator",
            Self::Shutdown => "shutdown",
            Self::Retry(_) => "retry",
            Self::Start => "start",
        }
    }
}
