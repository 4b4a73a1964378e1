//! Coordination: how long breaker, booster and Checkrail let each current flow, beside how long the contacts stand it.

use wiring::{
    index::{DistrictIx, MachineIx},
    layout::{BreakerKind, Layout},
    units::{Micros, Millivolts},
};

use super::{
    Settings,
    protect::{self, Devices},
    short::Short,
};
use crate::{
    curve::effective_time,
    grid::Amps,
    thermal::{Image, charged},
};

/// Points of a curve in each decade of current.
const POINTS_A_DECADE: f64 = 96.0;

/// Range of the plot. Unit: ampere.
pub const AMPS: (f64, f64) = (0.5, 50.0);

/// Range of the plot. Unit: second.
pub const SECONDS: (f64, f64) = (0.01, 100.0);

/// What a line stands for.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub enum CurveKind {
    /// One contact, from its load current.
    Contact,
    /// Two contacts side by side, from their load current.
    Pair,
    /// The district's breaker.
    Breaker,
    /// The booster's own shutdown.
    Booster,
    /// Checkrail's `short`.
    Short,
    /// Checkrail's `overload`.
    Overload,
    /// Checkrail's `at limit`.
    AtLimit,
}

/// A line of the time-current plot.
#[derive(Clone, Debug, PartialEq)]
pub struct CurveLine {
    /// What it stands for.
    pub kind: CurveKind,
    /// Its name in the legend.
    pub label: String,
    /// Points by rising current. Units: ampere, second.
    pub points: Vec<(f64, f64)>,
}

/// Protective devices of a district against each other.
#[derive(Clone, Debug, PartialEq)]
pub struct Coordination {
    /// The district.
    pub district: DistrictIx,
    /// Smallest and largest short-circuit current at its places.
    pub shorts: Option<(Amps, Amps)>,
    /// Lines of the plot.
    pub curves: Vec<CurveLine>,
    /// What does not work together, in words; empty: nothing.
    pub notes: Vec<String>,
}

/// The coordination of every district.
pub(super) fn coordination(
    layout: &Layout,
    settings: &Settings,
    shorts: &[Short],
) -> Vec<Coordination> {
    let mut by_district: Vec<Vec<&Short>> = vec![Vec::new(); layout.districts.len()];
    for short in shorts.iter().filter(|short| short.amps.0 > 0.0) {
        by_district[short.district.at()].push(short);
    }
    let of = |(at, own): (usize, &Vec<&Short>)| {
        let district = DistrictIx::new(at);
        let amps = own.iter().map(|short| short.district_amps.0);
        let range = (!own.is_empty())
            .then(|| (Amps(amps.clone().fold(f64::MAX, f64::min)), Amps(amps.fold(0.0, f64::max))));
        Coordination {
            district,
            shorts: range,
            curves: curves(layout, settings, district),
            notes: notes(layout, district, own),
        }
    };
    by_district.iter().enumerate().map(of).collect()
}

fn curves(layout: &Layout, settings: &Settings, district: DistrictIx) -> Vec<CurveLine> {
    let devices = Devices::of(layout, district);
    let mut lines = Vec::new();
    if let Some(machine) = weakest_machine(layout, district) {
        lines.push(contact_line(layout, machine, CurveKind::Contact, 1));
        lines.push(contact_line(layout, machine, CurveKind::Pair, 2));
    }
    let breaker = |amps: f64| protect::breaker_time(&devices.breaker, amps);
    lines.push(line(CurveKind::Breaker, breaker_label(&devices), breaker));
    let booster = |amps: f64| (amps >= devices.limit).then_some(devices.trip_delay);
    lines.push(line(CurveKind::Booster, "booster".to_owned(), booster));
    lines.extend(checkrail_lines(layout, settings, district, &devices));
    lines.retain(|line| !line.points.is_empty());
    lines
}

fn breaker_label(devices: &Devices) -> String {
    match devices.breaker.kind {
        BreakerKind::Electronic => "breaker".to_owned(),
        BreakerKind::Fuse => "fuse".to_owned(),
        BreakerKind::Ptc => "resettable fuse".to_owned(),
        BreakerKind::Lamp => "lamp".to_owned(),
        BreakerKind::None => "no breaker".to_owned(),
    }
}

