//! What sensors of discrete things see.

use circuit::grid::Flow;
use wiring::{
    channel::{Object, Quantity},
    layout::Layout,
    units::Mono,
};

use crate::{
    machine::Machine,
    reverser::Reverser,
    sensor::{Discrete, polarity_word},
    supply::Feed,
};

/// What the discrete sensors look at.
pub(crate) struct Words<'a> {
    pub(crate) machines: &'a [Machine],
    pub(crate) boosters: &'a [Feed],
    pub(crate) districts: &'a [Feed],
    pub(crate) reversers: &'a [Reverser],
    pub(crate) flow: &'a Flow,
    pub(crate) layout: &'a Layout,
    pub(crate) now: Mono,
}

impl Discrete for Words<'_> {
    fn word(&self, object: Object, quantity: Quantity) -> &'static str {
        match object {
            Object::Booster(it) => self.boosters[it.at()].actuator.feedback(),
            Object::District(it) => self.districts[it.at()].actuator.feedback(),
            Object::Machine(it) if quantity == Quantity::Asked => {
                self.machines[it.at()].asked.word()
            }
            Object::Machine(it) => self.machines[it.at()].report(self.now),
            Object::Frog(it) => {
                let district = self.layout.district_of_frog(it);
                let volts = self.flow.district_volts[district.at()].0;
                polarity_word(self.flow.frogs[it.at()].0, volts)
            }
            Object::Reverser(it) => self.reversers[it.at()].word(),
            Object::Block(_) | Object::Pole(_) => "unknown",
        }
    }
}
