//! The reading side of the history as the dashboard needs it: three questions, each answered with JSON.
//!
//! The functions read a database and therefore run on a blocking thread, never in the task that serves the page.

use std::{fmt, path::PathBuf, sync::Arc};

use history::{Filter, ReadError, Reader};
use serde::Serialize;
use serde_json::Value;

/// Why the archive has no answer.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
pub enum ArchiveError {
    /// There is no such record.
    #[error("there is no such record")]
    Unknown,
    /// It cannot be read at the moment.
    #[error("the history cannot be read: {reason}")]
    Unreadable {
        /// Why.
        reason: String,
    },
}

/// Answers `limit` newest rows as a JSON array.
pub type Listing = Arc<dyn Fn(usize) -> Result<Value, ArchiveError> + Send + Sync>;
/// Answers one record by number as a JSON object.
pub type Lookup = Arc<dyn Fn(u32) -> Result<Value, ArchiveError> + Send + Sync>;

/// What the fault and machine pages read.
#[derive(Clone)]
pub struct Archive {
    /// Summaries of faults, newest first.
    pub faults: Listing,
    /// One fault with its waveforms, events and suspects.
    pub fault: Lookup,
    /// The ledger of the poles: throws, hits, stress used.
    pub machines: Listing,
}

impl Archive {
    /// Nothing was ever recorded.
    #[must_use]
    pub fn empty() -> Self {
        Self {
            faults: Arc::new(|_| Ok(Value::Array(Vec::new()))),
            fault: Arc::new(|_| Err(ArchiveError::Unknown)),
            machines: Arc::new(|_| Ok(Value::Array(Vec::new()))),
        }
    }
}

impl Archive {
    /// The history in `dir`. Each question opens a connection of its own: questions are few, and a database that appears,
    /// moves or breaks while the daemon runs is noticed at the next one.
    #[must_use]
    pub fn of_history(dir: PathBuf) -> Self {
        let (faults, fault, machines) = (dir.clone(), dir.clone(), dir);
        Self {
            faults: Arc::new(move |most| {
                let filter = Filter { most: Some(most), ..Filter::default() };
                listed(Reader::open(&faults).and_then(|reader| reader.faults(&filter)))
            }),
            fault: Arc::new(move |number| {
                let found = Reader::open(&fault).and_then(|reader| reader.fault(number));
                json(&found.map_err(unreadable)?)
            }),
            machines: Arc::new(move |most| {
                let all = Reader::open(&machines).and_then(|reader| reader.machines());
                listed(all.map(|all| all.into_iter().take(most).collect()))
            }),
        }
    }
}

/// Rows as JSON. No history yet is an empty list, not an error.
fn listed<T: Serialize>(rows: Result<Vec<T>, ReadError>) -> Result<Value, ArchiveError> {
    match rows {
        Ok(rows) => json(&rows),
        Err(ReadError::None(_)) => Ok(Value::Array(Vec::new())),
        Err(error) => Err(unreadable(error)),
    }
}

fn json<T: Serialize>(value: &T) -> Result<Value, ArchiveError> {
    serde_json::to_value(value)
        .map_err(|error| ArchiveError::Unreadable { reason: error.to_string() })
}

fn unreadable(error: ReadError) -> ArchiveError {
    match error {
        ReadError::NoFault(_) | ReadError::None(_) => ArchiveError::Unknown,
        ReadError::TooNew { .. }
        | ReadError::Database(_)
        | ReadError::Record { .. }
        | ReadError::Samples { .. } => ArchiveError::Unreadable { reason: error.to_string() },
    }
}

impl fmt::Debug for Archive {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.debug_struct("Archive").finish_non_exhaustive()
    }
}