/// Checkrail's elements, where it has an actuator: decision, sensor, transport and actuator together.
fn checkrail_lines(
    layout: &Layout,
    settings: &Settings,
    district: DistrictIx,
    devices: &Devices,
) -> Vec<CurveLine> {
    let Some(overhead) = devices.overhead(settings) else { return Vec::new() };
    let keys = layout.protection.district(district);
    let pick_up = keys.short_step.amps().max(0.8 * devices.lowest());
    let short =
        |amps: f64| (amps >= pick_up).then_some(devices.on_readings(keys.short_after) + overhead);
    let multiplier = f64::from(keys.overload_multiplier) / 1e3;
    let overload_pick_up = devices.overload_pick_up(keys).amps();
    let overload = |amps: f64| {
        effective_time(keys.overload_curve, multiplier, amps / overload_pick_up)
            .map(|time| devices.on_readings(time) + overhead)
    };
    let at_limit = |amps: f64| {
        let after = devices.on_readings(keys.at_limit_after);
        (amps >= 0.95 * devices.limit).then_some(after + overhead)
    };
    vec![
        line(CurveKind::Short, "Checkrail: short".to_owned(), short),
        line(CurveKind::Overload, "Checkrail: overload".to_owned(), overload),
        line(CurveKind::AtLimit, "Checkrail: at limit".to_owned(), at_limit),
    ]
}

/// The machine with the smallest contact rating that feeds a frog of the district.
fn weakest_machine(layout: &Layout, district: DistrictIx) -> Option<MachineIx> {
    let frogs = layout.frogs.iter().filter(|frog| {
        layout.blocks[layout.trackwork[frog.trackwork.at()].block.at()].district == district
    });
    let machines =
        frogs.flat_map(|frog| &frog.poles).map(|pole| layout.poles[pole.pole.at()].machine);
    machines.min_by_key(|machine| (layout.machines[machine.at()].contact_rating, *machine))
}

fn contact_line(layout: &Layout, index: MachineIx, kind: CurveKind, poles: usize) -> CurveLine {
    let machine = &layout.machines[index.at()];
    let keys = layout.protection.machine(index);
    let part = charged(1.0 / poles as f64, poles, f64::from(keys.pair_factor) / 1e3);
    let rating = machine.contact_rating.amps();
    let image = Image::settled(keys.frog_load.amps() * part / rating);
    let time = |amps: f64| image.time_to_full(amps * part / rating, machine.contact_time_constant);
    let label = if poles == 1 { "one contact" } else { "two contacts" };
    line(kind, format!("{label} of {}", machine.contact_rating), time)
}

/// Samples a curve over the plot's currents; where it begins within a step, the beginning is found by halving.
fn line(kind: CurveKind, label: String, time: impl Fn(f64) -> Option<Micros>) -> CurveLine {
    let steps = ((AMPS.1 / AMPS.0).log10() * POINTS_A_DECADE).round() as usize;
    let amps = |step: usize| AMPS.0 * 10f64.powf(step as f64 / POINTS_A_DECADE);
    let mut points = Vec::new();
    for step in 0..=steps {
        if let Some(at) = time(amps(step)) {
            if points.is_empty() && step > 0 {
                points.push(beginning(&time, amps(step - 1), amps(step)));
            }
            points.push((amps(step), at.seconds()));
        }
    }
    CurveLine { kind, label, points }
}

fn beginning(time: &impl Fn(f64) -> Option<Micros>, mut low: f64, mut high: f64) -> (f64, f64) {
    for _ in 0..40 {
        let middle = (low * high).sqrt();
        if time(middle).is_some() {
            high = middle;
        } else {
            low = middle;
        }
    }
    (high, time(high).map_or(SECONDS.1, Micros::seconds))
}

fn notes(layout: &Layout, district: DistrictIx, shorts: &[&Short]) -> Vec<String> {
    let devices = Devices::of(layout, district);
    let mut notes = Vec::new();
    if let Some(trip) = devices.breaker.trip {
        if trip.amps() > devices.limit {
            notes.push(format!(
                "the breaker trips at {trip}, above the booster's limit: the booster always acts first"
            ));
        } else if devices.breaker.delay >= devices.trip_delay {
            notes.push(format!(
                "the breaker takes {} and the booster {}: one short takes every district of the booster down",
                devices.breaker.delay, devices.trip_delay
            ));
        }
        if let Some(weak) = shorts.iter().find(|short| short.coin == Some(false)) {
            notes.push(format!("the coin test is forecast to fail at {}", weak.at));
        }
    }
    if devices.opens_in.is_none() {
        notes.push("Checkrail has no actuator here: it can tell, but not cut".to_owned());
    }
    notes.extend(devices.sensing().map(|how| format!("its current is {how}")));
    let volts =
        Millivolts((shorts.iter().map(|short| short.volts.0).fold(0.0, f64::max) * 1e3) as i64);
    notes.push(format!("voltage left at the bus end during a short: at most {volts}"));
    notes
}
