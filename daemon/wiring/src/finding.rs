//! A finding of `check`: what is wrong, how much it matters, where it is written and what to do about it.

use crate::layout::Span;

/// What a finding is about. The text of a code is part of the contract and never changes.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Code {
    /// A position ties the frog to the rail of the other polarity.
    FrogSwapped,
    /// A position leaves the frog dead.
    FrogUnfed,
    /// Poles side by side tie the frog to both conductors in one position.
    PolesFight,
    /// The frog is fed from another district than the rails it must match.
    FrogForeign,
    /// Rails joined without a gap are fed from opposite conductors or from two districts.
    FeedCrossed,
    /// The track plan closes on itself with the rails swapped and no gapped section between.
    ReverseLoop,
    /// The rails on the two sides of a gap are on opposite conductors and nothing swaps them.
    GapCrossed,
    /// Two blocks or districts meet without a gap.
    GapMissing,
    /// A rail with no feeder path.
    RailUnfed,
    /// A machine or pole that does not exist.
    MachineUnknown,
    /// A block that does not exist.
    BlockUnknown,
    /// A port that the trackwork does not have.
    PortUnknown,
    /// One pole feeds frogs that do not always need the same conductor.
    PoleShared,
    /// Two open routes want the frog on different rails.
    FrogConflict,
    /// Fewer poles than the frogs and other uses need.
    PoleMissing,
    /// A machine is powered from the district that it may have to clear.
    ThrowShorted,
    /// A combination of machine positions that the trackwork cannot take.
    PositionsInvalid,
    /// What the breaker or booster lets through exceeds the rating of the contacts.
    ContactUnderrated,
    /// The short-circuit current somewhere in the district stays below its breaker's trip.
    BreakerNeverTrips,
    /// A wire carries more than its ampacity while the breaker holds.
    GaugeLight,
    /// Nothing switches the only means to cut off when Checkrail falls silent.
    CutUnguarded,
    /// A district's current is read too seldom for a cut to save a contact.
    NotFastEnough,
    /// A check lacked data.
    NotChecked,
}

/// How much a finding matters. Declared from worst to mildest, and ordered so.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Severity {
    /// The layout will short or burn: `check` exits with 1.
    Error,
    /// It will disappoint.
    Warning,
    /// Worth knowing.
    Advice,
}

impl Severity {
    /// `error`, `warning` or `advice`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Error => "error",
            Self::Warning => "warning",
            Self::Advice => "advice",
        }
    }
}

impl Code {
    /// Every code, in the order of the contract's table.
    pub const ALL: [Self; 23] = [
        Self::FrogSwapped,
        Self::FrogUnfed,
        Self::PolesFight,
        Self::FrogForeign,
        Self::FeedCrossed,
        Self::ReverseLoop,
        Self::GapCrossed,
        Self::GapMissing,
        Self::RailUnfed,
        Self::MachineUnknown,
        Self::BlockUnknown,
        Self::PortUnknown,
        Self::PoleShared,
        Self::FrogConflict,
        Self::PoleMissing,
        Self::ThrowShorted,
        Self::PositionsInvalid,
        Self::ContactUnderrated,
        Self::BreakerNeverTrips,
        Self::GaugeLight,
        Self::CutUnguarded,
        Self::NotFastEnough,
        Self::NotChecked,
    ];

    /// As printed: `frog-swapped`.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::FrogSwapped => "frog-swapped",
            Self::FrogUnfed => "frog-unfed",
            Self::PolesFight => "poles-fight",
            Self::FrogForeign => "frog-foreign",
            Self::FeedCrossed => "feed-crossed",
            Self::ReverseLoop => "reverse-loop",
            Self::GapCrossed => "gap-crossed",
            Self::GapMissing => "gap-missing",
            Self::RailUnfed => "rail-unfed",
            Self::MachineUnknown => "machine-unknown",
            Self::BlockUnknown => "block-unknown",
            Self::PortUnknown => "port-unknown",
            Self::PoleShared => "pole-shared",
            Self::FrogConflict => "frog-conflict",
            Self::PoleMissing => "pole-missing",
            Self::ThrowShorted => "throw-shorted",
            Self::PositionsInvalid => "positions-invalid",
            Self::ContactUnderrated => "contact-underrated",
            Self::BreakerNeverTrips => "breaker-never-trips",
            Self::GaugeLight => "gauge-light",
            Self::CutUnguarded => "cut-unguarded",
            Self::NotFastEnough => "not-fast-enough",
            Self::NotChecked => "not-checked",
        }
    }

    /// How much a finding of this code matters.
    #[must_use]
    pub const fn severity(self) -> Severity {
        match self {
            Self::FrogSwapped
            | Self::PolesFight
            | Self::FrogForeign
            | Self::FeedCrossed
            | Self::ReverseLoop
            | Self::MachineUnknown
            | Self::BlockUnknown
            | Self::PortUnknown
            | Self::PoleShared
            | Self::FrogConflict
            | Self::PoleMissing
            | Self::BreakerNeverTrips
            | Self::CutUnguarded => Severity::Error,
            Self::FrogUnfed
            | Self::GapCrossed
            | Self::GapMissing
            | Self::RailUnfed
            | Self::ThrowShorted
            | Self::PositionsInvalid
            | Self::ContactUnderrated
            | Self::GaugeLight => Severity::Warning,
            Self::NotFastEnough | Self::NotChecked => Severity::Advice,
        }
    }
}

/// One finding.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Finding {
    /// What it is about.
    pub code: Code,
    /// How much it matters.
    pub severity: Severity,
    /// The object: `frog/T1`, `machine/T1`, `block/q1`, `pole/T1.2`, `track/q1-main`, `trackwork/T1` or `layout`.
    pub subject: String,
    /// Where the cause is written.
    pub span: Span,
    /// Other places that belong to it, each with a few words.
    pub also: Vec<(Span, String)>,
    /// What is wrong, one sentence without a full stop.
    pub message: String,
    /// What to do, one sentence without a full stop.
    pub remedy: String,
}

impl Finding {
    /// A finding with the severity of its code and no other places.
    #[must_use]
    pub fn new(code: Code, subject: String, span: Span, message: String, remedy: String) -> Self {
        let severity = code.severity();
        Self { code, severity, subject, span, also: Vec::new(), message, remedy }
    }

    /// The same with one more place.
    #[must_use]
    pub fn and(mut self, span: Span, note: impl Into<String>) -> Self {
        self.also.push((span, note.into()));
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_code_reads_as_the_contract_writes_it_and_none_twice() {
        let mut texts: Vec<_> = Code::ALL.iter().map(|code| code.code()).collect();
        assert!(texts.iter().all(|text| text.chars().all(|c| c == '-' || c.is_ascii_lowercase())));
        texts.sort_unstable();
        texts.dedup();
        assert_eq!(texts.len(), Code::ALL.len());
    }
}
