//! Setting up the supervisor from a layout: proof, neighbourhood and loop resistances, computed once.

use std::sync::Arc;

use supervision::{Supervisor, start::Start};
use wiring::units::Mono;

use crate::source::Loaded;

/// What the supervisor needs of a layout.
pub struct Core {
    loaded: Loaded,
}

impl Core {
    /// For a layout.
    #[must_use]
    pub fn new(loaded: &Loaded) -> Self {
        Self { loaded: loaded.clone() }
    }

    /// A supervisor that starts at `now`.
    #[must_use]
    pub fn supervisor(&self, start: Start, now: Mono) -> Supervisor {
        let proof = Arc::new(wiring::polarity::prove(&self.loaded.layout));
        let neighbours = wiring::plan::neighbours(&self.loaded.layout);
        Supervisor::new(
            self.loaded.layout.clone(),
            self.loaded.channels.clone(),
            proof,
            neighbours,
            start,
            now,
        )
    }
}
