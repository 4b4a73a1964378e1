//! The daemon's hand on the history. Records and asks without ever waiting for a disk; a history that cannot be opened
//! is an alarm, never a reason not to watch.

use std::{
    path::{Path, PathBuf},
    sync::{Arc, Mutex, PoisonError},
    time::Duration,
};

use dashboard::Archive;
use history::{History, Item, Names, Notice, Settings, Unsaved, What};
use supervision::{
    input::{Act, LinkReport, Shelving},
    output::Output,
    start::Remembered,
};
use tracing::{error, info};
use wiring::units::Mono;

use crate::{
    run::{archive::Shelf, standing},
    source::Loaded,
};

/// Writes the history and lets the dashboard read it.
pub struct Archivist {
    history: History,
    /// Set by the writer's thread, looked at by the supervisor's.
    health: Arc<Mutex<Health>>,
    /// What the supervisor was told last.
    told: Health,
    folder: PathBuf,
}

/// How the history is.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
struct Health {
    failing: bool,
    /// It failed since this was last looked at, even if it works again.
    failed: bool,
    /// Items lost since the start.
    lost: u64,
}

impl Archivist {
    /// Opens the history in `folder`, and goes on trying where that fails. `now` is the same instant on the monotonic and
    /// the wall clock.
    #[must_use]
    pub fn open(folder: &Path, loaded: &Loaded, now: (Mono, i64)) -> Self {
        let health = Arc::new(Mutex::new(Health::default()));
        let names = Names::new(loaded.layout.clone(), loaded.channels.clone());
        let heard = health.clone();
        let hear = move |notice| hear(notice, &heard);
        let settings = Settings { begin: standing::stand_back, ..Settings::default() };
        let history = History::start(folder, names, settings, now, hear);
        Self { history, health, told: Health::default(), folder: folder.to_owned() }
    }

    /// What the supervisor starts from.
    #[must_use]
    pub fn remembered(&self) -> Remembered {
        self.history.remembered()
    }

    /// Records a decision.
    pub fn record(&self, output: Output, wall: i64, nodes: &[String]) {
        let name = |node: supervision::input::NodeIx| nodes.get(usize::from(node.0)).cloned();
        if let Some(item) = Item::of(output, wall, name) {
            self.history.record(item);
        }
    }

    /// Records what a person did, once it was done, where the decision itself does not say it.
    pub fn record_act(&self, act: &Act, who: &str, at: Mono, wall: i64) {
        let who = who.to_owned();
        let record = |what| self.history.record(Item { at, utc: wall, what });
        match act {
            Act::Shelve { alarm, lasts, .. } => {
                // One for the session ends when nothing brings it over a restart.
                if let Shelving::For(span) = lasts {
                    record(What::Shelving { alarm: *alarm, until: at + *span });
                }
                record(What::Hand { alarm: *alarm, who });
            }
            Act::Acknowledge(alarm) | Act::OutOfService(alarm) => {
                record(What::Hand { alarm: *alarm, who });
            }
            Act::NameCulprit { fault, suspect } => {
                record(What::Culprit { fault: *fault, suspect: *suspect, who });
            }
            Act::Unshelve(_)
            | Act::Reset(_)
            | Act::ResetFirstOut(_)
            | Act::InService(_)
            | Act::Cut(_)
            | Act::Restore { .. }
            | Act::Hold(_)
            | Act::Release(_)
            | Act::Commission { .. }
            | Act::Throw { .. }
            | Act::Shutdown => {}
        }
    }

    /// What to tell the supervisor, where anything changed: each failure is told, even one that is over already.
    pub fn poll_report(&mut self) -> Option<LinkReport> {
        let mut health = self.health.lock().unwrap_or_else(PoisonError::into_inner);
        let failing = health.failing || health.failed;
        let now = Health { failing, failed: false, lost: health.lost };
        health.failed = false;
        drop(health);
        let before = std::mem::replace(&mut self.told, now);
        let report = LinkReport::HistoryFailing { failing: now.failing, lost: now.lost };
        let more_lost = now.failing && now.lost != before.lost;
        (now.failing != before.failing || more_lost).then_some(report)
    }

    /// The history can be written.
    #[must_use]
    pub fn is_ok(&self) -> bool {
        !self.health.lock().unwrap_or_else(PoisonError::into_inner).failing
    }

    /// The reading side, for the dashboard.
    #[must_use]
    pub fn archive(&self) -> Arc<dyn Archive> {
        Arc::new(Shelf::new(self.folder.clone(), self.history.scribe()))
    }

    /// Saves what waits; false when `patience` was not enough.
    #[must_use]
    pub fn close(self, patience: Duration) -> bool {
        self.history.flush(patience)
    }
}

fn hear(notice: Notice, health: &Mutex<Health>) {
    let set = |failing: bool, unsaved: Unsaved| {
        let mut health = health.lock().unwrap_or_else(PoisonError::into_inner);
        health.failing = failing;
        health.failed |= failing;
        health.lost = unsaved.total();
    };
    match notice {
        Notice::Saved(fault) => info!(fault = fault.0, "FaultSaved"),
        Notice::Failing { why, unsaved } => {
            set(true, unsaved);
            error!(why, lost = unsaved.total(), "HistoryFailed: supervision goes on");
        }
        Notice::Working { unsaved } => {
            set(false, unsaved);
            info!(lost = unsaved.total(), "HistoryRecovered");
        }
    }
}
