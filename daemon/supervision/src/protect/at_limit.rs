//! `at limit` (51, definite time): the booster at its limit, or a lamp or resettable fuse holding voltage down.
//!
//! A lamp that the layout file does not name is told by two meters that agree: voltage falls and current changes with it.

use wiring::units::{Microamps, Micros, Millivolts, Mono};

use super::settings::Settings;
use crate::cause::Cause;

/// Voltage of a district behind a hot lamp or tripped resettable fuse. Unit: percent of booster volts.
const HELD_DOWN: i64 = 25;

/// A change of current that goes with a fall of voltage makes it true: a meter that fails changes no current. Either way,
/// because what was drawn before is not drawn at a quarter of the volts.
const CHANGE: Microamps = Microamps(250_000);
/// The slower of the two meters says so within this.
const TOGETHER: Micros = Micros::from_millis(300);
/// From the latest healthy voltage to one held down: one averaged reading may lie between them.
const FALLS_WITHIN: Micros = Micros::from_millis(600);

/// Voltage that fell from healthy to held down.
#[derive(Clone, Copy, Debug)]
struct Fall {
    at: Mono,
    /// The load before.
    load: Microamps,
    /// Current changed with it.
    is_true: bool,
}

/// The element.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct AtLimit {
    since: Option<Mono>,
    /// Where the layout file names no lamp and no resettable fuse, something else may limit: as good a sign of one.
    fall: Option<Fall>,
    /// The latest healthy voltage: when, and the load a little before.
    healthy: Option<(Mono, Microamps)>,
}

impl AtLimit {
    /// Forgets everything.
    pub(crate) fn reset(&mut self) {
        *self = Self::default();
    }

    /// A reading of voltage, with the load of a little before.
    pub(crate) fn handle_voltage(
        &mut self,
        settings: &Settings,
        now: Mono,
        volts: Millivolts,
        load: impl FnOnce() -> Option<Microamps>,
    ) {
        if settings.healthy_volts() <= volts {
            self.healthy = load().map(|load| (now, load));
        }
        if settings.volts.percent(HELD_DOWN) <= volts {
            self.fall = None;
        } else if self.fall.is_none() && !settings.dc {
            let healthy = self.healthy.filter(|(at, _)| now.since(*at) <= FALLS_WITHIN);
            self.fall = healthy.map(|(_, load)| Fall { at: now, load, is_true: false });
        }
    }

    /// At these volts nothing draws but a fault: its current is all of it, and it is no less than a step.
    fn has_fallen(&mut self, settings: &Settings, now: Mono, amps: Microamps) -> bool {
        let Some(fall) = &mut self.fall else { return false };
        let change = (amps - fall.load).max(fall.load - amps);
        fall.is_true |= now.since(fall.at) <= TOGETHER && CHANGE <= change;
        fall.is_true && settings.step <= amps
    }

    /// A good sample of current, with the voltage of the moment; `inrush` blocks.
    pub(crate) fn handle_sample(
        &mut self,
        settings: &Settings,
        (now, amps): (Mono, Microamps),
        volts: Option<Millivolts>,
        inrush: bool,
    ) -> Option<Cause> {
        let fallen = self.has_fallen(settings, now, amps);
        let held = (settings.limited && settings.residual < amps || fallen)
            && volts.is_some_and(|volts| volts < settings.volts.percent(HELD_DOWN));
        if inrush || !(held || settings.at_limit < amps) {
            self.since = None;
            return None;
        }
        let since = *self.since.get_or_insert(now);
        let lasted = now.since(since);
        (settings.at_limit_after <= lasted).then_some(Cause::AtLimit {
            seen: amps,
            limit: settings.limit,
            lasted,
        })
    }

    /// When it began, while it lasts.
    pub(crate) const fn since(&self) -> Option<Mono> {
        self.since
    }
}
