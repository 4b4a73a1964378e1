//! The one thread that writes: batches, retries, notices, pruning when idle.

use std::{
    path::PathBuf,
    sync::Arc,
    thread,
    time::{Duration, Instant, SystemTime, UNIX_EPOCH},
};

use rusqlite::{Connection, ErrorCode};
use supervision::record::FaultNumber;

use crate::{
    history::Settings,
    item::{Item, What},
    open::{self, Opened},
    prune,
    queue::{Queue, Unsaved, Work},
    store::Store,
};

/// Items in one transaction at most.
const BATCH: usize = 256;

/// Between looks at age and size.
const PRUNE_EVERY: Duration = Duration::from_secs(60);

/// What the history tells the daemon, which logs it.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Notice {
    /// A fault's record is durable.
    Saved(FaultNumber),
    /// Something cannot be saved: raise `history-failing`.
    Failing {
        /// Why, for the log and the alarm.
        why: String,
        /// What is lost so far.
        unsaved: Unsaved,
    },
    /// Writing works again.
    Working {
        /// What was lost until now.
        unsaved: Unsaved,
    },
}

/// Where notices go.
pub(crate) type Notify = Box<dyn Fn(Notice) + Send>;

/// The writer's state.
pub(crate) struct Writer {
    pub(crate) dir: PathBuf,
    pub(crate) store: Store,
    pub(crate) queue: Arc<Queue>,
    pub(crate) notify: Notify,
    pub(crate) settings: Settings,
    /// Losses that were told.
    pub(crate) told: Unsaved,
    /// Writing fails at present.
    pub(crate) failing: bool,
}

impl Writer {
    /// Writes until a stop. What cannot be written at the stop after one more try is counted as unsaved.
    pub(crate) fn run(mut self) {
        // At once: the limits may have been lowered since the last run.
        let mut next_prune = Instant::now();
        if self.failing && self.queue.is_empty() {
            self.works_again();
        }
        loop {
            match self.queue.take(BATCH, PRUNE_EVERY) {
                Work::Save(batch) => {
                    if !self.save_or_wait(batch) {
                        break;
                    }
                }
                Work::Idle => self.beat(),
                Work::Stop => break,
            }
            self.tell_losses();
            if next_prune <= Instant::now() {
                next_prune = Instant::now() + PRUNE_EVERY;
                self.prune();
            }
        }
    }

    /// Saves a batch, trying until it works. False when a stop came before it did.
    fn save_or_wait(&mut self, batch: Vec<Item>) -> bool {
        loop {
            match self.store.save(batch.iter().inspect(|_| give_way())) {
                Ok(()) => {
                    self.announce(&batch);
                    return true;
                }
                Err(error) if is_the_items_own(&error) => {
                    self.save_singly(batch);
                    return true;
                }
                Err(error) => {
                    self.fail(&error);
                    if self.queue.pause(self.settings.retry) {
                        return self.last_try(&batch);
                    }
                    self.reopen_if_damaged(&error);
                }
            }
        }
    }

    fn last_try(&mut self, batch: &[Item]) -> bool {
        if self.store.save(batch.iter()).is_ok() {
            self.announce(batch);
            return true;
        }
        for item in batch {
            self.queue.given_up(item);
        }
        false
    }

    /// One of them breaks a rule of the tables. The others shall not be lost with it.
    fn save_singly(&mut self, batch: Vec<Item>) {
        for item in batch {
            match self.store.save(std::iter::once(&item)) {
                Ok(()) => self.announce(std::slice::from_ref(&item)),
                Err(error) => {
                    self.fail(&error);
                    self.queue.given_up(&item);
                }
            }
        }
    }

    /// Only here: after the commit has returned.
    fn announce(&mut self, batch: &[Item]) {
        self.queue.saved(batch.len());
        if self.failing {
            self.works_again();
        }
        for item in batch {
            if let What::FaultClosed(record) = &item.what {
                (self.notify)(Notice::Saved(self.store.stored(record.number)));
            }
        }
    }

