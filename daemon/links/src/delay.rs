//! Extra delay of a node's readings, from its own millisecond clock. A constant delay is invisible to this; what it finds is
//! the reading that waited in a queue while the line or the broker was stuck.
//!
//! The offset of the node's clock is the least of (arrival - node time) over the last one or two half windows, so that it
//! may rise as the crystal drifts (100 ppm: 3 ms in half a window).
//!
//! An offset that moves by more than [`SKEW`] from one half window to the next is no drift of a crystal: the node's clock
//! jumped, or runs more than 1.6 % fast or slow. Then nobody knows when its readings were taken.

use std::time::{Duration, Instant};

/// Half of the sliding window.
const HALF_WINDOW: Duration = Duration::from_secs(30);
/// An offset that moves further in half a window is told. Common practice, no source: what makes a reading late over MQTT.
/// Unit: ms.
const SKEW: i64 = 500;

/// Estimate for one node and one boot.
#[derive(Clone, Debug)]
pub(crate) struct DelayEstimate {
    base: Instant,
    /// The node's time without wrapping. Unit: ms.
    node: i64,
    last_ms: u32,
    half_began: Instant,
    least_now: i64,
    least_before: i64,
    largest: u32,
    /// How far the offset moved, where that was too far; as told last.
    skew: Option<u32>,
    news: bool,
    /// The half window before this one held a long silence.
    was_silent: bool,
}

impl DelayEstimate {
    /// From the first message of a boot, which counts as undelayed until a better one is seen.
    pub(crate) fn new(arrived: Instant, ms: u32) -> Self {
        let node = i64::from(ms);
        Self {
            base: arrived,
            node,
            last_ms: ms,
            half_began: arrived,
            least_now: -node,
            least_before: i64::MAX,
            largest: 0,
            skew: None,
            news: false,
            was_silent: false,
        }
    }

    /// Takes a message and tells its extra delay over the best line. Unit: ms.
    pub(crate) fn extra(&mut self, arrived: Instant, ms: u32) -> u32 {
        let step = i64::from(ms.wrapping_sub(self.last_ms).cast_signed());
        let node = self.node + step;
        if step > 0 {
            self.node = node;
            self.last_ms = ms;
        }
        let arrival = arrived.saturating_duration_since(self.base).as_millis();
        let offset = i64::try_from(arrival).unwrap_or(i64::MAX / 2) - node;
        let half = arrived.saturating_duration_since(self.half_began);
        if half >= HALF_WINDOW {
            self.judge_skew(half);
            self.least_before = self.least_now;
            self.least_now = offset;
            self.half_began = arrived;
            self.largest = 0;
        }
        self.least_now = self.least_now.min(offset);
        let extra = offset - self.least_now.min(self.least_before);
        let extra = u32::try_from(extra).unwrap_or(u32::MAX);
        self.largest = self.largest.max(extra);
        extra
    }

    /// At the end of a half window. One with a long silence tells nothing: every crystal drifts as far in hours.
    fn judge_skew(&mut self, half: Duration) {
        let silent = half >= HALF_WINDOW * 2;
        let was_silent = std::mem::replace(&mut self.was_silent, silent);
        if self.least_before == i64::MAX || silent || was_silent {
            return;
        }
        let moved = self.least_now.abs_diff(self.least_before);
        let skew = (SKEW.unsigned_abs() < moved).then(|| u32::try_from(moved).unwrap_or(u32::MAX));
        self.news |= skew.is_some() != self.skew.is_some();
        self.skew = skew;
    }

    /// Whether the node's clock agrees with ours, when that changed: by how much it does not, or none where it does
    /// again. Unit: ms.
    pub(crate) fn poll_skew(&mut self) -> Option<Option<u32>> {
        std::mem::take(&mut self.news).then_some(self.skew)
    }

    /// Largest extra delay of this half window. Unit: ms.
    pub(crate) const fn largest(&self) -> u32 {
        self.largest
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(start: Instant, ms: u64) -> Instant {
        start + Duration::from_millis(ms)
    }

    #[test]
    fn a_reading_that_waited_shows_its_wait() {
        let start = Instant::now();
        let mut delay = DelayEstimate::new(at(start, 5), 1000);
        assert_eq!(delay.extra(at(start, 15), 1010), 0);
        assert_eq!(delay.extra(at(start, 725), 1020), 700);
        assert_eq!(delay.extra(at(start, 735), 1730), 0);
        assert_eq!(delay.largest(), 700);
    }

    #[test]
    fn the_millisecond_clock_may_wrap() {
        let start = Instant::now();
        let mut delay = DelayEstimate::new(at(start, 0), 0xFFFF_FF00);
        assert_eq!(delay.extra(at(start, 0x100), 0), 0);
        assert_eq!(delay.extra(at(start, 0x100 + 300), 100), 200);
    }

    #[test]
    fn a_slow_crystal_does_not_make_readings_late() {
        let start = Instant::now();
        let mut delay = DelayEstimate::new(start, 0);
        let worst = (1..6000_u64).map(|tenth| {
            let ms = tenth * 100;
            delay.extra(at(start, ms + ms / 10_000), u32::try_from(ms).expect("ten minutes"))
        });
        assert!(worst.max().expect("some") <= 7, "100 ppm is 6 ms a minute");
    }

    /// Ten readings a second for three minutes. `clock` is the node's time at a time of ours; what is told, at which
    /// second.
    #[track_caller]
    fn check_skew(clock: impl Fn(u64) -> u64, want: &[(u64, Option<u32>)]) {
        let start = Instant::now();
        let mut delay = DelayEstimate::new(start, u32::try_from(clock(0)).expect("short"));
        let mut told = Vec::new();
        for ms in (100..180_000).step_by(100) {
            delay.extra(at(start, ms), u32::try_from(clock(ms)).expect("short"));
            told.extend(delay.poll_skew().map(|it| (ms / 1000, it)));
        }
        assert_eq!(told, want);
    }

    #[test]
    fn a_clock_that_jumps_is_told_until_it_is_steady_again() {
        check_skew(|ms| ms, &[]);
        let ahead = |ms| if ms < 70_000 { ms } else { ms + 2000 };
        check_skew(ahead, &[(90, Some(2000)), (120, None)]);
        // The half window that the jump falls into keeps the offset from before it.
        let back = |ms| if ms < 70_000 { ms + 2000 } else { ms };
        check_skew(back, &[(120, Some(2000)), (150, None)]);
    }

    #[test]
    fn a_clock_is_told_at_two_percent_and_not_at_one() {
        check_skew(|ms| ms + ms / 100, &[]);
        check_skew(|ms| ms + ms / 50, &[(60, Some(600))]);
        check_skew(|ms| ms - ms / 50, &[(60, Some(600))]);
    }

    #[test]
    fn a_long_silence_is_no_skew() {
        let start = Instant::now();
        let mut delay = DelayEstimate::new(start, 0);
        for ms in [0, 31_000, 62_000, 10_000_000, 10_031_000] {
            let drifted = u32::try_from(ms + ms / 10_000).expect("hours");
            delay.extra(at(start, ms), drifted);
            assert_eq!(delay.poll_skew(), None, "{ms}");
        }
    }
}
