//! The supervisor's sign of life. Permits leave only while it is young, so that a supervisor that hangs lets power fall.

use std::{
    sync::{
        Arc,
        atomic::{AtomicU64, Ordering},
    },
    time::{Duration, Instant},
};

/// A permit leaves only when the last tick is younger than this.
pub(crate) const LONGEST_TICK_AGE: Duration = Duration::from_millis(200);

/// Shared between the supervisor's task, which beats, and the links, which look.
#[derive(Clone, Debug)]
pub struct Tick {
    start: Instant,
    /// Milliseconds since `start`, plus one; zero: never beaten.
    last: Arc<AtomicU64>,
}

impl Tick {
    /// A tick that has not beaten yet: no permits.
    #[must_use]
    pub fn new() -> Self {
        Self { start: Instant::now(), last: Arc::new(AtomicU64::new(0)) }
    }

    /// The supervisor has looked at everything that was due.
    pub fn beat(&self) {
        self.last.store(self.millis() + 1, Ordering::Release);
    }

    /// Time since the last beat; none before the first.
    #[must_use]
    pub fn age(&self) -> Option<Duration> {
        let last = self.last.load(Ordering::Acquire).checked_sub(1)?;
        Some(Duration::from_millis(self.millis().saturating_sub(last)))
    }

    /// The supervisor is alive: permits may leave.
    pub(crate) fn is_young(&self) -> bool {
        self.age().is_some_and(|age| age < LONGEST_TICK_AGE)
    }

    fn millis(&self) -> u64 {
        u64::try_from(self.start.elapsed().as_millis()).unwrap_or(u64::MAX - 1)
    }
}

impl Default for Tick {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tick_that_never_beat_permits_nothing() {
        let tick = Tick::new();
        assert!(!tick.is_young());
        tick.beat();
        assert!(tick.is_young());
    }
}
