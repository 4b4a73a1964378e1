//! What a simulated session shall be like: seed, faults, how far the plant differs from its model, what is measured.

use wiring::units::{Micros, Mono};

/// Everything that decides a run, besides the layout and the orders.
#[derive(Clone, Debug)]
pub struct Plan {
    /// Seed of all chance.
    pub seed: u64,
    /// What goes wrong, when.
    pub faults: FaultPlan,
    /// How far the true layout is from its file.
    pub perturbation: Perturbation,
    /// What is measured, how fast.
    pub sensors: SensorPlan,
    /// The people around the layout.
    pub crew: Crew,
    /// Number of trains; none: by the size of the layout.
    pub trains: Option<usize>,
}

/// What goes wrong, when.
#[derive(Clone, Debug)]
pub enum FaultPlan {
    /// Nothing.
    None,
    /// A run-through at about `first`, then a fault of another kind `every` after the one before is over.
    Show {
        /// When the first fault is due.
        first: Micros,
        /// Quiet time from the end of one to the next.
        every: Micros,
    },
    /// These.
    List(Vec<Planned>),
}

/// One fault to come.
#[derive(Clone, Debug)]
pub struct Planned {
    /// From when on. A fault that needs a train comes when one is there.
    pub at: Mono,
    /// Id of its scenario: `F01`.
    pub scenario: &'static str,
}

/// How far the true layout is from its file, as relative spread.
#[derive(Clone, Copy, Debug)]
pub struct Perturbation {
    /// Of wire, rail, source and contact resistance.
    pub resistance: f64,
    /// Of the contacts' time constants and limits of damage.
    pub contact: f64,
    /// Of throw times.
    pub throw: f64,
    /// Of breakers' trip currents and delays.
    pub breaker: f64,
    /// Factor on sensor noise: 0 is none.
    pub noise: f64,
    /// Factor on how often a message is lost, late, sent twice, or a single sample spikes: 0 is never.
    pub trouble: f64,
}

/// What is measured, how fast.
#[derive(Clone, Copy, Debug)]
pub struct SensorPlan {
    /// District and booster currents, readings a second.
    pub trip_hz: u32,
    /// Voltages, readings a second.
    pub voltage_hz: u32,
    /// Block currents, readings a second; zero: none.
    pub block_hz: u32,
    /// Block peaks, readings a second; zero: none.
    pub peak_hz: u32,
    /// Frog polarity is measured.
    pub polarity: bool,
    /// Frog currents, readings a second; zero: none.
    pub frog_hz: u32,
}

/// The people around the layout.
#[derive(Clone, Copy, Debug)]
pub struct Crew {
    /// Time from the cut to the removal of the cause.
    pub clears_after_cut: Micros,
    /// Time after which they remove the cause of a fault that nobody cut.
    pub patience: Micros,
    /// Time from damage of a contact to its repair; counted while its fault is over.
    pub repairs_after: Micros,
}

impl Plan {
    /// A clean session.
    #[must_use]
    pub fn clean(seed: u64) -> Self {
        Self {
            seed,
            faults: FaultPlan::None,
            perturbation: Perturbation::default(),
            sensors: SensorPlan::default(),
            crew: Crew::default(),
            trains: None,
        }
    }

    /// The demo: a run-through at about 20 s, then another kind of fault `every` after the last is over.
    #[must_use]
    pub fn show(seed: u64, every: Micros) -> Self {
        let first = Micros::from_millis(20_000);
        Self { faults: FaultPlan::Show { first, every }, ..Self::clean(seed) }
    }

    /// One fault at `at`.
    #[must_use]
    pub fn one(seed: u64, scenario: &'static str, at: Mono) -> Self {
        Self { faults: FaultPlan::List(vec![Planned { at, scenario }]), ..Self::clean(seed) }
    }
}

impl Default for Perturbation {
    fn default() -> Self {
        Self {
            resistance: 0.15,
            contact: 0.2,
            throw: 0.08,
            breaker: 0.03,
            noise: 1.0,
            trouble: 1.0,
        }
    }
}

impl Perturbation {
    /// The model itself: for tests that compare with it.
    #[must_use]
    pub fn none() -> Self {
        Self { resistance: 0.0, contact: 0.0, throw: 0.0, breaker: 0.0, noise: 0.0, trouble: 0.0 }
    }
}

impl Default for SensorPlan {
    fn default() -> Self {
        Self { trip_hz: 100, voltage_hz: 20, block_hz: 50, peak_hz: 10, polarity: true, frog_hz: 0 }
    }
}

impl Default for Crew {
    fn default() -> Self {
        Self {
            clears_after_cut: Micros::from_millis(8_000),
            patience: Micros::from_millis(60_000),
            repairs_after: Micros::from_millis(120_000),
        }
    }
}
