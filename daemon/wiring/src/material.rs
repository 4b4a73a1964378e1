//! Constants of wire, rail and contacts, each with its source: the one table that studies and sheets read.

use crate::{
    layout::RailCode,
    units::{Gauge, Microamps, Millicelsius},
};

/// Resistivity of annealed copper at 20 C. Unit: ohm square millimetre per metre. IEC 60028 (100 % IACS): 1/58.
pub const COPPER: f64 = 1.0 / 58.0;

/// Temperature coefficient of copper's resistance at 20 C. Unit: 1/K. IEC 60287, IACS.
pub const COPPER_PER_KELVIN: f64 = 0.003_93;

/// One rail of nickel silver, code 83. Unit: ohm per metre. Bridge measurement published on a public page of rail
/// sizes; other measurements differ by a quarter, alloys by more: treat what follows from it as an estimate.
pub const RAIL_CODE_83: f64 = 0.108;

/// Voltage across a silver contact at which its touching spot softens. Unit: volt. Holm, Electric Contacts (table).
pub const SILVER_SOFTENS: f64 = 0.09;

/// Voltage across a silver contact at which its touching spot melts. Unit: volt. Holm, Electric Contacts (table).
pub const SILVER_MELTS: f64 = 0.37;

/// Lorenz number. Unit: V²/K². Sommerfeld's theory of metals.
pub const LORENZ: f64 = 2.44e-8;

/// Resistance of a lit lamp over that of a cold one. Published pairs: 144 / 9.5 ohm, 240 / 24 ohm; theory 13 to 15.
pub const LAMP_HOT_OVER_COLD: f64 = 15.0;

/// Exponent of a lamp's current over its voltage: I ~ V^0.55. From memory of tungsten tables.
pub const LAMP_EXPONENT: f64 = 0.55;

/// Resistance of an untripped resettable fuse. Unit: ohm. The largest of a published 30 V series (0.9 A hold).
pub const PTC_COLD: f64 = 0.12;

/// Diameter of a wire. Unit: millimetre. AWG by ASTM B258: 0.005 in × 92^((36 − n) / 39).
#[must_use]
pub fn diameter(gauge: Gauge) -> f64 {
    match gauge {
        Gauge::Awg(number) => 0.127 * 92f64.powf(f64::from(36 - number) / 39.0),
        Gauge::Area(area) => (area as f64 / 1e6 * 4.0 / std::f64::consts::PI).sqrt(),
    }
}

/// Cross-section of a wire. Unit: square millimetre.
#[must_use]
pub fn area(gauge: Gauge) -> f64 {
    match gauge {
        Gauge::Awg(_) => diameter(gauge).powi(2) * std::f64::consts::FRAC_PI_4,
        Gauge::Area(area) => area as f64 / 1e6,
    }
}

/// Resistance of one conductor of solid copper. Unit: ohm per metre. A stranded one has about 2 % more.
#[must_use]
pub fn wire_ohms_per_metre(gauge: Gauge, temperature: Millicelsius) -> f64 {
    let warmth = 1.0 + COPPER_PER_KELVIN * (temperature.celsius() - 20.0);
    COPPER / area(gauge) * warmth
}

/// Resistance of one rail of nickel silver: [`RAIL_CODE_83`], scaled by the square of the height. Unit: ohm per metre.
#[must_use]
pub fn rail_ohms_per_metre(code: RailCode) -> f64 {
    let height = 83.0 / f64::from(code.0.max(1));
    RAIL_CODE_83 * height * height
}

/// Temperature of a touching spot. Unit: degree Celsius. Kohlrausch: T² = T0² + U² / 4L, in kelvin.
#[must_use]
pub fn spot_celsius(volts: f64, ambient: Millicelsius) -> f64 {
    let start = ambient.celsius() + 273.15;
    (start * start + volts * volts / (4.0 * LORENZ)).sqrt() - 273.15
}

/// Ampacity by AWG, thickest first. Unit: milliampere. 10 to 14: NEC 240.4(D), the largest overcurrent device for
/// copper; 16 and 18: the same section, from memory; thinner: the chassis column of the commonly printed wire table,
/// held below that of 18 AWG.
const AMPACITY: [(i16, i64); 23] = [
    (10, 30_000),
    (11, 20_000),
    (12, 20_000),
    (13, 15_000),
    (14, 15_000),
    (15, 10_000),
    (16, 10_000),
    (17, 7000),
    (18, 7000),
    (19, 7000),
    (20, 7000),
    (21, 7000),
    (22, 7000),
    (23, 4700),
    (24, 3500),
    (25, 2700),
    (26, 2200),
    (27, 1700),
    (28, 1400),
    (29, 1200),
    (30, 860),
    (31, 700),
    (32, 530),
];

/// The most a wire may carry for long: the row of [`AMPACITY`] of the same size or the next thinner one; thicker wire
/// than the table's counts as its first row, thinner carries nothing for certain.
#[must_use]
pub fn ampacity(gauge: Gauge) -> Microamps {
    let area = area(gauge) * (1.0 + 1e-9);
    let row = AMPACITY.iter().find(|(awg, _)| self::area(Gauge::Awg(*awg)) <= area);
    row.map_or(Microamps::ZERO, |(_, milliamps)| Microamps::from_milliamps(*milliamps))
}
