//! Repetition, order and delay of one channel's foreign readings, from the number and the time that the sender puts into
//! its messages.
//!
//! It says nothing of a restart. Numbers and times that have gone back and go on from there for two seconds, with nothing
//! newer between, are a sender that began anew; a late copy or a backlog ends sooner or lies between newer ones.

use std::time::{Duration, Instant};

use supervision::input::Quality;

use crate::delay::DelayEstimate;

/// A reading later than this over the best line is late. Unit: ms.
const LATE_AFTER: u32 = 500;
/// A clock that shows whole seconds makes readings look so much later. Unit: ms.
const COARSE: u32 = 1000;
/// A clock that is set may go back this far without being another. Unit: ms.
const SET_BACK: i32 = 1000;
/// A sender that has gone back for this long began anew.
const ANEW_AFTER: Duration = Duration::from_secs(2);
/// A longer gap is a sender that began anew, not so many lost messages.
const LONGEST_GAP: i32 = 1000;

/// What a message says of its own order and age.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub(super) struct Stamp {
    /// `seq`.
    pub(super) number: Option<u32>,
    /// `time`.
    pub(super) time: Option<SenderTime>,
}

/// Time by the sender's clock.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) struct SenderTime {
    /// Modulo 2^32. Unit: ms.
    pub(super) ms: u32,
    /// It shows more than whole seconds.
    pub(super) is_fine: bool,
}

/// What a reading is worth.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) struct Judged {
    /// None: a state older than the one known.
    pub(super) quality: Option<Quality>,
    /// It was repeated, or older than the newest.
    pub(super) out_of_order: bool,
    /// Messages missing before it.
    pub(super) missing: u64,
}

/// The sender of one channel.
#[derive(Clone, Debug, Default)]
pub(super) struct Source {
    number: Option<u32>,
    ms: Option<u32>,
    delay: Option<DelayEstimate>,
    /// Its clock has shown more than whole seconds.
    is_fine: bool,
    /// Gone back since then.
    back_since: Option<Instant>,
}

impl Source {
    /// Judges a message and remembers it if it is the newest. Measured quantities do not change twice in a millisecond.
    pub(super) fn judge(&mut self, stamp: Stamp, is_measured: bool, at: Instant) -> Judged {
        if self.has_gone_back(stamp) {
            let since = *self.back_since.get_or_insert(at);
            if at.saturating_duration_since(since) < ANEW_AFTER {
                // An older state is no news. An older current may still be a warning.
                let quality = is_measured.then_some(Quality::Late);
                return Judged { quality, out_of_order: true, missing: 0 };
            }
            *self = Self { is_fine: self.is_fine, ..Self::default() };
        }
        self.back_since = None;
        self.is_fine |= stamp.time.is_some_and(|time| time.is_fine);
        let is_late = stamp.time.is_some_and(|time| self.is_late(time.ms, at));
        let is_again = self.is_again(stamp, is_measured);
        let missing = self.missing(stamp.number);
        self.number = stamp.number.or(self.number);
        self.ms = stamp.time.map(|time| time.ms).or(self.ms);
        let quality = match stamp.number {
            _ if is_again => Quality::Resent,
            _ if is_late => Quality::Late,
            Some(_) => Quality::Good,
            None => Quality::Bare,
        };
        Judged { quality: Some(quality), out_of_order: is_again, missing }
    }

    /// Largest extra delay lately. Unit: ms.
    pub(super) fn lag(&self) -> u32 {
        self.delay.as_ref().map_or(0, DelayEstimate::largest)
    }

    fn has_gone_back(&self, stamp: Stamp) -> bool {
        let step = |now: Option<u32>, before: Option<u32>| {
            now.zip(before).map_or(0, |(now, before)| now.wrapping_sub(before).cast_signed())
        };
        let ms = stamp.time.map(|time| time.ms);
        step(stamp.number, self.number) < 0 || step(ms, self.ms) < -SET_BACK
    }

    fn is_again(&self, stamp: Stamp, is_measured: bool) -> bool {
        let same_number = stamp.number.is_some() && stamp.number == self.number;
        let ms = stamp.time.map(|time| time.ms);
        same_number || (is_measured && self.is_fine && ms.is_some() && ms == self.ms)
    }

