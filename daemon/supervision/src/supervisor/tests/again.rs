//! A booster that shuts itself down on the same fault again and again.

use std::fmt::Write as _;

use super::rig::check_orders;

/// Load, then `times` tries 5 s apart: for 150 ms the booster stands at `amps` and its voltage at `volts`, where it is
/// read; then nothing.
fn tries(times: u64, amps: f64, volts: Option<f64>) -> String {
    let mut journal = String::new();
    let mut play = |from: u64, to: u64, amps: f64, volts: Option<f64>| {
        let (each, rest) = (amps * 0.465, amps * 0.07);
        writeln!(
            journal,
            "{from}..{to}/10 booster/main/current {amps:.2}\n{from}..{to}/10 district/quarry/current {each:.2}\n\
             {from}..{to}/10 district/yard/current {each:.2}\n{from}..{to}/10 district/shed/current {rest:.2}"
        )
        .expect("text");
        if let Some(volts) = volts {
            writeln!(journal, "{from}..{to}/50 booster/main/voltage {volts}").expect("text");
        }
    };
    play(0, 1000, 2.3, volts.map(|_| 14.8));
    for time in 0..times {
        let at = 1000 + 5000 * time;
        play(at, at + 150, amps, volts);
        play(at + 150, at + 5000, 0.0, volts.map(|_| 0.0));
    }
    journal
}

/// F17 between two districts of one booster: neither steps far enough to arm `short`, and the booster gives up before
/// `at limit` has counted.
#[test]
fn a_booster_that_tries_a_short_again_loses_the_districts_that_hold_it() {
    let both = |at| {
        format!(
            "{at} cut district/quarry tripped-elsewhere; {at} cut district/yard tripped-elsewhere"
        )
    };
    check_orders(&tries(1, 4.95, Some(1.3)), "");
    check_orders(&tries(2, 4.95, Some(1.3)), &both(6200));
}

/// A plug that is loose, and engines that charge at the limit with voltage climbing, are no short.
#[test]
fn a_booster_that_goes_without_a_short_is_left_alone() {
    check_orders(&tries(5, 2.3, Some(14.6)), "");
    check_orders(&tries(5, 2.3, None), "");
    check_orders(&tries(5, 4.95, Some(9.0)), "");
}
