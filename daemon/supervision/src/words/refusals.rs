//! The words of refusals: why, and what to do about it.

use crate::output::Refusal;

impl Refusal {
    /// Every refusal.
    pub const ALL: [Self; 22] = [
        Self::NotInThatState,
        Self::NoActuator,
        Self::AlreadyOn,
        Self::NotOn,
        Self::FedFromDead,
        Self::Held,
        Self::AcknowledgeFirst,
        Self::CauseStands,
        Self::ContactHot,
        Self::NotProved,
        Self::Blind,
        Self::Occupied,
        Self::LampOn,
        Self::UnderFault,
        Self::NoChannel,
        Self::ShelvingLimit,
        Self::NotCommissioning,
        Self::InCommissioning,
        Self::WrongStep,
        Self::StepOpen,
        Self::NoTestCurrent,
        Self::Unknown,
    ];

    /// As the API writes it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::NotInThatState => "not-in-that-state",
            Self::NoActuator => "no-actuator",
            Self::AlreadyOn => "already-on",
            Self::NotOn => "not-on",
            Self::FedFromDead => "fed-from-dead",
            Self::Held => "held",
            Self::AcknowledgeFirst => "acknowledge-first",
            Self::CauseStands => "cause-stands",
            Self::ContactHot => "contact-hot",
            Self::NotProved => "not-proved",
            Self::Blind => "blind",
            Self::LampOn => "lamp-on",
            Self::Occupied => "occupied",
            Self::UnderFault => "under-fault",
            Self::NoChannel => "no-channel",
            Self::ShelvingLimit => "shelving-limit",
            Self::NotCommissioning => "not-commissioning",
            Self::InCommissioning => "in-commissioning",
            Self::WrongStep => "wrong-step",
            Self::StepOpen => "step-open",
            Self::NoTestCurrent => "no-test-current",
            Self::Unknown => "unknown",
        }
    }
}

/// Why a request is refused, and what would let it pass.
#[must_use]
pub const fn refusal_text(refusal: Refusal) -> &'static str {
    match refusal {
        Refusal::NotInThatState => "the alarm is in no state for this",
        Refusal::NoActuator => "it has no actuator: switch it by hand at its breaker",
        Refusal::AlreadyOn => "it is on already",
        Refusal::NotOn => "it is not on: restore it first",
        Refusal::FedFromDead => "the booster above it is off: restore that first",
        Refusal::Held => "somebody holds it: the holder must release it first",
        Refusal::AcknowledgeFirst => "acknowledge the alarm that cut it first",
        Refusal::CauseStands => "its cause still stands: remove it first",
        Refusal::ContactHot => {
            "a suspect's contact is still hot: wait until its heat is below 10 %"
        }
        Refusal::NotProved => "the cut is not proved yet: wait until current is gone",
        Refusal::Blind => "no fresh current reading, nothing would protect it: confirm to go on",
        Refusal::Occupied => "the turnout is occupied, or not proved clear",
        Refusal::LampOn => {
            "the turnout is not proved clear, likely because the test lamp is lit: lift the lamp off, then throw"
        }
        Refusal::UnderFault => "fault current flows: cut first, then throw",
        Refusal::NoChannel => "the machine has no throw channel, or its link is down",
        Refusal::ShelvingLimit => "too long for this priority, or shelving is not allowed",
        Refusal::NotCommissioning => "you do not have it in commissioning: begin, or take it over",
        Refusal::InCommissioning => {
            "another person has a turnout of it in commissioning: ask that person"
        }
        Refusal::WrongStep => "this step does not ask for that: look at what it offers",
        Refusal::StepOpen => "a step is neither passed nor skipped: go back to it",
        Refusal::NoTestCurrent => {
            "the test current is not between 0.2 and 1.5 A: connect the lamp, or enter amperes by the meter"
        }
        Refusal::Unknown => "no such alarm, fault, suspect or object",
    }
}
