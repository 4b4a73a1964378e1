//! The words of causes: the element, what was seen, the limit, for how long.

use wiring::layout::Layout;

use super::pole_text;
use crate::cause::{Cause, Element};

impl Element {
    /// Every element.
    pub const ALL: [Self; 9] = [
        Self::Short,
        Self::HalfShort,
        Self::AtLimit,
        Self::Overload,
        Self::Contact,
        Self::Mismatch,
        Self::Undervoltage,
        Self::TrippedElsewhere,
        Self::CutFailure,
    ];

    /// Its name: `short`, `half-short` …
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Short => "short",
            Self::HalfShort => "half-short",
            Self::AtLimit => "at-limit",
            Self::Overload => "overload",
            Self::Contact => "contact",
            Self::Mismatch => "mismatch",
            Self::Undervoltage => "undervoltage",
            Self::TrippedElsewhere => "tripped-elsewhere",
            Self::CutFailure => "cut-failure",
        }
    }
}

/// A cause in one line: point, value, limit and duration, as far as it has them.
#[must_use]
pub fn cause_text(cause: Cause, layout: &Layout) -> String {
    match cause {
        Cause::Short { seen, pickup, lasted } => {
            format!("short circuit, {seen} above the pick-up of {pickup} for {lasted}")
        }
        Cause::HalfShort { step, lasted } => {
            format!("half-short, a step of {step} stays for {lasted}")
        }
        Cause::AtLimit { seen, limit, lasted } => {
            format!("at the booster's limit, {seen} of {limit} for {lasted}")
        }
        Cause::Overload { seen, pickup } => {
            format!("overload, {seen} for longer than the curve from {pickup} allows")
        }
        Cause::Contact { pole, amps, estimated } => {
            let basis = if estimated { "estimated" } else { "measured" };
            format!("{}: heat at its limit, {amps} through it ({basis})", pole_text(layout, pole))
        }
        Cause::Mismatch { frog } => {
            format!("frog {} on the wrong rail under a train", layout.frogs[frog.at()].id)
        }
        Cause::TrippedElsewhere { seen } => {
            format!("breaker or booster tripped before Checkrail, {seen} and then none")
        }
        Cause::PowerGone { seen } => {
            format!("power went without an order, {seen} before and no short seen")
        }
        Cause::CutFailure { seen: Some(seen), waited } => {
            format!("cut not proved, {seen} still flows {waited} after the order")
        }
        Cause::CutFailure { seen: None, waited } => {
            format!("cut not proved, no current reading {waited} after the order")
        }
        Cause::Stale => "no current reading, and `on-stale` says cut".to_owned(),
        Cause::LowVoltage { seen, step } => {
            format!("half-short, voltage down to {seen} with a step of {step}")
        }
        Cause::TestLimit { seen, limit } => {
            format!(
                "{seen} during a test with a limited supply, more than {limit}: the limiter is missing"
            )
        }
        Cause::Operator => "an operator's order".to_owned(),
        Cause::Shutdown => "Checkrail stops".to_owned(),
        Cause::Retry(count) => format!("automatic try {count} to restore"),
        Cause::Start => "start, this output is wanted on".to_owned(),
    }
}
