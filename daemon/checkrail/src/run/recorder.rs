//! Records the journal of a session: every reading, on a thread of its own. A slow disk costs lines, never time.

use std::{
    fs::{self, File},
    io::{BufWriter, Write},
    path::Path,
    sync::{Arc, mpsc},
    thread::JoinHandle,
};

use supervision::input::{Reading, Value};
use tracing::warn;
use wiring::{channel::ChannelTable, index::ChannelIx, units::Mono};

use crate::{exit::Failure, journal, run::standing};

/// Readings that may wait for the disk.
const MOST_WAITING: usize = 65_536;

/// Writes a journal.
pub struct Recorder {
    sender: mpsc::SyncSender<(Mono, ChannelIx, Value)>,
    thread: JoinHandle<()>,
    lost: u64,
}

impl Recorder {
    /// A new journal in `folder`, named by the wall clock at its start.
    ///
    /// # Errors
    /// [`Failure::Write`] when folder or file cannot be made.
    pub fn create(folder: &Path, name: &str, channels: Arc<ChannelTable>) -> Result<Self, Failure> {
        fs::create_dir_all(folder)
            .map_err(|source| Failure::Write { path: folder.to_owned(), error: source })?;
        let path = folder.join(format!("{name}.jsonl"));
        let file = File::create_new(&path)
            .map_err(|source| Failure::Write { path: path.clone(), error: source })?;
        let (sender, receiver) = mpsc::sync_channel(MOST_WAITING);
        let thread = std::thread::Builder::new()
            .name("journal".to_owned())
            .spawn(move || {
                standing::stand_back();
                write_all(&receiver, file, &path, &channels);
            })
            .map_err(|source| Failure::Start { what: "journal", source: source.into() })?;
        Ok(Self { sender, thread, lost: 0 })
    }

    /// Records one reading; never waits.
    pub fn reading(&mut self, at: Mono, reading: &Reading) {
        if self.sender.try_send((at, reading.channel, reading.value)).is_err() {
            self.lost += 1;
            if self.lost.is_power_of_two() {
                warn!(lost = self.lost, "the journal does not keep up; readings are left out");
            }
        }
    }

    /// Writes what waits and ends.
    pub fn close(self) {
        drop(self.sender);
        if self.thread.join().is_err() {
            warn!("the journal's thread failed; its last lines may be missing");
        }
    }
}

fn write_all(
    receiver: &mpsc::Receiver<(Mono, ChannelIx, Value)>,
    file: File,
    path: &Path,
    channels: &ChannelTable,
) {
    let mut out = BufWriter::new(file);
    for (at, channel, value) in receiver {
        let line = journal::reading_line(at, channels.name(channel), value);
        if let Err(error) = writeln!(out, "{line}") {
            warn!(path = %path.display(), %error, "the journal cannot be written; it ends here");
            return;
        }
    }
    if let Err(error) = out.flush() {
        warn!(path = %path.display(), %error, "the end of the journal could not be written");
    }
}