    fn is_late(&mut self, ms: u32, at: Instant) -> bool {
        let limit = if self.is_fine { LATE_AFTER } else { LATE_AFTER + COARSE };
        let delay = self.delay.get_or_insert_with(|| DelayEstimate::new(at, ms));
        delay.extra(at, ms) > limit
    }

    fn missing(&self, number: Option<u32>) -> u64 {
        let Some((number, newest)) = number.zip(self.number) else { return 0 };
        let gap = number.wrapping_sub(newest).cast_signed().saturating_sub(1);
        if (1..=LONGEST_GAP).contains(&gap) { u64::from(gap.unsigned_abs()) } else { 0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A message: when it comes, its number, its time; what it is worth, as `good bare late resent -`.
    type Case = (u64, Option<u32>, Option<u32>, &'static str);

    fn run(cases: &[Case], is_measured: bool, is_fine: bool) -> u64 {
        let (start, mut source, mut missing) = (Instant::now(), Source::default(), 0);
        for (nth, (at, number, ms, want)) in cases.iter().enumerate() {
            let time = ms.map(|ms| SenderTime { ms, is_fine });
            let at = start + Duration::from_millis(*at);
            let judged = source.judge(Stamp { number: *number, time }, is_measured, at);
            missing += judged.missing;
            let got = match judged.quality {
                Some(Quality::Good) => "good",
                Some(Quality::Bare) => "bare",
                Some(Quality::Late) => "late",
                Some(Quality::Resent) => "resent",
                None => "-",
            };
            assert_eq!(got, *want, "message {nth} of {cases:?}");
        }
        missing
    }

    #[test]
    fn numbers_show_repetition_order_and_loss() {
        let cases = [
            (0, Some(5), None, "good"),
            (10, Some(6), None, "good"),
            (11, Some(6), None, "resent"),
            (20, Some(5), None, "late"),
            (30, Some(9), None, "good"),
            (40, Some(u32::MAX), None, "late"),
            (50, Some(20_000), None, "good"),
            (60, None, None, "bare"),
        ];
        assert_eq!(run(&cases, true, true), 2);
        let wraps = [(0, Some(u32::MAX), None, "good"), (10, Some(0), None, "good")];
        assert_eq!(run(&wraps, true, true), 0);
    }

    #[test]
    fn an_older_state_is_no_news() {
        let cases =
            [(0, Some(5), None, "good"), (10, Some(4), None, "-"), (20, Some(6), None, "good")];
        run(&cases, false, true);
    }

    #[test]
    fn a_time_shows_what_waited_on_its_way() {
        let cases = [
            (0, None, Some(1000), "bare"),
            (20, None, Some(1020), "bare"),
            (21, None, Some(1020), "resent"),
            (5040, None, Some(1040), "late"),
            (5041, None, Some(6041), "bare"),
        ];
        run(&cases, true, true);
        let both = [(0, Some(1), Some(0), "good"), (900, Some(2), Some(20), "late")];
        run(&both, true, true);
    }

    #[test]
    fn a_clock_of_whole_seconds_is_no_delay_and_no_repetition() {
        let cases = [
            (0, None, Some(0), "bare"),
            (500, None, Some(0), "bare"),
            (980, None, Some(0), "bare"),
            (1000, None, Some(1000), "bare"),
            (3600, None, Some(2000), "late"),
        ];
        run(&cases, true, false);
    }

    #[test]
    fn a_sender_that_begins_anew_is_believed_after_two_seconds() {
        let cases = [
            (0, Some(900), Some(90_000), "good"),
            (100, Some(1), Some(10), "late"),
            (1100, Some(2), Some(1010), "late"),
            (2050, Some(3), Some(1960), "late"),
            (2100, Some(4), Some(2010), "good"),
            (2200, Some(5), Some(2110), "good"),
        ];
        run(&cases, true, true);
    }

    #[test]
    fn a_backlog_between_live_readings_never_is_the_newest() {
        let mut cases = Vec::new();
        for step in 0..40 {
            cases.push((step * 100, Some(1000 + step as u32), None, "good"));
            cases.push((step * 100 + 50, Some(step as u32), None, "late"));
        }
        run(&cases, true, true);
    }
}
