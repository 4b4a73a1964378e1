//! The only clock of the program. Everything behind it is handed instants.

use std::time::{Instant, SystemTime, UNIX_EPOCH};

use wiring::units::{Micros, Mono};

/// Monotonic time since the daemon's start, and wall-clock time for the records.
#[derive(Clone, Copy, Debug)]
pub struct Clock {
    start: Instant,
    /// Wall clock at `start`, microseconds since 1970. Records show start + monotonic time, so that a clock that is
    /// set during a session changes nothing in their order.
    wall_start: i64,
}

impl Clock {
    /// Starts now.
    #[must_use]
    pub fn start() -> Self {
        Self { start: Instant::now(), wall_start: wall_now() }
    }

    /// The present instant.
    #[must_use]
    pub fn now(&self) -> Mono {
        self.at(Instant::now())
    }

    /// An instant that a link stamped. Before the start counts as the start.
    #[must_use]
    pub fn at(&self, instant: Instant) -> Mono {
        let since = instant.saturating_duration_since(self.start);
        Mono(u64::try_from(since.as_micros()).unwrap_or(u64::MAX))
    }

    /// The instant as the runtime's timers want it.
    #[must_use]
    pub fn instant(&self, at: Mono) -> Instant {
        self.start + std::time::Duration::from_micros(at.0)
    }

    /// Wall clock of an instant, microseconds since 1970.
    #[must_use]
    pub fn wall(&self, at: Mono) -> i64 {
        self.wall_start.saturating_add(i64::try_from(at.0).unwrap_or(i64::MAX))
    }

    /// The same in whole milliseconds of the start and of the time since, so that the same instant is the same number
    /// whenever and from wherever it is counted.
    #[must_use]
    pub fn wall_ms(&self, at: Mono) -> i64 {
        (self.wall_start / 1000).saturating_add(i64::try_from(at.0 / 1000).unwrap_or(i64::MAX))
    }

    /// A number that tells this run's orders from the last run's: no two runs start in one second.
    #[must_use]
    pub const fn run_number(&self) -> u16 {
        (self.wall_start / 1_000_000 % 0x1_0000) as u16
    }
}

/// The wall clock, microseconds since 1970.
#[must_use]
pub fn wall_now() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_micros()).unwrap_or(i64::MAX)
}

/// A span as the runtime takes it.
#[must_use]
pub const fn duration(span: Micros) -> std::time::Duration {
    std::time::Duration::from_micros(span.0)
}

/// The same the other way, in whole microseconds.
#[must_use]
pub const fn micros(span: std::time::Duration) -> Micros {
    Micros(span.as_micros() as u64)
}
