//! What would help an endangered contact. Every suggestion is solved again with the change in place, never guessed.

use wiring::{
    index::PoleIx,
    layout::{Breaker, BreakerKind, Layout},
    units::{Microamps, Microohms, Micros},
};

use super::{
    Settings,
    base::{Base, Change, FrogFault},
    contact::{Outcome, Remedy, Verdict, outcome},
    protect::Devices,
};
use crate::grid::Series;

/// Hot resistances of lamps to try, ascending. Unit: ohm. Common practice, no source.
const LAMPS: [u64; 9] = [3, 5, 8, 10, 12, 15, 18, 22, 27];

/// Step of booster limits and breaker trips to try. Unit: milliampere.
const STEP: i64 = 500;

/// The lowest of them: one locomotive must still run.
const LOWEST: i64 = 1000;

/// Contacts side by side are judged also with one this much worse than the other.
const UNEQUAL: f64 = 1.2;

/// Delay of a breaker that does not exist yet.
const NEW_BREAKER: Micros = Micros::from_millis(40);

/// Longest opening time of an actuator that does not exist yet.
const NEW_ACTUATOR: Micros = Micros::from_millis(15);

/// One contact in one fault, to be solved with changes.
struct Trial<'b, 'l> {
    base: &'b mut Base<'l>,
    settings: &'b Settings,
    fault: &'b FrogFault,
    pole: PoleIx,
    devices: Devices,
}

/// All remedies for a pole in its worst fault.
pub(super) fn remedies(
    base: &mut Base,
    settings: &Settings,
    fault: &FrogFault,
    pole: PoleIx,
) -> Vec<Remedy> {
    let devices = Devices::of(base.layout, base.layout.district_of_frog(fault.frog));
    let mut trial = Trial { base, settings, fault, pole, devices };
    let mut remedies = vec![trial.lower_limit(), trial.limiter(), trial.more_poles()];
    remedies.push(trial.lower_trip());
    remedies.push(trial.smaller_district());
    remedies.extend(trial.actuator());
    remedies
}

impl Trial<'_, '_> {
    /// The worst of the contacts side by side, with a change and devices.
    fn outcome(&mut self, change: &Change, devices: &Devices) -> Outcome {
        let solved = self.base.frog(self.fault, 0.0, change);
        let amps = solved.contacts.iter().map(|(_, amps)| *amps).fold(0.0, f64::max);
        let known = (self.pole, amps);
        outcome(self.base.layout, self.settings, devices, self.fault, known, &solved)
    }

    /// Tries one after the other; returns the first that protects, else the last.
    fn first_that_protects<T: Copy>(
        &mut self,
        values: impl Iterator<Item = T>,
        mut trial: impl FnMut(&mut Self, T) -> Outcome,
    ) -> Option<(T, Outcome)> {
        let mut last = None;
        for value in values {
            let outcome = trial(self, value);
            last = Some((value, outcome));
            if outcome.verdict == Verdict::Protected {
                break;
            }
        }
        last
    }

    fn lower_limit(&mut self) -> Remedy {
        let limit = Microamps::from_amps(self.devices.limit);
        let tried = self.first_that_protects(below(limit), |trial, limit| {
            let devices = Devices { limit: limit.amps(), ..trial.devices.clone() };
            trial.outcome(&Change { limit: Some(limit.amps()), ..Change::NONE }, &devices)
        });
        let (limit, outcome) = self.or_as_is(tried, limit);
        remedy(format!("set the booster's limit to {limit}"), outcome)
    }

    fn limiter(&mut self) -> Remedy {
        let volts = self.volts();
        let tried = self.first_that_protects(LAMPS.into_iter(), |trial, ohms| {
            let series = Series::Lamp { hot: ohms as f64, volts };
            let devices = trial.devices.clone();
            trial.outcome(&Change { series, ..Change::NONE }, &devices)
        });
        let (ohms, outcome) = self.or_as_is(tried, LAMPS[0]);
        let ohms = Microohms(ohms * 1_000_000);
        remedy(format!("put a lamp of {ohms} when lit in series with the frog's feed"), outcome)
    }

