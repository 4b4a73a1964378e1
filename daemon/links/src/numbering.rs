//! Gaps in the numbers of a node's messages. A node counts its messages, or those of each channel apart; only the first
//! shows what is missing, and which of the two it does is seen from the numbers themselves.

/// A longer gap is a node that began anew, not so many lost messages.
const LONGEST_GAP: i32 = 1000;

/// The numbers of one node since its boot.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Numbering {
    newest: Option<u32>,
    /// It counts each channel apart.
    by_channel: bool,
}

impl Numbering {
    pub(crate) const fn new() -> Self {
        Self { newest: None, by_channel: false }
    }

    /// How many messages are missing before this one.
    pub(crate) fn missing(&mut self, number: u32) -> u64 {
        let Some(newest) = self.newest else {
            self.newest = Some(number);
            return 0;
        };
        let step = number.wrapping_sub(newest).cast_signed();
        // The same number again is a repetition over the air, or another channel's count.
        self.by_channel |= step == 0;
        if step <= 0 || self.by_channel {
            return 0;
        }
        self.newest = Some(number);
        let gap = step - 1;
        if gap <= LONGEST_GAP { u64::from(gap.unsigned_abs()) } else { 0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gaps_are_counted_where_a_node_counts_its_messages() {
        let cases: [(&[u32], u64, &str); 7] = [
            (&[1, 2, 3], 0, "in order"),
            (&[1, 4, 5], 2, "two missing"),
            (&[u32::MAX, 0, 1], 0, "the numbers wrap"),
            (&[u32::MAX - 1, 1], 2, "a gap over the wrap"),
            (&[5, 3, 6], 0, "one that came late is not missing again"),
            (&[1, 1, 9, 2, 2, 10], 0, "channels counted apart"),
            (&[1, 100_000], 0, "begun anew"),
        ];
        for (numbers, want, why) in cases {
            let mut numbering = Numbering::new();
            let missing: u64 = numbers.iter().map(|it| numbering.missing(*it)).sum();
            assert_eq!(missing, want, "{why}");
        }
    }
}
