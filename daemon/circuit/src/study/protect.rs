//! How long a fault lasts: breaker, booster, Checkrail, each by itself.

use wiring::{
    index::DistrictIx,
    layout::{Breaker, BreakerKind, Layout},
    protection::Protection,
    units::{Microamps, Micros},
};

use super::{Settings, base::Solved, short::trips_at_all};
use crate::curve::effective_time;

/// `short` compares the total current with this part of the smaller of breaker trip and booster limit.
const SHORT_PICK_UP: f64 = 0.8;

/// Overload picks up at no more than this part of the booster's limit.
const OVERLOAD_PICK_UP: f64 = 0.9;

/// A current that equals the trip but for rounding reaches it.
fn reaches(amps: f64, trip: Microamps) -> bool {
    amps * (1.0 + 1e-9) >= trip.amps()
}

/// The breaker acts at this current, sooner or later.
pub(super) fn breaker_acts(breaker: &Breaker, solved: &Solved) -> bool {
    let trip = breaker.trip.filter(|_| trips_at_all(breaker.kind));
    trip.is_some_and(|trip| reaches(solved.district_amps, trip))
}

/// When the breaker has acted; none when it does not, or when nobody has said how long it takes.
///
/// A fuse and a resettable fuse melt or heat by energy: twice the current, a quarter of the time.
pub(super) fn breaker_time(breaker: &Breaker, amps: f64) -> Option<Micros> {
    let trip = breaker.trip.filter(|trip| reaches(amps, *trip))?.amps();
    match breaker.kind {
        BreakerKind::Electronic => Some(breaker.delay),
        BreakerKind::Fuse | BreakerKind::Ptc => (breaker.delay > Micros::ZERO).then(|| {
            let part = trip / amps;
            Micros((breaker.delay.0 as f64 * part * part).round() as u64)
        }),
        BreakerKind::Lamp | BreakerKind::None => None,
    }
}

/// The devices that protect a district, as they stand or as a remedy would have them.
#[derive(Clone, Debug)]
pub(super) struct Devices {
    pub(super) breaker: Breaker,
    /// Limit of the booster. Unit: ampere.
    pub(super) limit: f64,
    /// How long it stays there.
    pub(super) trip_delay: Micros,
    /// Longest time from order to open contact; none where Checkrail has no actuator.
    pub(super) opens_in: Option<Micros>,
    /// The current sensor averages over this time, where the layout file says so.
    pub(super) averaging: Option<Micros>,
    /// Time between its readings, where the layout file says so.
    pub(super) period: Option<Micros>,
}

impl Devices {
    pub(super) fn of(layout: &Layout, district: DistrictIx) -> Self {
        let district = &layout.districts[district.at()];
        let booster = &layout.boosters[district.booster.at()];
        let current = format!("district/{}/current", district.id);
        let own = district.cut.then_some(district.opens_in);
        Self {
            breaker: district.breaker.clone(),
            limit: booster.limit.amps(),
            trip_delay: booster.trip_delay,
            opens_in: own.or(booster.cut.then_some(booster.opens_in)),
            averaging: district.averaging.or_else(|| layout.links.averaging(&current)),
            period: layout.links.period(&current),
        }
    }

    /// When the booster has shut itself down: its delay at its limit.
    pub(super) fn booster_time(&self, solved: &Solved) -> Option<Micros> {
        solved.booster_limits.then_some(self.trip_delay)
    }

    /// Time that Checkrail needs beyond its own decision: sensor, transport, actuator. None without an actuator.
    pub(super) fn overhead(&self, settings: &Settings) -> Option<Micros> {
        let average = self.averaging.unwrap_or(settings.sensor_average);
        let sensor = average + self.period.unwrap_or(settings.sample_spacing);
        self.opens_in.map(|opens| sensor + settings.transport + opens)
    }

    /// How its current is measured, in words, where the layout file says so.
    pub(super) fn sensing(&self) -> Option<String> {
        match (self.period, self.averaging) {
            (Some(period), Some(average)) => {
                Some(format!("read every {period} and averaged over {average}"))
            }
            (Some(period), None) => Some(format!("read every {period}")),
            (None, Some(average)) => Some(format!("averaged over {average}")),
            (None, None) => None,
        }
    }

    /// An element decides on two readings at least: where they are rare, the time between them counts.
    pub(super) fn on_readings(&self, after: Micros) -> Micros {
        after.max(self.period.unwrap_or(Micros::ZERO))
    }

    /// L: the smaller of breaker trip, if any, and booster limit. Unit: ampere.
    pub(super) fn lowest(&self) -> f64 {
        self.breaker.trip.map_or(self.limit, |trip| self.limit.min(trip.amps()))
    }

    /// Pick-up of the overload element.
    pub(super) fn overload_pick_up(&self, keys: &Protection) -> Microamps {
        let highest = Microamps::from_amps(OVERLOAD_PICK_UP * self.limit);
        let trip = self.breaker.trip.unwrap_or(highest);
        keys.overload_pickup.unwrap_or(trip.min(highest))
    }

    /// When Checkrail decides at a constant fault current, by whichever element is first. `weakest` is I_w of the
    /// contact that the fault flows through.
    pub(super) fn decision(
        &self,
        keys: &Protection,
        weakest: Microamps,
        amps: f64,
    ) -> Option<Micros> {
        let steps = amps >= keys.short_step.amps();
        let short = steps && (amps >= SHORT_PICK_UP * self.lowest() || amps >= weakest.amps());
        let multiple = amps / self.overload_pick_up(keys).amps();
        let multiplier = f64::from(keys.overload_multiplier) / 1e3;
        let candidates = [
            short.then_some(keys.short_after),
            (steps && !short).then_some(keys.half_short_after),
            effective_time(keys.overload_curve, multiplier, multiple),
        ];
        candidates.into_iter().flatten().min().map(|after| self.on_readings(after))
    }
}
