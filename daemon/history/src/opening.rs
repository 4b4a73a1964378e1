//! Opening the history late: a file that cannot be opened at the start is tried again until it can.

use std::{
    path::{Path, PathBuf},
    sync::Arc,
    time::{Duration, Instant},
};

use supervision::start::Remembered;
use wiring::units::Mono;

use crate::{
    history::Settings,
    names::Names,
    open::{self, OpenError, Opened},
    queue::{Queue, Unsaved},
    remember,
    store::Store,
    writer::{Notice, Notify, Writer},
};

/// The longest pause between two tries: an owner who has made room waits no longer for the alarm to go.
const PAUSE_MAX: Duration = Duration::from_secs(60);

/// How long one try to open waits for another program's lock: supervision starts behind the first of them.
const OPEN_BUSY: Duration = Duration::from_millis(300);

/// An open history, its run begun.
pub(crate) struct Ready {
    pub(crate) store: Store,
    pub(crate) opened: Opened,
    pub(crate) remembered: Remembered,
}

/// Opens for writing, reads what a supervisor starts from and begins a run.
pub(crate) fn ready(
    dir: &Path,
    names: Names,
    settings: &Settings,
    now: (Mono, i64),
) -> Result<Ready, OpenError> {
    let (db, opened) = open::for_writing(dir, now.1, settings.busy.min(OPEN_BUSY))?;
    let failed = |source| OpenError::Database { path: open::file(dir), source };
    let remembered = remember::remembered(&db, &names, now).map_err(failed)?;
    let store = Store::begin(db, names, now.1).map_err(failed)?;
    if let Some(text) = opened.remark() {
        store.remark(now.1, &text).map_err(failed)?;
    }
    settings.apply(&store.db).map_err(failed)?;
    Ok(Ready { store, opened, remembered })
}

/// A history that is still to be opened.
pub(crate) struct Opening {
    pub(crate) dir: PathBuf,
    pub(crate) names: Names,
    pub(crate) settings: Settings,
    /// The start of the run, on both clocks.
    pub(crate) now: (Mono, i64),
    /// The number that the supervisor gives to its first fault.
    pub(crate) first_fault: u32,
    pub(crate) notify: Notify,
}

impl Opening {
    /// Tries until it works, then writes until a stop. `why` is what failed first.
    pub(crate) fn run(self, queue: Arc<Queue>, why: String) {
        let mut told = Unsaved::default();
        (self.notify)(Notice::Failing { why: why.clone(), unsaved: told });
        let mut pause = self.settings.retry;
        let mut next_try = Instant::now() + pause;
        loop {
            let stops = queue.pause(self.settings.retry);
            if stops || next_try <= Instant::now() {
                match ready(&self.dir, self.names.clone(), &self.settings, self.now) {
                    Ok(ready) => return self.write(ready, queue, told),
                    Err(error) => tracing::debug!(error = chain(&error), "still not to be opened"),
                }
                pause = (pause * 2).min(PAUSE_MAX);
                next_try = Instant::now() + pause;
            }
            if stops {
                break;
            }
            if queue.unsaved() != told {
                told = queue.unsaved();
                (self.notify)(Notice::Failing { why: why.clone(), unsaved: told });
            }
        }
        queue.abandon();
        let unsaved = queue.unsaved();
        tracing::error!(?unsaved, "the history could not be opened in all this run");
    }

    fn write(self, ready: Ready, queue: Arc<Queue>, told: Unsaved) {
        let Ready { mut store, opened, remembered } = ready;
        store.renumber_by(remembered.next_fault.saturating_sub(self.first_fault));
        // No notice tells it: what failed has been told, and here it works again.
        if let Some(text) = opened.remark() {
            tracing::error!(text);
        }
        tracing::info!("the history is open");
        let writer = Writer {
            dir: self.dir,
            store,
            queue,
            notify: self.notify,
            settings: self.settings,
            told,
            failing: true,
        };
        writer.run();
    }
}

/// An error and its causes in one line.
pub(crate) fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(error) = cause {
        text.push_str(": ");
        text.push_str(&error.to_string());
        cause = error.source();
    }
    text
}
