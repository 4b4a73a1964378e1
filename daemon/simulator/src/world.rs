//! The simulated layout as a whole: one clock, one order of happening.

use std::{collections::VecDeque, sync::Arc};

use wiring::{channel::ChannelTable, index::ChannelIx, layout::Layout, units::Mono};

use crate::{
    output::{Node, SimReading, TruthEvent},
    plan::Plan,
};

/// A layout that runs, and misbehaves as planned.
pub struct World {
    layout: Arc<Layout>,
    channels: Arc<ChannelTable>,
    plan: Plan,
    now: Mono,
    nodes: Vec<Node>,
    readings: VecDeque<SimReading>,
    truth: VecDeque<TruthEvent>,
}

impl World {
    /// A layout at rest at time zero, power on.
    #[must_use]
    pub fn new(layout: Arc<Layout>, channels: Arc<ChannelTable>, plan: Plan) -> Self {
        Self {
            layout,
            channels,
            plan,
            now: Mono::START,
            nodes: Vec::new(),
            readings: VecDeque::new(),
            truth: VecDeque::new(),
        }
    }

    /// Lets time pass up to `to`. Earlier than now does nothing.
    pub fn advance(&mut self, to: Mono) {
        self.now = self.now.max(to);
    }

    /// An order to an actuator, received at `at`: `on`, `cut`, `normal`, `reverse`. Other words are ignored.
    pub fn order(&mut self, channel: ChannelIx, word: &str, at: Mono) {
        let _ = (&self.layout, &self.channels, &self.plan, channel, word, at);
    }

    /// The next reading, in order of arrival.
    pub fn poll_reading(&mut self) -> Option<SimReading> {
        self.readings.pop_front()
    }

    /// The next thing that really happened.
    pub fn poll_truth(&mut self) -> Option<TruthEvent> {
        self.truth.pop_front()
    }

    /// The nodes with their channels, for their births.
    #[must_use]
    pub fn nodes(&self) -> &[Node] {
        &self.nodes
    }

    /// The virtual clock.
    #[must_use]
    pub fn now(&self) -> Mono {
        self.now
    }
}
