//! Extra delay of a node's readings, from its own millisecond clock. A constant delay is invisible to this; what it finds is
//! the reading that waited in a queue while the line or the broker was stuck.
//!
//! The offset of the node's clock is the least of (arrival - node time) over the last one or two half windows, so that it
//! may rise as the crystal drifts (100 ppm: 3 ms in half a window).

use std::time::{Duration, Instant};

/// Half of the sliding window.
const HALF_WINDOW: Duration = Duration::from_secs(30);

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
        if arrived.saturating_duration_since(self.half_began) >= HALF_WINDOW {
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
}
