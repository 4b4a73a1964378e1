//! Studies: what a short would do at every place, what it does to every contact, how much voltage a train loses, and
//! how the protective devices work together.
//!
//! Typed results; whoever prints them makes text of them ([`crate::report`] makes tables, a page and plots).

pub(crate) mod base;
pub mod contact;
pub mod coordination;
pub mod drop;
mod finding;
pub mod place;
mod protect;
mod remedy;
pub mod short;

use wiring::{
    layout::Layout,
    units::{Microamps, Micros},
};

use crate::grid::{Grid, Scales, Switches};
pub use contact::{ClearedBy, Contact, Remedy, Verdict};
pub use coordination::{Coordination, CurveKind, CurveLine};
pub use drop::Drop;
pub use finding::findings;
pub use short::{Short, Trips};

/// What the layout file does not say.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Settings {
    /// The load whose voltage drop is studied. Default 1 A.
    pub train_load: Microamps,
    /// Time over which the current sensor averages. Default 10 ms.
    pub sensor_average: Micros,
    /// Time between its readings. Default 20 ms, the slowest that a trip channel may be.
    pub sample_spacing: Micros,
    /// Time from sensor to Checkrail and from there to the actuator. Assumed 10 ms unless measured.
    pub transport: Micros,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            train_load: Microamps::from_milliamps(1000),
            sensor_average: Micros::from_millis(10),
            sample_spacing: Micros::from_millis(20),
            transport: Micros::from_millis(10),
        }
    }
}

/// All studies of a layout.
#[derive(Clone, Debug, PartialEq)]
pub struct Study {
    /// A short at every place; at a frog in every position.
    pub shorts: Vec<Short>,
    /// What shorts do to every pole that feeds a frog.
    pub contacts: Vec<Contact>,
    /// Voltage at a train at every place.
    pub drops: Vec<Drop>,
    /// By district: protective devices against each other.
    pub coordination: Vec<Coordination>,
}

/// How far a study is.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Progress {
    /// Places and poles done.
    pub done: usize,
    /// Places and poles in all.
    pub total: usize,
}

/// Runs all studies.
#[must_use]
pub fn run(layout: &Layout, settings: &Settings) -> Study {
    run_watched(layout, settings, &mut |_| ())
}

/// Runs all studies and tells after each place and pole how far it is.
#[must_use]
pub fn run_watched(layout: &Layout, settings: &Settings, watch: &mut dyn FnMut(Progress)) -> Study {
    let grid = Grid::new(layout, &Scales::unity(layout));
    let mut base = base::Base::new(layout, &grid);
    let places = place::places(layout);
    let mut step = Progress { done: 0, total: 2 * places.len() + layout.poles.len() };
    let mut tick = |watch: &mut dyn FnMut(Progress)| {
        step.done += 1;
        watch(step);
    };
    let mut shorts = Vec::new();
    for place in &places {
        shorts.extend(short::shorts(&mut base, place));
        tick(watch);
    }
    let mut drops = Vec::new();
    for place in &places {
        drops.extend(drop::drop(&mut base, place, settings.train_load));
        tick(watch);
    }
    let contacts = contact::contacts(&mut base, settings, &mut || tick(watch));
    let coordination = coordination::coordination(layout, settings, &shorts);
    Study { shorts, contacts, drops, coordination }
}

/// Everything on and every machine between its positions: frogs are leaves then, and a frog's contacts are bridges.
pub(crate) fn loose(layout: &Layout) -> Switches {
    let mut switches = Switches::all_on(layout);
    switches.machines.fill(None);
    switches
}
