//! The writing side as the daemon holds it.

use std::{
    path::Path,
    sync::Arc,
    thread::{self, JoinHandle},
    time::Duration,
};

use supervision::start::Remembered;
use wiring::units::Mono;

use crate::{
    item::Item,
    names::Names,
    open::{self, OpenError, Opened},
    opening::{self, Opening, Ready, chain},
    prune::Limits,
    queue::{Queue, Unsaved},
    remember,
    writer::{Notice, Notify, Writer},
};

/// Settings of the history.
#[derive(Clone, Copy, Debug)]
pub struct Settings {
    /// How much is kept.
    pub limits: Limits,
    /// How long a write waits for another program's lock. Default 5 s.
    pub busy: Duration,
    /// Between tries while writing fails. Default 1 s.
    pub retry: Duration,
    /// The database may have at most so many pages of 4 KiB, as if the disk were full beyond; none: no bound but the disk.
    pub most_pages: Option<u32>,
    /// Called on the writer's thread before its first write. Default nothing.
    pub begin: fn(),
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            limits: Limits::default(),
            busy: Duration::from_secs(5),
            retry: Duration::from_secs(1),
            most_pages: None,
            begin: || {},
        }
    }
}

impl Settings {
    /// What a connection is told beyond the fixed settings.
    pub(crate) fn apply(&self, db: &rusqlite::Connection) -> rusqlite::Result<()> {
        db.busy_timeout(self.busy)?;
        if let Some(pages) = self.most_pages {
            // The pragma answers with the bound in force.
            db.query_row(&format!("PRAGMA max_page_count={pages}"), [], |_| Ok(()))?;
        }
        Ok(())
    }
}

/// A pen of its own for what comes from beside the supervisor, such as a person's note.
#[derive(Clone, Debug)]
pub struct Scribe {
    queue: Arc<Queue>,
}

impl Scribe {
    /// Takes an item in and waits until it is durable, `patience` at most. False when it is not: then it may still be saved
    /// later. Blocks: never call it where readings wait.
    #[must_use]
    pub fn write(&self, item: Item, patience: Duration) -> bool {
        let before = self.queue.unsaved();
        self.queue.push(item);
        self.queue.settle(patience) && self.queue.unsaved().states == before.states
    }
}

/// The writing side. Dropping it saves what waits, with one more try, and ends the thread.
#[derive(Debug)]
pub struct History {
    queue: Arc<Queue>,
    writer: Option<JoinHandle<()>>,
    opened: Opened,
    remembered: Remembered,
}

impl History {
    /// Opens or makes the database in `dir` and starts the writer thread.
    ///
    /// `now` is the same instant on both clocks; `notify` is called on the writer thread and must not block.
    ///
    /// # Errors
    /// [`OpenError`]. The daemon may then go on with [`History::none`].
    pub fn open(
        dir: &Path,
        names: Names,
        settings: Settings,
        now: (Mono, i64),
        notify: impl Fn(Notice) + Send + 'static,
    ) -> Result<Self, OpenError> {
        let Ready { store, opened, remembered } = opening::ready(dir, names, &settings, now)?;
        let queue = Arc::new(Queue::default());
        let notify: Notify = Box::new(notify);
        let writer = Writer {
            dir: dir.to_owned(),
            store,
            queue: Arc::clone(&queue),
            notify,
            settings,
            told: Unsaved::default(),
            failing: false,
        };
        let writer = thread::Builder::new()
            .name("history".to_owned())
            .spawn(move || {
                (settings.begin)();
                writer.run();
            })
            .map_err(|source| OpenError::Directory { path: dir.to_owned(), source })?;
        Ok(Self { queue, writer: Some(writer), opened, remembered })
    }

    /// Opens the history, and where that fails goes on trying with growing pauses until it works. What is recorded
    /// meanwhile is kept while there is room; what is lost is counted. `notify` is told at once that it fails.
    ///
    /// What the daemon starts from is read without writing where at least that is possible: a district that was locked
    /// out stays so even if the disk is full.
    #[must_use]
    pub fn start(
        dir: &Path,
        names: Names,
        settings: Settings,
        now: (Mono, i64),
        notify: impl Fn(Notice) + Send + Sync + 'static,
    ) -> Self {
        let notify: Arc<dyn Fn(Notice) + Send + Sync> = Arc::new(notify);
        let told = Arc::clone(&notify);
        match Self::open(dir, names.clone(), settings, now, move |notice| told(notice)) {
            Ok(history) => {
                if let Some(why) = history.opened.remark() {
                    notify(Notice::Failing { why, unsaved: Unsaved::default() });
                    notify(Notice::Working { unsaved: Unsaved::default() });
                }
                history
            }
            Err(failure) => {
                let remembered = open::for_reading(dir)
                    .and_then(|db| remember::remembered(&db, &names, now).ok())
                    .unwrap_or_default();
                let opening = Opening {
                    dir: dir.to_owned(),
                    names,
                    settings,
                    now,
                    first_fault: remembered.next_fault.max(1),
                    notify: Box::new(move |notice| notify(notice)),
                };
                Self::later(opening, &failure, remembered)
            }
        }
    }

    /// The history of a thread that is still to open it.
    fn later(opening: Opening, failure: &OpenError, remembered: Remembered) -> Self {
        let queue = Arc::new(Queue::default());
        let why = chain(failure);
        let shared = Arc::clone(&queue);
        let writer = thread::Builder::new().name("history".to_owned()).spawn(move || {
            (opening.settings.begin)();
            opening.run(shared, why);
        });
        let writer = match writer {
            Ok(writer) => Some(writer),
            Err(error) => {
                tracing::error!(%error, "the history's thread cannot be started");
                queue.abandon();
                None
            }
        };
        Self { queue, writer, opened: Opened::InOrder, remembered }
    }

    /// A history that saves nothing and counts all: for a daemon whose database cannot be opened.
    #[must_use]
    pub fn none() -> Self {
        let queue = Arc::new(Queue::default());
        queue.abandon();
        Self { queue, writer: None, opened: Opened::InOrder, remembered: Remembered::default() }
    }

    /// How the database was found.
    #[must_use]
    pub const fn opened(&self) -> &Opened {
        &self.opened
    }

    /// What a supervisor starts from.
    #[must_use]
    pub fn remembered(&self) -> Remembered {
        self.remembered.clone()
    }

    /// Takes an item in. Never blocks on the disk; without room the item is counted as unsaved and told.
    pub fn record(&self, item: Item) {
        self.queue.push(item);
    }

    /// Another pen on the same history.
    #[must_use]
    pub fn scribe(&self) -> Scribe {
        Scribe { queue: Arc::clone(&self.queue) }
    }

    /// Waits until all that was recorded before is durable, `patience` at most. False when it is not.
    #[must_use]
    pub fn flush(&self, patience: Duration) -> bool {
        self.queue.flush(patience)
    }

    /// What could not be saved since the start.
    #[must_use]
    pub fn unsaved(&self) -> Unsaved {
        self.queue.unsaved()
    }
}

impl Drop for History {
    fn drop(&mut self) {
        self.queue.stop();
        if let Some(writer) = self.writer.take()
            && writer.join().is_err()
        {
            tracing::error!("the history's writer ended badly");
        }
    }
}
