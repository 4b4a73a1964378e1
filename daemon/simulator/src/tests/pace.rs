//! Long steps give what short ones give.

use super::*;
use crate::pace::FINE;

/// The same session in which all districts are cut and restored, once as it is and once with every millisecond looked at, drawn and solved anew.
fn both_ways(layout: &Arc<Layout>, seed: u64, millis: u64) -> [World; 2] {
    let plan = || Plan { perturbation: Perturbation::none(), ..Plan::clean(seed) };
    let (mut quick, mut slow) = (world(layout, plan()), world(layout, plan()));
    for world in [&mut quick, &mut slow] {
        for district in (0..layout.districts.len()).map(DistrictIx::new) {
            let channel = power(world, district);
            world.order(channel, "cut", at(4_000));
            world.order(channel, "on", at(6_000));
        }
    }
    quick.advance(at(millis));
    while slow.now() < at(millis) {
        slow.plant.rebuild(&slow.built, &slow.contacts);
        slow.redraw = true;
        slow.advance(slow.now() + FINE);
    }
    [quick, slow]
}

fn value(reading: &SimReading) -> f64 {
    if let SimValue::Number(number) = reading.value { number } else { f64::NAN }
}

/// What a vehicle sees while it charges is searched to a seventieth of a volt, of fifteen or so: the search may end a
/// step apart, and so may what it draws.
fn is_near(one: f64, other: f64) -> bool {
    (one - other).abs() < 3e-4 + 1e-3 * one.abs().max(other.abs())
}

fn check(seed: u64, turnouts: usize) {
    let layout = layout(&generate(seed, turnouts));
    let [mut quick, mut slow] = both_ways(&layout, seed, 15_000);
    assert_eq!(truths(&mut quick), truths(&mut slow));
    let (quick, slow) = (readings(&mut quick), readings(&mut slow));
    assert_eq!(quick.len(), slow.len());
    for (one, other) in quick.iter().zip(&slow) {
        let plain = |it: &SimReading| SimReading { value: SimValue::Word(""), ..*it };
        assert_eq!(plain(one), plain(other));
        assert!(is_near(value(one), value(other)) || one.value == other.value, "{one:?} {other:?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2, ..ProptestConfig::default() })]

    #[test]
    fn long_steps_give_what_short_ones_give(seed in any::<u64>(), turnouts in 3usize..8) {
        check(seed, turnouts);
    }
}

/// A seed in which the search ends a step apart while vehicles charge.
#[test]
fn long_steps_give_what_short_ones_give_while_vehicles_charge() {
    check(9_344_711_191_398_858_085, 5);
}
