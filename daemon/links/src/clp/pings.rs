//! Round trips to a node. The delay that its clock shows is only what comes on top of the best line; half a round trip
//! bounds what is always there (links.md 5.1).

use std::{
    collections::VecDeque,
    time::{Duration, Instant},
};

/// A node in session is asked this often.
pub(crate) const PING_EVERY: Duration = Duration::from_secs(1);
/// Round trips kept. The best of them counts: what a question waits behind others is no delay of readings.
const KEPT: usize = 8;

/// Questions and answers of one node.
#[derive(Clone, Debug, Default)]
pub(crate) struct Pings {
    asked: Option<(u16, Instant)>,
    trips: VecDeque<Duration>,
}

impl Pings {
    /// Whether it is time to ask again.
    pub(crate) fn is_due(&self, now: Instant) -> bool {
        self.asked.is_none_or(|(_, at)| now.duration_since(at) >= PING_EVERY)
    }

    /// A question was sent.
    pub(crate) fn asked(&mut self, seq: u16, now: Instant) {
        self.asked = Some((seq, now));
    }

    /// An answer came. False when it belongs to something else. A refusal tells the time as well.
    pub(crate) fn answered(&mut self, seq: u16, now: Instant) -> bool {
        let Some((asked, at)) = self.asked else { return false };
        // Only the first answer to a question tells the time.
        if asked != seq || now.duration_since(at) >= PING_EVERY {
            return asked == seq;
        }
        if self.trips.len() >= KEPT {
            self.trips.pop_front();
        }
        self.trips.push_back(now.duration_since(at));
        true
    }

    /// Bound of the constant delay one way; zero before the first answer. Unit: ms.
    pub(crate) fn one_way(&self) -> u32 {
        let best = self.trips.iter().min().copied().unwrap_or_default();
        u32::try_from(best.as_millis() / 2).unwrap_or(u32::MAX)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_best_of_the_last_round_trips_bounds_the_delay() {
        let start = Instant::now();
        let at = |ms: u64| start + Duration::from_millis(ms);
        let mut sut = Pings::default();
        assert!(sut.is_due(start) && sut.one_way() == 0);
        for (seq, trip) in [(1, 40), (2, 6), (3, 900)] {
            sut.asked(seq, at(u64::from(seq) * 1000));
            assert!(!sut.is_due(at(u64::from(seq) * 1000 + 999)));
            assert!(!sut.answered(seq + 100, at(u64::from(seq) * 1000 + 1)), "another answer");
            assert!(sut.answered(seq, at(u64::from(seq) * 1000 + trip)));
        }
        assert_eq!(sut.one_way(), 3);
        for seq in 4..13 {
            sut.asked(seq, at(u64::from(seq) * 1000));
            sut.answered(seq, at(u64::from(seq) * 1000 + 500));
        }
        assert_eq!(sut.one_way(), 250, "what was fast long ago is forgotten");
    }
}
