//! Wire, rail and contact constants against published tables; the table itself is `wiring::material`.

use wiring::{
    layout::RailCode,
    material::{
        PTC_COLD, SILVER_MELTS, SILVER_SOFTENS, ampacity, diameter, rail_ohms_per_metre,
        spot_celsius, wire_ohms_per_metre,
    },
    units::{Gauge, Millicelsius},
};

const METRES_IN_1000_FEET: f64 = 304.8;

fn rows() -> impl Iterator<Item = (i16, Vec<&'static str>)> {
    include_str!("data/wire.csv").lines().skip(1).map(|line| {
        let row: Vec<&str> = line.split(',').collect();
        (row[0].parse().expect("a gauge"), row)
    })
}

/// The commonly printed table, ohm per 1000 ft at 20 C, 10 to 32 AWG.
#[test]
fn wire_resistance_is_that_of_the_printed_table() {
    let mut checked = 0;
    for (awg, row) in rows() {
        let got = wire_ohms_per_metre(Gauge::Awg(awg), Millicelsius(20_000)) * METRES_IN_1000_FEET;
        let published: f64 = row[9].parse().expect("a resistance");
        assert!((got / published - 1.0).abs() < 1e-3, "{awg} AWG: {got} is not {published}");
        checked += 1;
    }
    assert_eq!(checked, 23);
}

/// NEC chapter 9 table 8, solid uncoated copper at 75 C: independent through the temperature coefficient.
#[test]
fn wire_resistance_at_75_c_is_that_of_the_code_table() {
    let mut checked = 0;
    for (awg, row) in rows() {
        let Ok(published) = row[13].parse::<f64>() else { continue };
        let got = wire_ohms_per_metre(Gauge::Awg(awg), Millicelsius(75_000)) * METRES_IN_1000_FEET;
        assert!((got / published - 1.0).abs() < 5e-3, "{awg} AWG: {got} is not {published}");
        checked += 1;
    }
    assert_eq!(checked, 5);
}

/// ASTM B258: 36 AWG is 0.005 in, 4/0 is 0.46 in.
#[test]
fn the_two_fixed_diameters_are_exact() {
    for (awg, inches) in [(36, 0.005), (-3, 0.46)] {
        assert!((diameter(Gauge::Awg(awg)) / 25.4 - inches).abs() < 1e-12);
    }
}

/// A run of 18 AWG, 30 ft each way, 5 A: 1.916 V (computed from the printed table).
#[test]
fn both_conductors_of_a_pair_count() {
    let metre = wire_ohms_per_metre(Gauge::Awg(18), Millicelsius(20_000));
    let volts = metre * 2.0 * 30.0 * 0.3048 * 5.0;
    assert!((volts - 1.916).abs() < 1e-3, "{volts}");
}

/// Ranges from two published measurements and the alloy's resistivity; one rail of nickel silver.
#[test]
fn rail_resistance_lies_within_the_published_ranges() {
    for (code, low, high) in
        [(100, 0.055, 0.09), (83, 0.08, 0.13), (70, 0.11, 0.21), (55, 0.2, 0.4)]
    {
        let got = rail_ohms_per_metre(RailCode(code));
        assert!(low <= got && got <= high, "code {code}: {got}");
    }
}

/// Kohlrausch's relation: silver's softening voltage gives 138 C, its melting voltage 947 C (metal melts at 962 C).
#[test]
fn a_touching_spot_is_as_hot_as_its_voltage_makes_it() {
    let at = |volts| spot_celsius(volts, Millicelsius(20_000));
    assert!((at(SILVER_SOFTENS) - 137.8).abs() < 0.2, "{}", at(SILVER_SOFTENS));
    assert!((at(SILVER_MELTS) - 946.9).abs() < 0.5, "{}", at(SILVER_MELTS));
    // The published figure starts from 293 K.
    assert!((at(0.05) - 60.7).abs() < 0.2);
}

/// NEC 240.4(D) for 14, 12 and 10 AWG (18 and 16 from memory); below that the printed chassis column, never above
/// that of 18 AWG.
#[test]
fn ampacity_never_rises_as_wire_gets_thinner() {
    for (awg, amps) in [(10, 30.0), (12, 20.0), (14, 15.0), (16, 10.0), (18, 7.0), (24, 3.5)] {
        assert_eq!(ampacity(Gauge::Awg(awg)).amps(), amps);
    }
    for awg in 10..32 {
        assert!(ampacity(Gauge::Awg(awg + 1)) <= ampacity(Gauge::Awg(awg)));
    }
    // 1.5 mm2 lies between 16 and 14 AWG: the thinner one counts.
    assert_eq!(ampacity(Gauge::Area(1_500_000)).amps(), 10.0);
}

/// A maker's datasheet of 2018, 30 V series: the cold resistance is that of its smallest part, the largest of all.
#[test]
fn a_cold_resettable_fuse_has_the_largest_resistance_of_a_published_series() {
    let rows = include_str!("data/ptc_ruef.csv").lines().skip(1);
    let most = rows.map(|row| row.split(',').nth(5).and_then(|cell| cell.parse().ok()));
    assert_eq!(most.flatten().fold(0.0, f64::max), PTC_COLD);
}