    fn more_poles(&mut self) -> Remedy {
        let devices = self.devices.clone();
        let equal = Change { more_poles: 1, ..Change::NONE };
        let unequal = Change { unequal: UNEQUAL, ..equal };
        let outcomes = [self.outcome(&equal, &devices), self.outcome(&unequal, &devices)];
        let [equal, unequal] = outcomes;
        let worse = if unequal.verdict >= equal.verdict { unequal } else { equal };
        let poles = self.base.layout.frogs[self.fault.frog.at()].poles.len() + 1;
        let need = if self.has_free_pole() { "" } else { " (the machine has none free)" };
        let text = format!(
            "feed the frog through {poles} poles side by side{need}, judged with contacts 20 % unequal"
        );
        remedy(text, worse)
    }

    fn lower_trip(&mut self) -> Remedy {
        let (start, breaker, text) = match (self.devices.breaker.kind, self.devices.breaker.trip) {
            (BreakerKind::Electronic | BreakerKind::Fuse | BreakerKind::Ptc, Some(trip)) => {
                (trip, self.devices.breaker.clone(), "set the breaker's trip to")
            }
            (
                BreakerKind::Electronic
                | BreakerKind::Fuse
                | BreakerKind::Ptc
                | BreakerKind::Lamp
                | BreakerKind::None,
                _,
            ) => {
                let limit = Microamps::from_amps(self.devices.limit);
                (limit, new_breaker(&self.devices.breaker), "add a breaker (40 ms) that trips at")
            }
        };
        let tried = self.first_that_protects(below(start), |trial, trip| {
            let breaker = Breaker { trip: Some(trip), ..breaker.clone() };
            let devices = Devices { breaker, ..trial.devices.clone() };
            trial.outcome(&Change::NONE, &devices)
        });
        let (trip, outcome) = self.or_as_is(tried, start);
        remedy(format!("{text} {trip}"), outcome)
    }

    /// Half the district on a supply of its own: half the limit, half the trip.
    fn smaller_district(&mut self) -> Remedy {
        let half = |amps: Microamps| Microamps(amps.0 / 2);
        let mut devices = self.devices.clone();
        devices.limit /= 2.0;
        devices.breaker.trip = devices.breaker.trip.map(half);
        let change = Change { limit: Some(devices.limit), ..Change::NONE };
        let outcome = self.outcome(&change, &devices);
        let limit = Microamps::from_amps(devices.limit);
        remedy(
            format!("make the district smaller, on a supply of its own limited to {limit}"),
            outcome,
        )
    }

    /// Only where there is none yet.
    fn actuator(&mut self) -> Option<Remedy> {
        if self.devices.opens_in.is_some() {
            return None;
        }
        let devices = Devices { opens_in: Some(NEW_ACTUATOR), ..self.devices.clone() };
        let outcome = self.outcome(&Change::NONE, &devices);
        Some(remedy("give Checkrail an actuator that cuts the district".to_owned(), outcome))
    }

    fn or_as_is<T>(&mut self, tried: Option<(T, Outcome)>, as_is: T) -> (T, Outcome) {
        tried.unwrap_or_else(|| {
            let devices = self.devices.clone();
            (as_is, self.outcome(&Change::NONE, &devices))
        })
    }

    fn volts(&self) -> f64 {
        let layout: &Layout = self.base.layout;
        let district = layout.district_of_frog(self.fault.frog);
        layout.boosters[self.base.booster_of(district).at()].volts.volts()
    }

    fn has_free_pole(&self) -> bool {
        let layout: &Layout = self.base.layout;
        let machine = &layout.machines[layout.poles[self.pole.at()].machine.at()];
        let free = machine.poles.iter().filter(|pole| !self.base.feeds(**pole)).count();
        free > machine.uses.len()
    }
}

/// Currents below `start` in steps, down to the lowest.
fn below(start: Microamps) -> impl Iterator<Item = Microamps> {
    let first = (start.0 - 1).div_euclid(STEP * 1000);
    (LOWEST / STEP..=first).rev().map(|steps| Microamps::from_milliamps(steps * STEP))
}

fn new_breaker(instead: &Breaker) -> Breaker {
    Breaker { kind: BreakerKind::Electronic, delay: NEW_BREAKER, ..instead.clone() }
}

fn remedy(text: String, outcome: Outcome) -> Remedy {
    Remedy { text, verdict: outcome.verdict, outcome }
}
