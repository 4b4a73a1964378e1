//! When something happens next. Between two such moments every current stands, and only sensors read.

use wiring::units::{Micros, Mono};

use crate::{reverser::Reverser, world::World};

/// The longest time in which nothing happens: drivers think at this pace.
pub(crate) const STEADY: Micros = Micros::from_millis(100);
/// Pace while a fault is armed or in place, or a contact is warm.
pub(crate) const COARSE: Micros = Micros::from_millis(10);
/// The shortest time between two moments: pace of shorts, of charging, of hit contacts. All moments are multiples of it.
pub(crate) const FINE: Micros = Micros::from_millis(1);

/// The next multiple of `step` after `now`.
pub(crate) fn next_multiple(now: Mono, step: Micros) -> Mono {
    Mono((now.0 / step.0 + 1) * step.0)
}

/// `at`, or the next moment after it.
pub(crate) fn moment(at: Mono) -> Mono {
    Mono(at.0.div_ceil(FINE.0) * FINE.0)
}

impl World {
    /// The next moment at which anything but a sensor's reading may happen.
    pub(crate) fn next_tick(&self) -> Mono {
        let soonest = self.now() + FINE;
        let quick = self.redraw
            || self.short
            || self.hit
            || self.charging
            || self.reversers.iter().any(Reverser::is_busy);
        if quick {
            return soonest;
        }
        let now = self.now;
        let about = self.warm || !self.faults.active.is_empty();
        let mut next = next_multiple(now, if about { COARSE } else { STEADY });
        let mut by = |at: Mono| next = next.min(at);
        self.orders.keys().next().map(|(at, _)| *at).into_iter().for_each(&mut by);
        self.trains.iter().filter(|it| !it.lifted).map(|it| it.due).for_each(&mut by);
        self.machines.iter().filter_map(|it| it.next_change(now)).for_each(&mut by);
        let feeds = self.boosters.iter().chain(&self.districts);
        feeds.filter_map(|it| it.next_change(now)).for_each(&mut by);
        self.faults.next_change(&self.machines, now).into_iter().for_each(&mut by);
        by(self.sensors.next_look(now));
        moment(next).max(soonest)
    }
}
