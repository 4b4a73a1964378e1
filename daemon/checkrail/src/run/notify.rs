//! The service manager: told when Checkrail is ready and when it stops, and fed its watchdog by the supervisor's own
//! task, so that a supervisor that hangs is restarted.

use std::time::{Duration, Instant};

use sd_notify::NotifyState;

/// The watchdog, where the service manager has set one.
#[derive(Debug)]
pub struct Watchdog {
    every: Option<Duration>,
    fed: Instant,
}

impl Watchdog {
    /// As the service manager wants it.
    #[must_use]
    pub fn from_environment() -> Self {
        // A third of the limit leaves room for two missed turns.
        let every = sd_notify::watchdog_enabled().map(|limit| limit / 3);
        Self { every, fed: Instant::now() }
    }

    /// Feeds it when it is due. Called at least every 50 ms.
    pub fn feed(&mut self) {
        let Some(every) = self.every else { return };
        if self.fed.elapsed() >= every {
            self.fed = Instant::now();
            tell(&[NotifyState::Watchdog]);
        }
    }
}

/// Checkrail watches.
pub fn ready() {
    tell(&[NotifyState::Ready]);
}

/// Checkrail reads its settings anew, and says when it is ready.
pub fn reloading() {
    let Ok(now) = NotifyState::monotonic_usec_now() else { return };
    tell(&[NotifyState::Reloading, now]);
}

/// Checkrail stops.
pub fn stopping() {
    tell(&[NotifyState::Stopping]);
}

/// Without a service manager nobody listens, which is no failure.
fn tell(states: &[NotifyState<'_>]) {
    let _ = sd_notify::notify(states);
}
