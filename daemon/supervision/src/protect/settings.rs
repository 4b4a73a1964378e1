//! The keys in force for one district, with every default that depends on the district resolved.

use wiring::{
    layout::{BreakerKind, Control, Layout},
    protection::{CurveName, LowVoltage, Protection},
    units::{Microamps, Micros, Millivolts},
};

use crate::noise::LEAST;

/// `short` trips on this part of the breaker's trip or booster's limit. Unit: percent.
const PART_OF_LIMIT: i64 = 80;
/// Part of the booster's limit at which it is at its limit. Unit: percent.
const AT_LIMIT: i64 = 95;
/// The curve and the inrush pick-up stay below this part of the booster's limit. Unit: percent.
const BELOW_LIMIT: i64 = 90;
/// On a DC layout nothing is judged by voltage below this.
pub(crate) const DC_LEAST: Millivolts = Millivolts(3000);

/// Settings of one district's elements.
#[derive(Clone, Debug)]
pub(crate) struct Settings {
    /// A step of this arms `short` and starts `half-short`.
    pub(crate) step: Microamps,
    /// How far back the lowest good sample counts.
    pub(crate) window: Micros,
    /// From the first to the latest sample above pick-up.
    pub(crate) short_after: Micros,
    /// Pick-up of `short` compared with the total: 0.8 L.
    pub(crate) pickup: Microamps,
    /// How long a step stays.
    pub(crate) half_short_after: Micros,
    /// 95 % of the booster's limit.
    pub(crate) at_limit: Microamps,
    /// For how long.
    pub(crate) at_limit_after: Micros,
    /// A lamp or resettable fuse heads the district: at its limit is told by voltage.
    pub(crate) limited: bool,
    /// Pick-up of the curve.
    pub(crate) overload_pickup: Microamps,
    /// The curve.
    pub(crate) curve: CurveName,
    /// Its multiplier.
    pub(crate) multiplier: f64,
    /// 90 % of the breaker's trip: the warning before a cut.
    pub(crate) overload_warning: Microamps,
    /// Voltage below this is low.
    pub(crate) low_voltage: Millivolts,
    /// For how long.
    pub(crate) low_voltage_after: Micros,
    /// Volts of the booster.
    pub(crate) volts: Millivolts,
    /// Voltage follows the throttle.
    pub(crate) dc: bool,
    /// After power returned.
    pub(crate) inrush_window: Micros,
    /// Pick-up in it.
    pub(crate) inrush_pickup: Microamps,
    /// How long it must stay.
    pub(crate) inrush_after: Micros,
    /// Below this no current flows.
    pub(crate) residual: Microamps,
    /// The most the booster delivers.
    pub(crate) limit: Microamps,
    /// How long a step counts for `mismatch`.
    pub(crate) mismatch_window: Micros,
}

impl Settings {
    /// Of one district of a layout.
    pub(crate) fn new(layout: &Layout, district: usize) -> Self {
        let it = &layout.districts[district];
        let booster = &layout.boosters[it.booster.at()];
        let keys = layout.protection.districts.get(district).unwrap_or(&layout.protection.layout);
        let trip = it.breaker.trip;
        let least = trip.unwrap_or(booster.limit).min(booster.limit);
        let below_limit = booster.limit.percent(BELOW_LIMIT);
        let inrush = trip.unwrap_or(below_limit).min(below_limit);
        Self {
            step: keys.short_step,
            window: keys.short_window,
            short_after: keys.short_after,
            pickup: least.percent(PART_OF_LIMIT),
            half_short_after: keys.half_short_after,
            at_limit: booster.limit.percent(AT_LIMIT),
            at_limit_after: keys.at_limit_after,
            limited: matches!(it.breaker.kind, BreakerKind::Lamp | BreakerKind::Ptc)
                && layout.control == Control::Dcc,
            overload_pickup: keys.overload_pickup.unwrap_or(inrush),
            curve: keys.overload_curve,
            multiplier: f64::from(keys.overload_multiplier) / 1000.0,
            overload_warning: least.percent(BELOW_LIMIT),
            low_voltage: low_voltage(keys, booster.volts, layout.control),
            low_voltage_after: keys.low_voltage_after,
            volts: booster.volts,
            dc: layout.control == Control::Dc,
            inrush_window: keys.inrush_window,
            inrush_pickup: keys.inrush_pickup.unwrap_or(inrush),
            inrush_after: keys.inrush_after,
            residual: keys.cut_residual.unwrap_or(LEAST),
            limit: booster.limit,
            mismatch_window: keys.mismatch_window,
        }
    }

    /// Of a booster as a whole, for districts that send no current: no breaker of one district counts.
    pub(crate) fn of_booster(layout: &Layout, booster: usize) -> Option<Self> {
        let fed = layout.districts.iter().position(|it| it.booster.at() == booster)?;
        let limit = layout.boosters[booster].limit;
        let below = limit.percent(BELOW_LIMIT);
        let mut it = Self::new(layout, fed);
        it.pickup = limit.percent(PART_OF_LIMIT);
        it.overload_pickup = below;
        it.overload_warning = below;
        it.inrush_pickup = below;
        it.limited = false;
        Some(it)
    }

    /// Half the booster's volts: below it power is as good as gone.
    pub(crate) const fn half_volts(&self) -> Millivolts {
        self.volts.percent(50)
    }

    /// Four fifths of the booster's volts: above it power is there.
    pub(crate) const fn healthy_volts(&self) -> Millivolts {
        self.volts.percent(80)
    }
}

/// On a DC layout the throttle sets the voltage: a part of the booster's says nothing, an absolute limit does.
const fn low_voltage(keys: &Protection, volts: Millivolts, control: Control) -> Millivolts {
    match keys.low_voltage {
        LowVoltage::OfBooster(_) if matches!(control, Control::Dc) => Millivolts::ZERO,
        LowVoltage::OfBooster(thousandths) => Millivolts(volts.0 * thousandths as i64 / 1000),
        LowVoltage::Absolute(volts) => volts,
    }
}
