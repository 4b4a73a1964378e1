//! What the supervisor's shell shows the dashboard, and what the dashboard asks of it.

use std::time::Instant;

use serde::Serialize;
use supervision::{
    alarm::AlarmKind,
    commission::When,
    input::OperatorRequest,
    output::{PowerState, Refusal},
    snapshot::Snapshot,
};
use tokio::sync::oneshot;
use wiring::units::Mono;

/// The state at one instant with its wall-clock time. Shown through a [`Window`](crate::Window).
#[derive(Clone, Debug)]
pub struct View {
    /// Everything that can be shown.
    pub snapshot: Snapshot,
    /// Wall-clock time of `snapshot.at`: that of the start and the time since, each in whole milliseconds. Unit:
    /// milliseconds since 1970-01-01 UTC.
    pub wall_ms: i64,
    /// When the shell made it: the age of what is on the page counts from here.
    pub made: Instant,
    /// State of each link, in the order of the layout file.
    pub links: Vec<LinkView>,
    /// The history can be written.
    pub history_ok: bool,
}

impl View {
    /// A view made now, with nothing said of links.
    #[must_use]
    pub fn new(snapshot: Snapshot, wall_ms: i64) -> Self {
        Self { snapshot, wall_ms, made: Instant::now(), links: Vec::new(), history_ok: true }
    }

    /// Districts that no fresh current protects, but for those that are cut.
    #[must_use]
    pub fn not_protected(&self) -> usize {
        let districts = self.snapshot.districts.iter();
        districts.filter(|it| !it.protected && it.power != PowerState::Cut).count()
    }

    /// Sensors and nodes of which an alarm says that nothing comes from them.
    #[must_use]
    pub fn silent(&self) -> usize {
        let silent = [AlarmKind::ReadingStale, AlarmKind::NodeOffline];
        let standing = self.snapshot.alarms.iter().filter(|it| it.cleared.is_none());
        standing.filter(|it| silent.contains(&it.alarm.kind)).count()
    }

    /// Wall-clock time of an instant of the supervisor. Unit: milliseconds since 1970-01-01 UTC.
    #[must_use]
    pub fn wall_of(&self, instant: Mono) -> i64 {
        // Each on whole milliseconds first: the same instant is the same number in every view of a run.
        let ms = |at: Mono| i64::try_from(at.0 / 1000).unwrap_or(i64::MAX);
        self.wall_ms.saturating_add(ms(instant).saturating_sub(ms(self.snapshot.at)))
    }

    /// The same of an instant that may be of an earlier run.
    #[must_use]
    pub fn wall_of_when(&self, when: When) -> i64 {
        match when {
            When::Run(at) => self.wall_of(at),
            When::Utc(us) => us / 1000,
        }
    }
}

/// State of one link.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct LinkView {
    /// `mqtt`, `serial/NAME`, `modbus/NAME`, `lcc/NAME`.
    pub name: String,
    /// It is connected.
    pub up: bool,
    /// What it does or waits for, in words.
    pub text: String,
    /// Messages that could not be used since the start.
    pub unusable: u64,
    /// The newest of them, where its reason is known.
    pub last_unusable: Option<UnusableView>,
}

/// A message that could not be used.
#[derive(Clone, Debug, Eq, PartialEq, Serialize)]
pub struct UnusableView {
    /// When it came. Unit: milliseconds since 1970-01-01 UTC.
    pub at: i64,
    /// From where, and why, in words.
    pub text: String,
}

/// A request of a signed-in person, and where the answer goes.
#[derive(Debug)]
pub struct Command {
    /// What is asked. Its `id` counts up from 1 within this dashboard.
    pub request: OperatorRequest,
    /// Done, or why not.
    pub answer: oneshot::Sender<Result<(), Refusal>>,
}
