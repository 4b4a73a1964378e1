//! Damage on a line: one damaged line is noise; several in a row are a wire or a setting.

use std::{
    collections::VecDeque,
    time::{Duration, Instant},
};

const WINDOW: Duration = Duration::from_secs(1);

/// When damage was seen lately.
#[derive(Debug, Default)]
pub(crate) struct Damage {
    recent: VecDeque<Instant>,
}

impl Damage {
    /// So many within a second make a line suspect.
    pub(crate) const SUSPECT: usize = 3;

    /// Counts damage seen at `at`; counts from none again once the line is suspect.
    pub(crate) fn is_suspect(&mut self, at: Instant) -> bool {
        self.recent.push_back(at);
        while self.recent.front().is_some_and(|it| WINDOW < at.duration_since(*it)) {
            self.recent.pop_front();
        }
        let suspect = Self::SUSPECT <= self.recent.len();
        if suspect {
            self.recent.clear();
        }
        suspect
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_within_a_second_are_suspect_and_then_it_counts_anew() {
        let start = Instant::now();
        let mut damage = Damage::default();
        let mut suspect = |ms| damage.is_suspect(start + Duration::from_millis(ms));
        let seen = [0, 600, 1700, 1800, 1900, 1950, 1960].map(&mut suspect);
        assert_eq!(seen, [false, false, false, false, true, false, false]);
    }
}
