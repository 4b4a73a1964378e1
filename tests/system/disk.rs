//! The history on a disk whose time is virtual: what has not reached it yet is lost when the process is killed.

use std::{
    collections::{BTreeSet, VecDeque},
    path::Path,
    sync::{Arc, Mutex},
    time::Duration,
};

use history::{History, Item, Names, Notice, Reader, Settings, What};
use simulator::random::Random;
use supervision::{input::LinkReport, output::EventKind, record::FaultNumber, start::Remembered};
use wiring::{
    index::DistrictIx,
    units::{Micros, Mono},
};

use crate::trial::bed::Bed;

/// Real time that the real file may take.
const PATIENCE: Duration = Duration::from_secs(60);
/// Items handed over at a time, far below the room of the writer's queue.
const PORTION: usize = 1000;

/// The disk's own trouble.
#[derive(Clone, Copy, Debug, Default)]
pub struct Ailing {
    /// Nothing can be written until then.
    pub full_until: Mono,
    /// Each write takes so long until then.
    pub slow_until: Mono,
}

/// The history of one layout over all its restarts.
pub struct Disk {
    folder: tempfile::TempDir,
    names: Names,
    history: Option<History>,
    saved: Arc<Mutex<Vec<FaultNumber>>>,
    /// Taken in, not written yet: when it will be, unless the disk is full by then.
    waiting: VecDeque<(Mono, Item)>,
    random: Random,
    pub ailing: Ailing,
    told_failing: bool,
    /// Most items that ever waited.
    pub most_waiting: usize,
    /// Faults that were announced as saved, over all runs.
    pub announced: Vec<FaultNumber>,
    /// Districts whose lock-out was written last and its end was not.
    pub locked_out: BTreeSet<DistrictIx>,
}

impl Disk {
    pub fn new(bed: &Bed, seed: u64) -> Self {
        let memory = Path::new("/dev/shm");
        let folder =
            if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() };
        Self {
            folder: folder.expect("a folder"),
            names: Names::new(Arc::clone(&bed.layout), Arc::clone(&bed.channels)),
            history: None,
            saved: Arc::default(),
            waiting: VecDeque::new(),
            random: Random::new(seed, 0xd15c),
            ailing: Ailing::default(),
            told_failing: false,
            most_waiting: 0,
            announced: Vec::new(),
            locked_out: BTreeSet::new(),
        }
    }

    /// The process starts: what it remembers. `utc` is the wall clock at the start of its own axis.
    pub fn open(&mut self, utc: i64) -> Remembered {
        let saved = Arc::clone(&self.saved);
        let hear = move |notice| {
            if let Notice::Saved(fault) = notice {
                saved.lock().expect("no holder panics").push(fault);
            }
        };
        let now = (Mono::START, utc);
        let names = self.names.clone();
        let history = History::open(self.folder.path(), names, Settings::default(), now, hear);
        let history = history.expect("the history opens");
        let remembered = history.remembered();
        self.history = Some(history);
        self.told_failing = false;
        remembered
    }

    /// Takes an item in, as the supervisor's task does: never waits.
    pub fn record(&mut self, item: Item, now: Mono) {
        let usual = Micros(2000 + self.random.below(20_000) as u64);
        let slow = Micros::from_millis(1500);
        let takes = if now < self.ailing.slow_until { slow } else { usual };
        let after = self.waiting.back().map_or(now, |(due, _)| *due);
        // One batch takes one turn of the disk.
        let due = if self.waiting.len().is_multiple_of(256) {
            after.max(now) + takes
        } else {
            after.max(now)
        };
        self.waiting.push_back((due, item));
        self.most_waiting = self.most_waiting.max(self.waiting.len());
    }

    /// Lets time pass on the disk; what to tell the supervisor.
    pub fn advance(&mut self, now: Mono) -> Option<LinkReport> {
        let full = now < self.ailing.full_until;
        if !full {
            self.write_until(now);
        }
        let failing = full && !self.waiting.is_empty();
        let changed = failing != self.told_failing;
        self.told_failing = failing;
        changed.then_some(LinkReport::HistoryFailing { failing, lost: 0 })
    }

    fn write_until(&mut self, now: Mono) {
        let mut handed = 0;
        while self.waiting.front().is_some_and(|(due, _)| *due <= now) {
            let Some((_, item)) = self.waiting.pop_front() else { break };
            self.follow_lock_outs(&item);
            let history = self.history.as_ref().expect("the process lives");
            history.record(item);
            handed += 1;
            if handed % PORTION == 0 {
                self.settle();
            }
        }
    }

    fn follow_lock_outs(&mut self, item: &Item) {
        let What::Event(event) = &item.what else { return };
        match event.kind {
            EventKind::LockedOut(district) => {
                self.locked_out.insert(district);
            }
            EventKind::LockOutOpened(district) => {
                self.locked_out.remove(&district);
            }
            _ => {}
        }
    }

    /// What was written is durable, and announced.
    fn settle(&mut self) {
        let history = self.history.as_ref().expect("the process lives");
        assert!(history.flush(PATIENCE), "the history cannot save: {:?}", history.unsaved());
        self.announced.append(&mut self.saved.lock().expect("no holder panics"));
    }

    /// The process is gone. What was not written never was.
    pub fn kill(&mut self) {
        self.settle();
        self.waiting.clear();
        self.history = None;
    }

    /// An orderly stop: everything is written, unless the disk is full.
    pub fn stop(&mut self, now: Mono) {
        if self.ailing.full_until <= now {
            self.write_until(Mono(u64::MAX));
        }
        self.kill();
    }

    /// Items that wait to be written.
    pub fn waiting(&self) -> usize {
        self.waiting.len()
    }

    /// Nothing waits to be written.
    pub fn is_settled(&self) -> bool {
        self.waiting.is_empty()
    }

    /// Reads what is durable. Only between runs, or after [`Self::settled`].
    pub fn reader(&mut self) -> Reader {
        if self.history.is_some() {
            self.settle();
        }
        Reader::open(self.folder.path()).expect("the history can be read")
    }
}
