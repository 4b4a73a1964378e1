//! The life of one alarm after ISA-18.2: states by events, as one table.

use crate::alarm::{AlarmState, Transition};

/// What can happen to an alarm. Delays are over when these come.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum AlarmEvent {
    /// Its condition came.
    Comes,
    /// Its condition went.
    Goes,
    /// A person acknowledges.
    Acknowledge,
    /// A person resets the latch.
    Reset,
    /// A person shelves it.
    Shelve,
    /// A person, or time, ends the shelving; the condition stands or not.
    Unshelve {
        /// The condition stands.
        stands: bool,
    },
    /// It is taken out of service.
    Remove,
    /// It is returned to service.
    Return {
        /// The condition stands.
        stands: bool,
    },
}

/// The state after `event`, and what to announce; none: the event does not apply in this state.
pub(crate) const fn next(
    state: AlarmState,
    event: AlarmEvent,
    latched: bool,
) -> Option<(AlarmState, Transition)> {
    use AlarmEvent as E;
    use AlarmState as S;
    use Transition as T;
    let to = match (state, event) {
        (
            S::Normal
            | S::ReturnedUnacknowledged
            | S::LatchedUnacknowledged
            | S::LatchedAcknowledged,
            E::Comes,
        ) => (S::Unacknowledged, T::Raised),
        (S::Unacknowledged, E::Acknowledge) => (S::Acknowledged, T::Acknowledged),
        (S::Unacknowledged, E::Goes) if latched => {
            (S::LatchedUnacknowledged, T::ClearedUnacknowledged)
        }
        (S::Unacknowledged, E::Goes) => (S::ReturnedUnacknowledged, T::ClearedUnacknowledged),
        (S::Acknowledged, E::Goes) if latched => (S::LatchedAcknowledged, T::ClearedUnacknowledged),
        (S::Acknowledged, E::Goes) => (S::Normal, T::Cleared),
        (S::ReturnedUnacknowledged, E::Acknowledge) => (S::Normal, T::Acknowledged),
        (S::LatchedUnacknowledged, E::Acknowledge) => (S::LatchedAcknowledged, T::Acknowledged),
        (S::LatchedAcknowledged, E::Reset) => (S::Normal, T::Reset),
        (S::Shelved, E::Unshelve { stands: true }) => (S::Unacknowledged, T::Unshelved),
        (S::Shelved, E::Unshelve { stands: false }) => (S::Normal, T::Unshelved),
        (S::OutOfService, E::Return { stands: true }) => (S::Unacknowledged, T::InService),
        (S::OutOfService, E::Return { stands: false }) => (S::Normal, T::InService),
        (S::Shelved | S::OutOfService, E::Shelve) => return None,
        (_, E::Shelve) => (S::Shelved, T::Shelved),
        (S::OutOfService, E::Remove) => return None,
        (_, E::Remove) => (S::OutOfService, T::OutOfService),
        (
            _,
            E::Comes | E::Goes | E::Acknowledge | E::Reset | E::Unshelve { .. } | E::Return { .. },
        ) => return None,
    };
    Some(to)
}

/// Its condition is announced as standing.
pub(crate) const fn is_active(state: AlarmState) -> bool {
    matches!(state, AlarmState::Unacknowledged | AlarmState::Acknowledged)
}

/// Nobody has acknowledged it.
pub(crate) const fn is_unseen(state: AlarmState) -> bool {
    matches!(
        state,
        AlarmState::Unacknowledged
            | AlarmState::ReturnedUnacknowledged
            | AlarmState::LatchedUnacknowledged
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The states by the letters of ISA-18.2 (E and F as a maker's manual prints them, the others from memory).
    #[test]
    fn every_state_and_event_goes_where_isa_18_2_says() {
        // state: comes, goes, goes latching, acknowledge, reset, shelve, unshelve (absent, present), remove, return
        // (absent, present)
        let table = "
            A: B . . . . G . . I . .
            B: . D E C . G . . I . .
            C: . A F . . G . . I . .
            D: B . . A . G . . I . .
            E: B . . F . G . . I . .
            F: B . . . A G . . I . .
            G: . . . . . . A B I . .
            I: . . . . . . . . . A B";
        let events = [
            (AlarmEvent::Comes, false),
            (AlarmEvent::Goes, false),
            (AlarmEvent::Goes, true),
            (AlarmEvent::Acknowledge, false),
            (AlarmEvent::Reset, false),
            (AlarmEvent::Shelve, false),
            (AlarmEvent::Unshelve { stands: false }, false),
            (AlarmEvent::Unshelve { stands: true }, false),
            (AlarmEvent::Remove, false),
            (AlarmEvent::Return { stands: false }, false),
            (AlarmEvent::Return { stands: true }, false),
        ];
        for row in table.trim().lines() {
            let (from, to) = row.trim().split_once(':').unwrap();
            for ((event, latched), want) in events.into_iter().zip(to.split_whitespace()) {
                let got = next(state(from), event, latched).map_or(".", |(state, _)| letter(state));
                assert_eq!(got, want, "{from} {event:?} latched {latched}");
            }
        }
    }

    const LETTERS: [(&str, AlarmState); 8] = [
        ("A", AlarmState::Normal),
        ("B", AlarmState::Unacknowledged),
        ("C", AlarmState::Acknowledged),
        ("D", AlarmState::ReturnedUnacknowledged),
        ("E", AlarmState::LatchedUnacknowledged),
        ("F", AlarmState::LatchedAcknowledged),
        ("G", AlarmState::Shelved),
        ("I", AlarmState::OutOfService),
    ];

    fn state(letter: &str) -> AlarmState {
        LETTERS.into_iter().find(|(it, _)| *it == letter).unwrap().1
    }

    fn letter(state: AlarmState) -> &'static str {
        LETTERS.into_iter().find(|(_, it)| *it == state).unwrap().0
    }
}
