//! Order of one channel's readings: the same twice, an older one after a newer one, the next one.

/// What the number and the time of a reading say.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum InOrder {
    /// Newer than all before.
    Next,
    /// The same number, or for a measured quantity the same node time, as the newest.
    Again,
    /// Older than the newest.
    Old,
    /// It carries no number.
    Unnumbered,
}

/// The newest reading of one channel. Channels that only tell changes may change twice in one millisecond; measured
/// quantities may not.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Newest {
    boot: Option<u32>,
    number: Option<u32>,
    ms: Option<u32>,
}

impl Newest {
    /// Judges a reading and remembers it if it is the newest.
    pub(crate) fn judge(
        &mut self,
        boot: Option<u32>,
        number: Option<u32>,
        ms: Option<u32>,
        measured: bool,
    ) -> InOrder {
        if boot.is_some() && boot != self.boot {
            *self = Self { boot, number, ms };
            return if number.is_some() { InOrder::Next } else { InOrder::Unnumbered };
        }
        let same_time = measured && ms.is_some() && ms == self.ms;
        let judged = match (number, self.number) {
            (Some(number), Some(newest)) => match number.wrapping_sub(newest).cast_signed() {
                0 => InOrder::Again,
                ..0 => InOrder::Old,
                1.. if same_time => InOrder::Again,
                1.. => InOrder::Next,
            },
            (Some(_), None) => InOrder::Next,
            (None, _) if same_time => InOrder::Again,
            (None, _) => InOrder::Unnumbered,
        };
        if matches!(judged, InOrder::Next | InOrder::Unnumbered) {
            self.number = number.or(self.number);
            self.ms = ms.or(self.ms);
        }
        judged
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn repetition_and_wrong_order_are_seen() {
        use InOrder as O;
        let cases = [
            (Some(1), Some(10), Some(100), O::Next, "first"),
            (Some(1), Some(11), Some(110), O::Next, "next"),
            (Some(1), Some(11), Some(110), O::Again, "the same line twice"),
            (Some(1), Some(10), Some(100), O::Old, "an older one"),
            (Some(1), Some(12), Some(110), O::Again, "a frozen clock"),
            (Some(1), Some(20), Some(120), O::Next, "a gap"),
            (Some(1), None, None, O::Unnumbered, "bare"),
            (Some(2), Some(3), Some(5), O::Next, "the node restarted"),
            (Some(2), Some(0xFFFF_FFFF), Some(6), O::Old, "older across the wrap"),
        ];
        let mut newest = Newest::default();
        for (boot, number, ms, want, why) in cases {
            assert_eq!(newest.judge(boot, number, ms, true), want, "{why}");
        }
    }

    #[test]
    fn the_wrap_of_the_number_is_no_loss() {
        let mut newest = Newest::default();
        newest.judge(Some(1), Some(u32::MAX), None, true);
        assert_eq!(newest.judge(Some(1), Some(0), None, true), InOrder::Next);
    }

    #[test]
    fn a_state_may_change_twice_in_a_millisecond() {
        let mut newest = Newest::default();
        newest.judge(Some(1), Some(1), Some(7), false);
        assert_eq!(newest.judge(Some(1), Some(2), Some(7), false), InOrder::Next);
    }
}
