//! What a step is measured against: the lowest good sample of the last window, or of the last three samples.

use wiring::units::{Microamps, Micros, Mono};

/// At least so many samples count, however slow they come.
const LEAST_SAMPLES: usize = 3;
/// At most so many: a window of 60 ms at 500 Hz.
const MOST_SAMPLES: usize = 32;
/// Lows are remembered at this pace.
const PACE: Micros = Micros::from_millis(100);
/// For 1.6 s.
const LOWS: usize = 16;
/// The load before a disturbance is looked for so long before it.
const BEFORE: Micros = Micros::from_millis(150);

/// The recent past of one current.
#[derive(Clone, Debug)]
pub(crate) struct Baseline {
    window: Micros,
    samples: [(Mono, Microamps); MOST_SAMPLES],
    count: usize,
    next: usize,
    lows: [(Mono, Microamps); LOWS],
    low_count: usize,
    low_next: usize,
}

impl Baseline {
    /// With a window.
    pub(crate) const fn new(window: Micros) -> Self {
        let empty = (Mono(0), Microamps(0));
        Self {
            window,
            samples: [empty; MOST_SAMPLES],
            count: 0,
            next: 0,
            lows: [empty; LOWS],
            low_count: 0,
            low_next: 0,
        }
    }

    /// Another window.
    pub(crate) fn resettle(&mut self, window: Micros) {
        self.window = window;
    }

    /// Takes a good sample, after [`Self::low`] was asked for it.
    pub(crate) fn push(&mut self, at: Mono, amps: Microamps) {
        self.samples[self.next] = (at, amps);
        self.next = (self.next + 1) % MOST_SAMPLES;
        self.count = (self.count + 1).min(MOST_SAMPLES);
        let due = self.latest_low().is_none_or(|(noted, _)| noted + PACE <= at);
        if due && let Some(low) = self.low(at) {
            self.lows[self.low_next] = (at, low);
            self.low_next = (self.low_next + 1) % LOWS;
            self.low_count = (self.low_count + 1).min(LOWS);
        }
    }

    /// The lowest of the samples taken so far that count at `now`; none before the first.
    pub(crate) fn low(&self, now: Mono) -> Option<Microamps> {
        let from = now - self.window;
        let counts = |it: &(usize, &(Mono, Microamps))| it.0 < LEAST_SAMPLES || from <= it.1.0;
        self.newest_first().enumerate().take_while(counts).map(|(_, &(_, amps))| amps).min()
    }

    /// The low a little before `at`: the load before a disturbance that began there.
    pub(crate) fn load_before(&self, at: Mono) -> Option<Microamps> {
        let until = at - BEFORE;
        let mut nth = self.low_next;
        for _ in 0..self.low_count {
            nth = (nth + LOWS - 1) % LOWS;
            let (noted, low) = self.lows[nth];
            if noted <= until {
                return Some(low);
            }
        }
        None
    }

    fn latest_low(&self) -> Option<(Mono, Microamps)> {
        (self.low_count > 0).then(|| self.lows[(self.low_next + LOWS - 1) % LOWS])
    }

    fn newest_first(&self) -> impl Iterator<Item = &(Mono, Microamps)> {
        let (newer, older) = self.samples.split_at(self.next);
        newer.iter().rev().chain(older.iter().rev()).take(self.count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_window_or_three_samples_whichever_is_longer() {
        // Fast samples: the window decides. Slow ones: the last three count whatever their age.
        check(&[(0, 1), (20, 5), (40, 5), (60, 5)], 60, Some(1));
        check(&[(0, 1), (20, 5), (40, 5), (61, 5)], 80, Some(5));
        check(&[(0, 1), (500, 5), (1000, 5)], 1500, Some(1));
        check(&[(0, 1), (500, 5), (1000, 5), (1500, 5)], 2000, Some(5));
        check(&[], 0, None);
    }

    #[track_caller]
    fn check(samples: &[(u64, i64)], now: u64, want: Option<i64>) {
        let mut sut = Baseline::new(Micros::from_millis(60));
        for (at, amps) in samples {
            sut.push(Mono(at * 1000), Microamps(*amps));
        }
        assert_eq!(sut.low(Mono(now * 1000)), want.map(Microamps));
    }
}
