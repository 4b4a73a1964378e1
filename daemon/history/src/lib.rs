//! What Checkrail remembers: events, faults with their waveforms, alarms, lock-outs, the ledger of every contact,
//! commissioning and what operators did. `SQLite`, one writer thread, everything by name.
//!
//! [`History::record`] never blocks: supervision does not wait for a disk. A fault is announced as saved by
//! [`Notice::Saved`] only after its transaction is durable. What cannot be saved is counted, reported by
//! [`Notice::Failing`], kept while there is room, and tried again.
//!
//! To back up while the daemon runs, call [`Reader::back_up`] (or `sqlite3 history.db ".backup copy.db"`); copying the file
//! itself is safe only while no daemon runs, for commits of the last minutes may still be in `history.db-wal`.
//!
//! Reading goes through [`Reader`], a connection of its own, so that the command line can read while the daemon runs.

mod codec;
pub mod export;
mod history;
mod item;
pub mod json;
mod names;
mod open;
mod prune;
mod queue;
mod reader;
mod remember;
mod render;
pub mod report;
mod schema;
mod store;
mod stored;
mod writer;

pub use codec::{BadSamples, Sample};
pub use history::{History, Settings};
pub use item::{Item, Proving, What};
pub use names::Names;
pub use open::{OpenError, Opened};
pub use prune::Limits;
pub use queue::Unsaved;
pub use reader::{Filter, ReadError, Reader};
pub use remember::remembered;
pub use writer::Notice;
