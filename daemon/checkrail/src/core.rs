//! Setting up the supervisor from a layout: proof, neighbourhood and loop resistances, computed once.

use std::sync::Arc;

use supervision::{Supervisor, start::Start};
use wiring::{index::BlockIx, polarity::PolarityProof, units::Mono};

use crate::source::Loaded;

/// What the supervisor needs of a layout.
pub struct Core {
    loaded: Loaded,
    proof: Arc<PolarityProof>,
    neighbours: Vec<Vec<BlockIx>>,
}

impl Core {
    /// For a layout.
    #[must_use]
    pub fn new(loaded: &Loaded) -> Self {
        Self {
            loaded: loaded.clone(),
            proof: Arc::new(wiring::polarity::prove(&loaded.layout)),
            neighbours: wiring::plan::neighbours(&loaded.layout),
        }
    }

    /// A supervisor that starts at `now`.
    #[must_use]
    pub fn supervisor(&self, start: Start, now: Mono) -> Supervisor {
        Supervisor::new(
            self.loaded.layout.clone(),
            self.loaded.channels.clone(),
            self.proof.clone(),
            self.neighbours.clone(),
            start,
            now,
        )
    }
}
