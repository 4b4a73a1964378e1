//! `overload` (51): the inverse-time curve of IEC 60255-151, and a warning before it cuts.

use circuit::curve::Accumulator;
use wiring::units::{Microamps, Micros, Mono};

use super::settings::Settings;
use crate::cause::Cause;

/// The warning comes after so long above 90 % of the breaker's trip.
const WARN_AFTER: Micros = Micros::from_millis(5000);
/// One sample stands for at most this long: silence neither trips nor resets.
const LONGEST_SAMPLE: Micros = Micros::from_millis(1000);

/// The element.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Overload {
    spent: Accumulator,
    last: Option<Mono>,
    high_since: Option<Mono>,
    warns: bool,
    /// When the curve began to run.
    onset: Option<Mono>,
}

impl Overload {
    /// Forgets everything.
    pub(crate) fn reset(&mut self) {
        *self = Self::default();
    }

    /// A good sample: the current since the sample before it.
    pub(crate) fn handle_sample(
        &mut self,
        settings: &Settings,
        (now, amps): (Mono, Microamps),
    ) -> Option<Cause> {
        self.warn(settings, now, amps);
        let span = self.last.map_or(Micros::ZERO, |last| now.since(last).min(LONGEST_SAMPLE));
        self.last = Some(now);
        let pickup = settings.overload_pickup;
        let above = pickup < amps;
        if self.spent.spent <= 0.0 {
            if !above {
                self.onset = None;
                return None;
            }
            self.onset.get_or_insert(now);
        }
        let multiple = amps.0 as f64 / pickup.0.max(1) as f64;
        let full = self.spent.advance(settings.curve, settings.multiplier, multiple, span);
        (full && above).then_some(Cause::Overload { seen: amps, pickup })
    }

    fn warn(&mut self, settings: &Settings, now: Mono, amps: Microamps) {
        if amps <= settings.overload_warning {
            self.high_since = None;
            self.warns = false;
            return;
        }
        let since = *self.high_since.get_or_insert(now);
        self.warns = WARN_AFTER <= now.since(since);
    }

    /// Above 90 % of the breaker's trip for 5 s.
    pub(crate) const fn warns(&self) -> bool {
        self.warns
    }

    /// When the curve began to run.
    pub(crate) const fn onset(&self) -> Option<Mono> {
        self.onset
    }
}
