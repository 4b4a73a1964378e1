//! What a layout is tried on: proof, model and channels, computed once and used by all its trials.

use std::sync::Arc;

use simulator::{Plan, World};
use supervision::{
    Model, Supervisor,
    start::{Remembered, Start},
};
use wiring::{channel::ChannelTable, layout::Layout, polarity::prove, units::Mono};

/// One layout, ready for trials.
pub struct Bed {
    /// For reports: how it was made.
    pub name: String,
    pub layout: Arc<Layout>,
    pub channels: Arc<ChannelTable>,
    model: Arc<Model>,
}

impl Bed {
    /// From the text of a layout file.
    pub fn new(name: String, text: &str) -> Self {
        let read = wiring::read::read(text);
        assert!(read.errors.is_empty(), "{name}: {:?}", read.errors);
        let layout = Arc::new(read.layout.expect("a layout without errors is a layout"));
        let channels = Arc::new(ChannelTable::new(&layout));
        let proof = Arc::new(prove(&layout));
        let neighbours = wiring::plan::neighbours(&layout);
        let model = Model::new(Arc::clone(&layout), Arc::clone(&channels), proof, neighbours);
        Self { name, layout, channels, model: Arc::new(model) }
    }

    /// A random layout of so many turnouts.
    pub fn generated(seed: u64, turnouts: usize) -> Self {
        let name = format!("seed {seed}, {turnouts} turnouts");
        Self::new(name, &simulator::generate(seed, turnouts))
    }

    pub fn world(&self, plan: Plan) -> World {
        World::new(Arc::clone(&self.layout), Arc::clone(&self.channels), plan)
    }

    pub fn supervisor(&self) -> Supervisor {
        self.supervisor_after(Remembered::default())
    }

    /// One that starts with what the history remembered.
    pub fn supervisor_after(&self, remembered: Remembered) -> Supervisor {
        Supervisor::of(Arc::clone(&self.model), Start::live(remembered), Mono::START)
    }
}