    fn works_again(&mut self) {
        self.failing = false;
        let unsaved = self.queue.unsaved();
        self.told = unsaved;
        self.remark(unsaved);
        (self.notify)(Notice::Working { unsaved });
    }

    /// The gap is written where a reader of the events will look.
    fn remark(&self, unsaved: Unsaved) {
        let text = format!(
            "writing works again; not saved so far: {} lines, {} states, {} fault records",
            unsaved.lines, unsaved.states, unsaved.records
        );
        if let Err(error) = self.store.remark(now_utc(), &text) {
            tracing::warn!(%error, "cannot note the gap in the history");
        }
    }

    fn fail(&mut self, error: &rusqlite::Error) {
        if !self.failing {
            self.failing = true;
            self.tell(error.to_string());
        }
    }

    fn tell(&mut self, why: String) {
        self.told = self.queue.unsaved();
        (self.notify)(Notice::Failing { why, unsaved: self.told });
    }

    /// Losses for want of room are told even while writing as such works.
    fn tell_losses(&mut self) {
        if self.queue.unsaved() != self.told {
            self.tell("more came than could be written".to_owned());
            self.failing = true;
        }
    }

    fn reopen_if_damaged(&mut self, error: &rusqlite::Error) {
        if !open::is_damage(error) {
            return;
        }
        let utc = now_utc();
        let (db, opened) = match open::for_writing(&self.dir, utc, self.settings.busy) {
            Ok(opened) => opened,
            Err(error) => {
                tracing::error!(%error, "the damaged history cannot be replaced");
                return;
            }
        };
        if let Err(error) = self.go_on_in(db, &opened, utc) {
            tracing::error!(%error, "the history cannot go on in a new file");
        }
    }

    fn go_on_in(&mut self, db: Connection, opened: &Opened, utc: i64) -> rusqlite::Result<()> {
        self.settings.apply(&db)?;
        self.store.resume(db, utc)?;
        let Some(text) = opened.remark() else { return Ok(()) };
        tracing::error!(text);
        self.store.remark(utc, &text)
    }

    /// That nothing happened is worth knowing too: uptime counts to here if the program is killed.
    fn beat(&mut self) {
        if let Err(error) = self.store.beat(now_utc()) {
            self.fail(&error);
        }
    }

    fn prune(&mut self) {
        match prune::prune(&mut self.store.db, &self.settings.limits, now_utc()) {
            Ok(pruned) if pruned.anything() => tracing::info!(?pruned, "history pruned"),
            Ok(_) => {}
            Err(error) => self.fail(&error),
        }
    }
}

/// Lets whoever waits for this core have it between two items. Standing back is not enough: a scheduler leaves a thread
/// that runs its slice of a millisecond and more, and an order that waits for the core waits as long.
fn give_way() {
    thread::yield_now();
}

/// However the thread ends, nobody waits for it in vain and what it leaves is counted and told.
impl Drop for Writer {
    fn drop(&mut self) {
        self.queue.abandon();
        let unsaved = self.queue.unsaved();
        if unsaved != self.told {
            tracing::error!(?unsaved, "the history ends with items that could not be saved");
        }
        if thread::panicking() {
            let why = "the history's writer ended; nothing more is saved".to_owned();
            (self.notify)(Notice::Failing { why, unsaved });
        }
    }
}

/// The item breaks a rule of the tables: trying again will not help, and others are not to blame.
fn is_the_items_own(error: &rusqlite::Error) -> bool {
    match error {
        rusqlite::Error::SqliteFailure(cause, _) => matches!(
            cause.code,
            ErrorCode::ConstraintViolation | ErrorCode::TypeMismatch | ErrorCode::TooBig
        ),
        rusqlite::Error::ToSqlConversionFailure(_) => true,
        _ => false,
    }
}

/// Wall clock, for the names of set-aside files and the age of what is pruned; items carry their own.
pub(crate) fn now_utc() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_micros()).unwrap_or(i64::MAX)
}
