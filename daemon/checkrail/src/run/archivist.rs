//! The daemon's hand on the history. Records and asks without ever waiting for a disk; a history that cannot be opened
//! is an alarm, never a reason not to watch.

use std::{
    path::{Path, PathBuf},
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    time::Duration,
};

use dashboard::Archive;
use history::{History, Item, Names, Notice, Opened, Settings, What};
use supervision::{input::Act, output::Output, start::Remembered};
use tracing::{error, info, warn};
use wiring::units::Mono;

use crate::{run::archive::Shelf, source::Loaded};

/// Writes the history and lets the dashboard read it.
pub struct Archivist {
    history: History,
    /// Set by the writer's thread, looked at by the supervisor's.
    failing: Arc<AtomicBool>,
    /// What the supervisor was told last.
    told: bool,
    folder: PathBuf,
}

impl Archivist {
    /// Opens the history in `folder`. `now` is the same instant on the monotonic and the wall clock.
    #[must_use]
    pub fn open(folder: &Path, loaded: &Loaded, now: (Mono, i64)) -> Self {
        let failing = Arc::new(AtomicBool::new(false));
        let names = Names::new(loaded.layout.clone(), loaded.channels.clone());
        let heard = failing.clone();
        let opened = History::open(folder, names, Settings::default(), now, move |notice| {
            hear(notice, &heard)
        });
        let history = match opened {
            Ok(history) => {
                if let Opened::Replaced { .. } = history.opened() {
                    warn!(found = ?history.opened(), "the history could not be read and was set aside");
                }
                history
            }
            Err(failure) => {
                error!(%failure, "there is no history: supervision goes on without");
                failing.store(true, Ordering::Release);
                History::none()
            }
        };
        Self { history, failing, told: false, folder: folder.to_owned() }
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
        let what = match act {
            Act::Shelve { alarm, span, .. } => What::Shelving { alarm: *alarm, until: at + *span },
            Act::NameCulprit { fault, suspect } => {
                What::Culprit { fault: *fault, suspect: *suspect, who: who.to_owned() }
            }
            Act::Acknowledge(_)
            | Act::Unshelve(_)
            | Act::Reset(_)
            | Act::OutOfService(_)
            | Act::InService(_)
            | Act::Cut(_)
            | Act::Restore { .. }
            | Act::Hold(_)
            | Act::Release(_)
            | Act::Commission { .. }
            | Act::Throw { .. }
            | Act::Shutdown => return,
        };
        self.history.record(Item { at, utc: wall, what });
    }

    /// Whether the history has begun to fail, or works again, since it was last asked.
    pub fn poll_failing(&mut self) -> Option<bool> {
        let failing = !self.is_ok();
        (failing != std::mem::replace(&mut self.told, failing)).then_some(failing)
    }

    /// The history can be written.
    #[must_use]
    pub fn is_ok(&self) -> bool {
        !self.failing.load(Ordering::Acquire)
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

fn hear(notice: Notice, failing: &AtomicBool) {
    match notice {
        Notice::Saved(fault) => info!(fault = fault.0, "FaultSaved"),
        Notice::Failing { why, unsaved } => {
            failing.store(true, Ordering::Release);
            error!(why, ?unsaved, "HistoryFailed");
        }
        Notice::Working { unsaved } => {
            failing.store(false, Ordering::Release);
            info!(?unsaved, "HistoryRecovered");
        }
    }
}
