//! A bounded ring of samples: the oldest falls out. Its memory is taken with the first sample of its channel.

use wiring::units::Mono;

use crate::input::Value;

/// Samples of one channel, oldest first.
#[derive(Clone, Debug)]
pub(crate) struct Ring {
    samples: Vec<(Mono, Value)>,
    capacity: usize,
    /// Where the next sample goes once the ring is full: also the oldest.
    next: usize,
}

impl Ring {
    /// For `capacity` samples.
    pub(crate) fn new(capacity: usize) -> Self {
        Self { samples: Vec::new(), capacity, next: 0 }
    }

    /// Takes a sample.
    pub(crate) fn push(&mut self, at: Mono, value: Value) {
        if self.samples.len() < self.capacity {
            if self.samples.is_empty() {
                self.samples.reserve_exact(self.capacity);
            }
            self.samples.push((at, value));
        } else {
            self.samples[self.next] = (at, value);
            self.next = (self.next + 1) % self.capacity;
        }
    }

    /// Samples that are kept.
    pub(crate) const fn len(&self) -> usize {
        self.samples.len()
    }

    /// Samples, oldest first.
    pub(crate) fn iter(&self) -> impl Iterator<Item = (Mono, Value)> + '_ {
        let (newer, older) = self.samples.split_at(self.next);
        older.iter().chain(newer).copied()
    }

    /// Samples, newest first.
    pub(crate) fn newest_first(&self) -> impl Iterator<Item = (Mono, Value)> + '_ {
        let (newer, older) = self.samples.split_at(self.next);
        newer.iter().rev().chain(older.iter().rev()).copied()
    }

    /// The latest sample taken at or before `at`.
    pub(crate) fn as_of(&self, at: Mono) -> Option<(Mono, Value)> {
        self.newest_first().find(|(taken, _)| *taken <= at)
    }
}

#[cfg(test)]
mod tests {
    use wiring::units::Microamps;

    use super::*;

    #[test]
    fn the_oldest_sample_falls_out() {
        let mut sut = Ring::new(3);
        for at in 1..=5 {
            sut.push(Mono(at), Value::Current(Microamps(at as i64)));
        }
        let times: Vec<u64> = sut.iter().map(|(at, _)| at.0).collect();
        assert_eq!(times, [3, 4, 5]);
        assert_eq!(sut.as_of(Mono(4)).map(|(at, _)| at), Some(Mono(4)));
        assert_eq!(sut.as_of(Mono(2)), None);
    }
}
