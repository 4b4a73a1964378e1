//! Curves and thermal image against published values. Sources stand beside each check and in data/README.md.

use circuit::{
    curve::{
        Accumulator, HIGHEST_MULTIPLE, LOWEST_MULTIPLE, constants, effective_time, operate_time,
        reset_time,
    },
    thermal::{Image, charged},
};
use wiring::{
    protection::CurveName::{self, *},
    units::{Microamps, Micros},
};

const ALL: [CurveName; 7] = [
    StandardInverse,
    VeryInverse,
    ExtremelyInverse,
    LongTimeInverse,
    ModeratelyInverse,
    IeeeVeryInverse,
    IeeeExtremelyInverse,
];

fn named(name: &str) -> Option<CurveName> {
    Some(match name.split(' ').next()? {
        "IEC_SI" => StandardInverse,
        "IEC_VI" => VeryInverse,
        "IEC_EI" => ExtremelyInverse,
        "IEC_LTI" => LongTimeInverse,
        "IEEE_MI" => ModeratelyInverse,
        "IEEE_VI" => IeeeVeryInverse,
        "IEEE_EI" => IeeeExtremelyInverse,
        _ => return None,
    })
}

fn rows(text: &'static str) -> impl Iterator<Item = Vec<&'static str>> {
    text.lines().skip(1).map(|line| line.split(',').collect())
}

fn number(cell: &str) -> f64 {
    cell.parse().expect("a number")
}

/// Operate times of three makers' manuals, each rounded to the millisecond there.
#[test]
fn every_published_operate_time_is_met_to_its_rounding() {
    let mut checked = 0;
    for row in rows(include_str!("data/overcurrent.csv")) {
        let curve = named(row[0]).expect("a known curve");
        let got = operate_time(curve, number(row[1]), number(row[2])).expect("above pick-up");
        let published = number(row[3]);
        assert!((got.seconds() - published).abs() <= 0.000_51, "{row:?}: {}", got.seconds());
        checked += 1;
    }
    assert_eq!(checked, 210);
}

/// IEC 60255-151 and IEEE C37.112-1996; reset times of makers' manuals.
#[test]
fn the_constants_are_those_of_the_standards() {
    let mut checked = 0;
    for row in rows(include_str!("data/overcurrent_constants.csv")) {
        let Some(curve) = named(row[0]) else { continue };
        let ours = constants(curve);
        let want = [row[2], row[3], row[4], row[5]].map(number);
        assert_eq!([ours.k, ours.alpha, ours.c, ours.reset], want, "{}", row[0]);
        checked += 1;
    }
    assert_eq!(checked, ALL.len());
}

#[test]
fn a_curve_never_operates_at_pick_up_and_never_resets_above_it() {
    for curve in ALL {
        for multiple in [0.0, 0.5, 1.0] {
            assert_eq!(operate_time(curve, 1.0, multiple), None);
            assert_eq!(effective_time(curve, 1.0, multiple), None);
        }
        assert_eq!(reset_time(curve, 1.0, 1.0), None);
    }
}

/// Reset of the IEEE curves at half and at nine tenths of pick-up: computed from tr / (1 − M²), tr as published.
#[test]
fn reset_times_follow_the_square_of_the_current() {
    let cases = [
        (ModeratelyInverse, [4.85, 6.467, 25.526]),
        (IeeeVeryInverse, [21.6, 28.8, 113.684]),
        (IeeeExtremelyInverse, [29.1, 38.8, 153.158]),
    ];
    for (curve, want) in cases {
        for (multiple, want) in [0.0, 0.5, 0.9].into_iter().zip(want) {
            let got = reset_time(curve, 1.0, multiple).expect("below pick-up").seconds();
            assert!((got - want).abs() <= 0.000_51, "{curve:?} {multiple}: {got}");
        }
    }
}

#[test]
fn times_are_proportional_to_the_multiplier_and_fall_with_current() {
    for curve in ALL {
        let mut last = Micros(u64::MAX);
        for step in 11..200 {
            let multiple = f64::from(step) / 10.0;
            let one = operate_time(curve, 1.0, multiple).expect("above pick-up");
            let tenth = operate_time(curve, 0.1, multiple).expect("above pick-up");
            assert!((tenth.seconds() * 10.0 - one.seconds()).abs() < 1e-5);
            assert!(one < last);
            last = one;
        }
    }
}

#[test]
fn the_effective_range_holds_the_time_at_its_ends() {
    for curve in ALL {
        let at = |multiple| operate_time(curve, 0.1, multiple);
        assert_eq!(effective_time(curve, 0.1, 1.000_1), at(LOWEST_MULTIPLE));
        assert_eq!(effective_time(curve, 0.1, 90.0), at(HIGHEST_MULTIPLE));
        assert_eq!(effective_time(curve, 0.1, 3.0), at(3.0));
    }
}

/// IEEE C37.112: trip when the integral of dt / t(M) reaches 1.
#[test]
fn an_accumulator_trips_when_the_parts_of_its_times_add_to_one() {
    let mut spent = Accumulator::default();
    let half = |multiple| {
        let whole = operate_time(VeryInverse, 0.1, multiple).expect("above pick-up");
        Micros(whole.0 / 2)
    };
    assert!(!spent.advance(VeryInverse, 0.1, 3.0, half(3.0)));
    assert!(
        !spent.advance(VeryInverse, 0.1, 1.0, Micros::from_millis(99_999)),
        "at pick-up it stands"
    );
    assert!(!spent.advance(VeryInverse, 0.1, 5.0, Micros(half(5.0).0 - 10)));
    assert!(spent.advance(VeryInverse, 0.1, 5.0, Micros(20)));
    let full = reset_time(VeryInverse, 0.1, 0.0).expect("below pick-up");
    spent.advance(VeryInverse, 0.1, 0.0, full + Micros(1000));
    assert_eq!(spent.spent, 0.0);
}

fn image_after(multiple: f64) -> Image {
    Image::settled(multiple)
}

const TAU: Micros = Micros(1_000_000_000_000);

/// Times over time constant, from cold and after three preloads: IEC 60255-149, table computed from its equation.
#[test]
fn the_image_fills_when_the_equation_says() {
    for row in rows(include_str!("data/thermal.csv")) {
        for (column, preload) in [(1, 0.0), (2, 0.5), (3, 0.7), (4, 0.9)] {
            let time =
                image_after(preload).time_to_full(number(row[0]), TAU).expect("above rating");
            let got = time.0 as f64 / TAU.0 as f64;
            assert!((got - number(row[column])).abs() <= 0.6e-6, "{row:?} {preload}: {got}");
        }
    }
}

/// A relay maker's worked example: six times the rating for 5 s, k² = 1.21: time constant 146 s from cold, 830 s warm.
#[test]
fn the_time_constant_of_a_published_example_comes_out() {
    let multiple = 6.0 / 1.21f64.sqrt();
    for (preload, published) in [(0.0, 146.25), (1.0 / 1.21f64.sqrt(), 830.83)] {
        let time = image_after(preload).time_to_full(multiple, TAU).expect("above rating");
        let tau = 5.0 * TAU.seconds() / time.seconds();
        assert!((tau - published).abs() < 0.01, "{tau}");
    }
}

/// Closed forms: ln(4/3) at twice the rating, ln 2 at √2; 63.212 % after one time constant at the rating.
#[test]
fn closed_forms_are_met() {
    let second = Micros::from_millis(1000);
    let seconds = |multiple: f64| {
        Image::default().time_to_full(multiple, second).expect("above rating").seconds()
    };
    assert!((seconds(2.0) - (4f64 / 3.0).ln()).abs() < 1.1e-6);
    assert!((seconds(2f64.sqrt()) - 2f64.ln()).abs() < 1.1e-6);
    let mut image = Image::default();
    image.advance(1.0, second, second);
    assert!((image.theta - 0.632_12).abs() < 1e-5);
    assert_eq!(image.time_to_full(1.0, second), None);
}

#[test]
fn small_steps_and_one_step_agree() {
    let tau = Micros::from_millis(2000);
    let (mut fine, mut coarse) = (image_after(0.6), image_after(0.6));
    for _ in 0..1000 {
        fine.advance(3.0, Micros(100), tau);
    }
    coarse.advance(3.0, Micros(100_000), tau);
    assert!((fine.theta - coarse.theta).abs() < 1e-12);
    let left = coarse.time_to_full(3.0, tau).expect("above rating");
    coarse.advance(3.0, left, tau);
    assert!(coarse.is_full() || 1.0 - coarse.theta < 1e-9);
}

/// One pole of 1 A and 2 s: 5 A 82 ms cold, 53 ms after 0.6 A, 8 A 31 ms; a pair 278 and 104 ms. A design value of
/// this program, computed from the equation.
#[test]
fn a_one_amp_pole_stands_what_the_documentation_says() {
    let tau = Micros::from_millis(2000);
    let pair = charged(0.5, 2, 1.8);
    let cases = [
        (0.0, 5.0, 82),
        (0.6, 5.0, 53),
        (0.0, 8.0, 31),
        (0.0, 5.0 * pair, 278),
        (0.0, 8.0 * pair, 104),
    ];
    for (preload, multiple, want) in cases {
        let time = image_after(preload).time_to_full(multiple, tau).expect("above rating");
        assert_eq!((time.seconds() * 1e3).round(), f64::from(want));
    }
}

/// Design values: 2.13 A for one cold pole of 1 A and 2 s within 0.5 s, 3.83 A for a proved pair.
#[test]
fn the_weakest_poles_pick_up_is_what_fills_it_in_the_withstand_time() {
    let (rating, within, tau) =
        (Microamps::from_milliamps(1000), Micros::from_millis(500), Micros::from_millis(2000));
    let amps = |theta, factor| Image { theta }.pick_up(rating, factor, within, tau).amps();
    assert!((amps(0.0, 1.0) - 2.13).abs() < 0.005);
    assert!((amps(0.0, 1.8) - 3.83).abs() < 0.005);
    for theta in [0.0, 0.36, 0.9] {
        let image = Image { theta };
        let time = image.time_to_full(amps(theta, 1.0), tau).expect("above rating");
        assert!(time.0.abs_diff(within.0) < 10, "{theta}: {time:?}");
    }
}

#[test]
fn poles_side_by_side_are_charged_with_no_less_than_their_share() {
    let cases =
        [(1.0, 1, 1.0), (0.5, 2, 1.0 / 1.8), (0.6, 2, 0.6), (0.25, 4, 1.0 / 3.6), (0.4, 4, 0.4)];
    for (share, poles, want) in cases {
        assert_eq!(charged(share, poles, 1.8), want);
    }
}

#[test]
fn an_image_cools_with_its_time_constant() {
    let mut image = Image { theta: 0.8 };
    image.advance(0.0, Micros((2e6 * 8f64.ln()) as u64), Micros::from_millis(2000));
    assert!((image.theta - 0.1).abs() < 1e-6, "{}", image.theta);
}
