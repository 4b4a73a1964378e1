//! What Checkrail remembers: events, faults with their waveforms, alarms, lock-outs, the ledger of every contact,
//! commissioning and what operators did. `SQLite`, one writer thread, everything by name.
//!
//! [`History::record`] never blocks: supervision does not wait for a disk. A fault is announced as saved by
//! [`Notice::Saved`] only after its transaction is durable. What cannot be saved is counted, reported by
//! [`Notice::Failing`], kept while there is room, and tried again.
//!
//! [`History::start`] never fails: a file that cannot be opened is tried again with growing pauses, 1 s to 60 s. Meanwhile
//! 64 fault records, 32 768 states (alarms, lock-outs, hits, notes, results) and 8192 lines are kept in memory; what comes
//! beyond is counted and said in the alarm. Fault numbers that nobody could read are moved up when the file opens.
//!
//! # Back-up while the daemon runs
//!
//! `checkrail faults backup FILE` copies the whole history into one new file, while the daemon goes on writing: what was
//! saved before the call is in it ([`Reader::back_up`] does the same for programs, and so does `sqlite3 history.db
//! ".backup copy.db"`). Copying `history.db` itself is safe only while no daemon runs, for commits of the last minutes may
//! still be in `history.db-wal`. To go back to a copy: stop the daemon, put the copy in the folder as `history.db`, remove
//! `history.db-wal` and `history.db-shm`, start the daemon.
//!
//! Reading goes through [`Reader`], a connection of its own, so that the command line can read while the daemon runs.

mod codec;
mod commissioned;
mod commissioning;
pub mod export;
mod history;
mod item;
pub mod json;
mod ledger;
mod names;
mod open;
mod opening;
mod prune;
mod queue;
mod reader;
mod remember;
mod render;
mod renumber;
pub mod report;
mod schema;
pub mod session;
mod store;
mod stored;
mod tally;
mod writer;

pub use codec::{BadSamples, Sample};
pub use history::{History, Scribe, Settings};
pub use item::{Commissioned, Item, Outcome, Proving, What};
pub use names::Names;
pub use open::{OpenError, Opened};
pub use prune::Limits;
pub use queue::Unsaved;
pub use reader::{Filter, ReadError, Reader};
pub use remember::remembered;
pub use writer::Notice;
