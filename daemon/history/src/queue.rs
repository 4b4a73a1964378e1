//! Between supervision and the disk: bounded, never blocking for the one who records.

use std::{
    collections::VecDeque,
    sync::{Condvar, Mutex, MutexGuard, PoisonError},
    time::Duration,
};

use crate::item::{Item, Worth};

/// Lines of the event list that wait at most: a minute of the busiest session on a disk that does not answer.
const LINES_MAX: usize = 8192;

/// Alarms, lock-outs, hits and the like that wait at most.
const STATES_MAX: usize = 32_768;

/// Fault records that wait at most: each is of the order of a hundred kilobytes.
const RECORDS_MAX: usize = 64;

/// What could not be saved since the start, counted.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub struct Unsaved {
    /// Lines of the event list.
    pub lines: u64,
    /// Alarms, lock-outs, hits, notes, results.
    pub states: u64,
    /// Fault records.
    pub records: u64,
}

impl Unsaved {
    /// All together.
    #[must_use]
    pub const fn total(self) -> u64 {
        self.lines + self.states + self.records
    }

    fn count(&mut self, worth: Worth) {
        match worth {
            Worth::Line => self.lines += 1,
            Worth::State => self.states += 1,
            Worth::Record => self.records += 1,
        }
    }
}

/// The queue. Shared between the handle and the writer.
#[derive(Debug, Default)]
pub(crate) struct Queue {
    state: Mutex<State>,
    /// Something came, or a stop.
    came: Condvar,
    /// Something was settled.
    settled: Condvar,
}

#[derive(Debug, Default)]
struct State {
    items: VecDeque<Item>,
    lines: usize,
    states: usize,
    records: usize,
    /// Items taken in, ever.
    accepted: u64,
    /// Of those, saved or given up.
    settled: u64,
    unsaved: Unsaved,
    stopping: bool,
    writer_gone: bool,
}

impl State {
    fn waiting(&mut self, worth: Worth) -> (&mut usize, usize) {
        match worth {
            Worth::Line => (&mut self.lines, LINES_MAX),
            Worth::State => (&mut self.states, STATES_MAX),
            Worth::Record => (&mut self.records, RECORDS_MAX),
        }
    }
}

/// What the writer is to do.
pub(crate) enum Work {
    /// Save these.
    Save(Vec<Item>),
    /// Nothing came for a while.
    Idle,
    /// Nothing is left and no more will come.
    Stop,
}

impl Queue {
    /// A panic elsewhere must not silence the history; the state is plain counters and a list, valid at every step.
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Takes an item in, or counts it as unsaved where its kind has no room left.
    pub(crate) fn push(&self, item: Item) {
        let worth = item.worth();
        let mut state = self.lock();
        let gone = state.writer_gone;
        let (waiting, most) = state.waiting(worth);
        if gone || *waiting >= most {
            state.unsaved.count(worth);
            return;
        }
        *waiting += 1;
        state.accepted += 1;
        state.items.push_back(item);
        drop(state);
        self.came.notify_one();
    }

    /// Waits for work, `patience` at most.
    pub(crate) fn take(&self, most: usize, patience: Duration) -> Work {
        let state = self.lock();
        let waits = |state: &mut State| state.items.is_empty() && !state.stopping;
        let (mut state, _) = self
            .came
            .wait_timeout_while(state, patience, waits)
            .unwrap_or_else(PoisonError::into_inner);
        if state.items.is_empty() {
            return if state.stopping { Work::Stop } else { Work::Idle };
        }
        let count = most.min(state.items.len());
        let batch: Vec<Item> = state.items.drain(..count).collect();
        for item in &batch {
            *state.waiting(item.worth()).0 -= 1;
        }
        Work::Save(batch)
    }

    /// Waits for a stop, `patience` at most; tells whether it came.
    pub(crate) fn pause(&self, patience: Duration) -> bool {
        let (state, _) = self
            .came
            .wait_timeout_while(self.lock(), patience, |state| !state.stopping)
            .unwrap_or_else(PoisonError::into_inner);
        state.stopping
    }

    /// These are saved.
    pub(crate) fn saved(&self, count: usize) {
        self.lock().settled += count as u64;
        self.settled.notify_all();
    }

    /// This one is given up.
    pub(crate) fn given_up(&self, item: &Item) {
        let mut state = self.lock();
        state.unsaved.count(item.worth());
        state.settled += 1;
        drop(state);
        self.settled.notify_all();
    }

    /// The writer ends: what waits is unsaved, and so is all that comes.
    pub(crate) fn abandon(&self) {
        let mut state = self.lock();
        state.writer_gone = true;
        while let Some(item) = state.items.pop_front() {
            state.unsaved.count(item.worth());
            state.settled += 1;
        }
        drop(state);
        self.settled.notify_all();
    }

    /// Nothing waits to be saved.
    pub(crate) fn is_empty(&self) -> bool {
        self.lock().items.is_empty()
    }

    /// Waits until all that was taken in before is saved; false when it was not within `patience`, or some of it, or of
    /// what came before it, is unsaved.
    pub(crate) fn flush(&self, patience: Duration) -> bool {
        self.settle(patience) && self.unsaved().total() == 0
    }

    /// Waits until all that was taken in before is saved or given up; false when it was not within `patience`.
    pub(crate) fn settle(&self, patience: Duration) -> bool {
        let state = self.lock();
        let target = state.accepted;
        let (state, _) = self
            .settled
            .wait_timeout_while(state, patience, |state| state.settled < target)
            .unwrap_or_else(PoisonError::into_inner);
        target <= state.settled
    }

    /// No more will come.
    pub(crate) fn stop(&self) {
        self.lock().stopping = true;
        self.came.notify_all();
    }

    pub(crate) fn unsaved(&self) -> Unsaved {
        self.lock().unsaved
    }
}
