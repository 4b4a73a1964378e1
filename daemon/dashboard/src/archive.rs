//! The reading side of the history as the dashboard needs it: three questions, each answered with JSON.
//!
//! The functions read a database and therefore run on a blocking thread, never in the task that serves the page.

use std::{fmt, sync::Arc};

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

impl fmt::Debug for Archive {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.debug_struct("Archive").finish_non_exhaustive()
    }
}
