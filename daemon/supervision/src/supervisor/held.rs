//! What a supervisor holds in memory, counted: whoever runs it for months can see that it does not grow.

use super::Supervisor;

/// Entries of everything that could grow.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub struct Held {
    /// Outputs that wait to be taken.
    pub outputs: usize,
    /// What is left to do behind an order.
    pub rest: usize,
    /// Open fault windows.
    pub recordings: usize,
    /// Events kept from before a fault.
    pub recent: usize,
    /// Faults whose suspects can still be named.
    pub faults: usize,
    /// Flips of reversers.
    pub flips: usize,
    /// Alarms that are not normal, or whose delay runs.
    pub alarms: usize,
    /// Raised alarms that are counted for the flood.
    pub raised: usize,
    /// Nodes.
    pub nodes: usize,
    /// Samples of all channels.
    pub samples: usize,
}

impl Supervisor {
    /// What it holds.
    #[must_use]
    pub fn held(&self) -> Held {
        let (alarms, raised) = self.alarms.held();
        Held {
            outputs: self.outputs.len(),
            rest: self.rest.len(),
            recordings: self.recordings.len(),
            recent: self.recent.len(),
            faults: self.closed.len(),
            flips: self.flips.len(),
            alarms,
            raised,
            nodes: self.nodes.len(),
            samples: self.store.samples_held(),
        }
    }
}
