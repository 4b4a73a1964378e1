//! When the shell shows the state: often while somebody looks, seldom while nobody does.

use dashboard::window::{BEAT, LOOKS_FOR, UNWATCHED};
use wiring::units::Mono;

use crate::clock::micros;

/// What was shown when, and until when somebody is expected to look. Asked at every tick.
#[derive(Debug, Default)]
pub struct Showing {
    next_note: Mono,
    viewed: Mono,
    watched_until: Mono,
}

impl Showing {
    /// A point of the trends is due; counts as noted then.
    pub fn takes_note(&mut self, now: Mono) -> bool {
        let is_due = self.next_note <= now;
        if is_due {
            self.next_note = now + micros(BEAT);
        }
        is_due
    }

    /// A view is due; counts as made then. `asked`: somebody looked since the last tick.
    pub fn makes_view(&mut self, now: Mono, asked: bool) -> bool {
        if asked {
            self.watched_until = now + micros(LOOKS_FOR);
        }
        let every = if now < self.watched_until { BEAT } else { UNWATCHED };
        let is_due = self.viewed + micros(every) <= now;
        if is_due {
            self.viewed = now;
        }
        is_due
    }
}

#[cfg(test)]
mod tests {
    use dashboard::window::TICK;
    use wiring::units::Micros;

    use super::*;

    /// Instants of the views in a span of ticks, in ms; somebody asks at `asked`.
    fn views(ticks: u64, asked: &[u64]) -> Vec<u64> {
        let mut sut = Showing::default();
        let instants = (0..ticks).map(|nth| nth * TICK.as_millis() as u64);
        instants
            .filter(|ms| {
                let now = Mono::START + Micros::from_millis(*ms);
                sut.makes_view(now, asked.contains(ms))
            })
            .collect()
    }

    #[test]
    fn nobody_looks_and_two_views_a_second_are_made() {
        assert_eq!(views(41, &[]), [500, 1000, 1500, 2000]);
    }

    #[test]
    fn who_asks_is_shown_a_view_at_once_and_ten_a_second_from_then_on() {
        let seen = views(60, &[650]);
        assert_eq!(seen[..4], [500, 650, 750, 850]);
        assert_eq!(seen[seen.len() - 4..], [1450, 1550, 2050, 2550]);
    }

    #[test]
    fn trends_have_ten_points_a_second_whoever_looks() {
        let mut sut = Showing::default();
        let ticks = (0..40).map(|nth| Mono::START + Micros::from_millis(nth * 50));
        assert_eq!(ticks.filter(|now| sut.takes_note(*now)).count(), 20);
    }
}
