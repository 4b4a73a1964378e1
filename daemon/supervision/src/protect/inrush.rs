//! When engines charge: the time after power returned, in which `short` needs more.

use wiring::units::{Microamps, Micros, Millivolts, Mono};

use super::settings::Settings;

/// A neighbour on the same booster that was armed or cut disturbs for so long.
const NEIGHBOUR: Micros = Micros::from_millis(500);

/// The inrush window of one district.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Inrush {
    until: Option<Mono>,
    /// Voltage fell below half.
    fell: bool,
    /// The load before power went or dipped.
    before: Option<Microamps>,
    /// The load that went on all the time, where the window is open though power did not go.
    carried: Option<Microamps>,
    /// Steps are measured from at least this until then: power coming back is no step.
    floor: Option<(Mono, Microamps)>,
}

impl Inrush {
    /// Within the window.
    pub(crate) fn is_open(&self, now: Mono) -> bool {
        self.until.is_some_and(|until| now < until)
    }

    /// Voltage was below half when it was read last.
    pub(crate) const fn has_fallen(&self) -> bool {
        self.fell
    }

    /// Power went, or is about to; `load` flowed before.
    pub(crate) fn handle_gone(&mut self, load: Option<Microamps>) {
        if load.is_some() {
            self.before = load;
        }
    }

    /// The load that went on all the time is more than `amps`.
    pub(crate) fn carries(&self, amps: Microamps) -> bool {
        self.carried.is_some_and(|load| amps < load)
    }

    /// Power is back at `now`.
    pub(crate) fn handle_back(&mut self, settings: &Settings, now: Mono) {
        self.carried = None;
        self.open(settings, now + settings.inrush_window);
    }

    /// A neighbour on the same booster was armed or cut, and no voltage tells how that felt here.
    pub(crate) fn handle_neighbour(
        &mut self,
        settings: &Settings,
        now: Mono,
        load: Option<Microamps>,
    ) {
        self.handle_gone(load);
        self.carry(now, load);
        self.open(settings, now + NEIGHBOUR);
    }

    /// Voltage that has been low for its time is healthy again; `load` flowed a little before. Gives the load that may
    /// come back.
    pub(crate) fn handle_sag_over(
        &mut self,
        settings: &Settings,
        now: Mono,
        load: Option<Microamps>,
    ) -> Option<Microamps> {
        // What flowed before the sag comes back, and what crept up in it stays.
        let load = self.before.max(load);
        self.handle_gone(load);
        self.carry(now, load);
        self.open(settings, now + settings.inrush_window);
        load
    }

    fn carry(&mut self, now: Mono, load: Option<Microamps>) {
        if !self.is_open(now) {
            self.carried = load;
        }
    }

    /// A voltage reading. Says whether power came back with it.
    pub(crate) fn handle_voltage(
        &mut self,
        settings: &Settings,
        now: Mono,
        volts: Millivolts,
        load: impl FnOnce() -> Option<Microamps>,
    ) {
        if volts < settings.half_volts() {
            if !self.fell {
                self.fell = true;
                self.handle_gone(load());
            }
        } else if settings.healthy_volts() < volts && self.fell {
            self.fell = false;
            self.handle_back(settings, now);
        }
    }

    /// Current has decayed from a peak, as where engines charge. Where none stood before they were put there meanwhile,
    /// and what they draw when running is not known.
    pub(crate) fn handle_decay(&mut self, residual: Microamps) {
        if self.before.is_some_and(|load| load < residual)
            && let Some((_, load)) = &mut self.floor
        {
            *load = Microamps(i64::MAX);
        }
    }

    fn open(&mut self, settings: &Settings, until: Mono) {
        self.until = Some(self.until.map_or(until, |before| before.max(until)));
        // With no load known from before, no rise can be told from the load coming back.
        let load = self.before.unwrap_or(Microamps(i64::MAX));
        self.floor = Some((until + settings.window + settings.window, load));
    }

    /// What a lasting step is measured from.
    pub(crate) fn floored(&self, now: Mono, low: Option<Microamps>) -> Option<Microamps> {
        match self.floor {
            Some((until, load)) if now < until => Some(low.map_or(load, |low| low.max(load))),
            Some(_) | None => low,
        }
    }
}
