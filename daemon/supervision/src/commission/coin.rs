//! The coin test: a dead short on plain rail, its current against the forecast, and what ended it.

use wiring::units::{Microamps, Micros, Mono};

use super::DistrictSight;
use crate::{cause::Cause, output::PowerState};

/// A coin must be laid within this.
const WITHIN: Micros = Micros::from_millis(60_000);
/// Less than this of the forecast says that the loop has more resistance than the wiring model. Unit: percent. Common
/// practice, no source: resistances of the model are good for a fifth.
const ENOUGH: i64 = 80;

/// A coin to be laid, or laid.
#[derive(Clone, Debug)]
pub(crate) struct CoinTest {
    pub(crate) place: String,
    pub(crate) predicted: Microamps,
    began: Mono,
    onset: Option<Mono>,
    /// The last sample of the short, and when it was told.
    last: Option<(Mono, Microamps)>,
    /// The highest current that two samples in a row agree on, and of a single sample that one: a spike of a sensor is no
    /// current.
    pub(crate) highest: Microamps,
    agreed: bool,
    pub(crate) end: Option<CoinEnd>,
}

/// What ended the short.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum CoinEnd {
    /// Breaker or booster, after this.
    Breaker(Micros),
    /// Checkrail, before the breaker.
    Checkrail(Micros),
    /// Nothing: the coin was taken away.
    Nothing(Micros),
    /// No coin came.
    NotLaid,
}

impl CoinTest {
    pub(crate) const fn new(place: String, predicted: Microamps, now: Mono) -> Self {
        let highest = Microamps::ZERO;
        Self {
            place,
            predicted,
            began: now,
            onset: None,
            last: None,
            highest,
            agreed: false,
            end: None,
        }
    }

    pub(crate) fn handle(&mut self, sight: &DistrictSight, now: Mono) {
        if self.end.is_some() {
            return;
        }
        let half = Microamps(self.predicted.0 / 2);
        if let Some(amps) = sight.amps.filter(|&it| half <= it) {
            self.onset.get_or_insert(now);
            self.take(amps, sight.amps_told.unwrap_or(now));
        }
        let Some(onset) = self.onset else { return };
        let after = now.since(onset);
        self.end = match (sight.power, sight.cause) {
            (Some(PowerState::Cut | PowerState::Cutting), Some(Cause::TrippedElsewhere { .. })) => {
                Some(CoinEnd::Breaker(after))
            }
            (Some(PowerState::Cut), Some(Cause::PowerGone { .. })) => Some(CoinEnd::Breaker(after)),
            (Some(PowerState::Cutting | PowerState::Cut), _) => Some(CoinEnd::Checkrail(after)),
            (_, _) if sight.amps.is_some_and(|amps| amps < half) => {
                // Whether the breaker acted is known by then: `tripped elsewhere` is told within a second.
                (Micros::from_millis(1500) <= after).then_some(CoinEnd::Nothing(after))
            }
            (_, _) => None,
        };
    }

    /// A sample of the short; it may be shown more than once.
    fn take(&mut self, amps: Microamps, told: Mono) {
        match self.last {
            Some((before, _)) if before == told => return,
            Some((_, before)) => {
                let both = before.min(amps);
                self.highest = if self.agreed { self.highest.max(both) } else { both };
                self.agreed = true;
            }
            None => self.highest = amps,
        }
        self.last = Some((told, amps));
    }

    pub(crate) fn handle_timeout(&mut self, now: Mono) {
        if self.onset.is_none() && self.end.is_none() && self.began + WITHIN <= now {
            self.end = Some(CoinEnd::NotLaid);
        }
    }

    pub(crate) fn poll_deadline(&self) -> Option<Mono> {
        (self.onset.is_none() && self.end.is_none()).then_some(self.began + WITHIN)
    }

    /// The current was as forecast and something ended it; none while it lasts.
    pub(crate) fn passes(&self) -> Option<bool> {
        match self.end? {
            CoinEnd::Breaker(_) | CoinEnd::Checkrail(_) => Some(self.is_enough()),
            CoinEnd::Nothing(_) | CoinEnd::NotLaid => Some(false),
        }
    }

    pub(crate) fn is_enough(&self) -> bool {
        self.predicted.percent(ENOUGH) <= self.highest
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is seen of samples ten milliseconds apart, each of them shown twice.
    fn seen(milliamps: &[i64]) -> i64 {
        let mut coin = CoinTest::new("end/spur".to_owned(), Microamps(5_000_000), Mono::START);
        for (nth, &sample) in (1_u64..).zip(milliamps) {
            let told = Mono::START + Micros::from_millis(10 * nth);
            let amps = Some(Microamps(1000 * sample));
            let sight = DistrictSight { amps, amps_told: Some(told), ..DistrictSight::default() };
            coin.handle(&sight, told);
            coin.handle(&sight, told + Micros::from_millis(3));
        }
        coin.highest.0 / 1000
    }

    #[test]
    fn a_spike_of_the_sensor_is_no_current_of_the_coin() {
        let cases: &[(&[i64], i64)] = &[
            (&[400, 4900, 5000, 0], 4900),
            (&[400, 4900, 7500, 5000, 0], 5000),
            (&[400, 7500, 5000, 4950, 0], 5000),
            (&[400, 5000, 7500, 0], 5000),
            (&[400, 4800, 0], 4800),
            (&[400, 400], 0),
        ];
        for (samples, want) in cases {
            assert_eq!(seen(samples), *want, "{samples:?}");
        }
    }
}
