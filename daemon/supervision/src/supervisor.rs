//! The composition: every machine of the layout, fed by one input at a time, drained into one list of outputs.

use std::{collections::VecDeque, sync::Arc};

use wiring::{
    channel::ChannelTable, index::BlockIx, layout::Layout, polarity::PolarityProof, units::Mono,
};

use crate::{input::Input, output::Output, snapshot::Snapshot, start::Start};

/// The supervision of one layout. Pure: time is an argument, outputs are drained, the deadline is derived from state.
#[derive(Debug)]
pub struct Supervisor {
    outputs: VecDeque<Output>,
    now: Mono,
}

impl Supervisor {
    /// A supervisor of `layout` that starts at `now`. `neighbours` lists, by block, the blocks that a wheel can roll
    /// into from it.
    #[must_use]
    pub fn new(
        _layout: Arc<Layout>,
        _channels: Arc<ChannelTable>,
        _proof: Arc<PolarityProof>,
        _neighbours: Vec<Vec<BlockIx>>,
        _start: Start,
        now: Mono,
    ) -> Self {
        Self { outputs: VecDeque::new(), now }
    }

    /// Settles every deadline up to `now`, then acts on `input`. Drain [`Self::poll_output`] to empty after it.
    ///
    /// # Panics
    /// When `now` is before an instant given earlier: the shell delivers in time order.
    pub fn handle(&mut self, _input: Input, now: Mono) {
        self.handle_timeout(now);
    }

    /// The next output, orders of a reading before all else that it caused.
    pub fn poll_output(&mut self) -> Option<Output> {
        self.outputs.pop_front()
    }

    /// When to call [`Self::handle_timeout`] next. Ask again after every call.
    #[must_use]
    pub fn poll_deadline(&self) -> Option<Mono> {
        None
    }

    /// Settles every deadline up to `now`, each output stamped with the instant it fell due.
    ///
    /// # Panics
    /// When `now` is before an instant given earlier.
    pub fn handle_timeout(&mut self, now: Mono) {
        assert!(self.now <= now, "the shell must deliver events in time order");
        self.now = now;
    }

    /// The end of a journal, or a stop: open fault windows are closed at `now` and their records emitted.
    pub fn finish(&mut self, now: Mono) {
        self.handle_timeout(now);
    }

    /// The state at this instant as plain data.
    #[must_use]
    pub fn snapshot(&self) -> Snapshot {
        Snapshot { at: self.now, ..Snapshot::default() }
    }
}
