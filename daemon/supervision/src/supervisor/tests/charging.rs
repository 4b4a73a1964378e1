//! Engines that charge though no reading says that power returned here: what is no fault, and what is one all the same.

use super::rig::{LAYOUT, Rig, acts, check_orders};
use crate::{output::Decision, start::Start};

/// The leg of T1 beyond block q2 goes on in the yard.
const GAP: &str = "
    [track.y-in]
    block = \"y1\"
    from = \"west\"
    to = \"north\"
    length = \"1 m\"
    left = \"A\"
    gaps = [\"from\"]
";

/// What `amps` say, every `step` milliseconds from `from` on, then `rest` for 2 s.
fn current(from: u64, step: u64, amps: &[f32], rest: &str) -> String {
    let of = |(nth, amps): (usize, &f32)| {
        format!("{} district/quarry/current {amps}\n", from + step * nth as u64)
    };
    let until = from + step * amps.len() as u64;
    let lines: String = amps.iter().enumerate().map(of).collect();
    format!("{lines}{until}..{}/20 district/quarry/current {rest}\n", until + 2000)
}

/// Ten engines that charge: over the pick-up of a short for 40 ms, below that of an inrush before its time.
fn charge(from: u64) -> String {
    current(from, 10, &[4.9, 4.5, 3.9, 3.3, 2.8, 2.2, 1.6, 1.0], "0.5")
}

/// A short: it stays until it is cut.
fn short(from: u64) -> String {
    format!("{from}..{}/10 district/quarry/current 5.0\n", from + 400)
}

/// Orders up to the first cut: the rig's current goes on as if nothing had been cut.
fn first_cut(more: &str, journal: &str) -> Option<String> {
    let mut rig = Rig::new(more);
    rig.play(journal);
    rig.shown(acts).into_iter().find(|it| it.contains(" cut district/quarry "))
}

#[track_caller]
fn check_first(journal: &str, want: Option<&str>) {
    assert_eq!(first_cut("", journal).as_deref(), want);
}

/// The yard cut by a person or not, a train beside the gap or not: 4 s, and what comes then.
fn at_the_gap(dead: bool, own: &str, beyond: &str, then: &str) -> String {
    let cut = if dead { "2000 ! cut district/yard" } else { "" };
    format!(
        "0 machine/T1/position normal
         0..4000/20 district/quarry/current 0.4\n0..4400/20 district/yard/current 0.0
         0..4000/20 block/q1/current 0.0\n0..4000/20 block/q2/current {own}\n0..4000/20 block/q3/current 0.4
         0..4000/20 block/y1/current {beyond}\n{cut}\n{then}"
    )
}

#[test]
fn a_wheel_that_joins_a_dead_district_charges_its_engines() {
    let check = |(dead, own, beyond), want: Option<&str>| {
        let journal = at_the_gap(dead, own, beyond, &charge(4000));
        assert_eq!(first_cut(GAP, &journal).as_deref(), want, "{dead} {own} {beyond}");
    };
    check((true, "0.4", "0.0"), None);
    // The train that stood there when its power went.
    check((true, "0.0", "0.1"), None);
    let short = Some("4020 cut district/quarry short-circuit");
    check((true, "0.0", "0.0"), short);
    check((false, "0.4", "0.1"), short);
    // No gap between the two.
    let journal = at_the_gap(true, "0.4", "0.0", &charge(4000));
    assert_eq!(first_cut("", &journal).as_deref(), short);
}

/// The yard's booster is off and its breaker closed: through the wheel on the gap the engines of all that the booster
/// feeds charge, and the yard's own sensor sees them before the quarry's does.
#[test]
fn a_wheel_that_joins_a_district_whose_booster_is_off_charges_its_engines() {
    let layout = LAYOUT
        .replace("[district.quarry]\nbooster = \"main\"", "[district.quarry]\nbooster = \"hill\"");
    let hill = "[booster.hill]\nvolts = \"15 V\"\nlimit = \"5 A\"\n";
    let first = |cut: &str| {
        let then = format!("3999..4100/10 district/yard/current 2.4\n{}", charge(4000));
        let booster = format!(
            "{cut}\n0..2000/20 booster/main/current 0.1\n2000..4400/20 booster/main/current 0.0"
        );
        let journal = format!("{booster}\n{}", at_the_gap(false, "0.4", "0.0", &then));
        let mut rig = Rig::new_with(&format!("{layout}\n{hill}\n{GAP}"), Start::journal());
        rig.play(&journal);
        rig.shown(acts).into_iter().find(|it| it.contains(" cut district/quarry "))
    };
    assert_eq!(first("2000 ! cut booster/main"), None);
    assert_eq!(first("").as_deref(), Some("4020 cut district/quarry short-circuit"));
}

#[test]
fn a_short_beside_a_dead_district_is_cut_in_50_ms_and_one_that_falls_before_150() {
    let cut = |then: &str| first_cut(GAP, &at_the_gap(true, "0.4", "0.0", then));
    assert_eq!(cut(&short(4000)).as_deref(), Some("4050 cut district/quarry short-circuit"));
    // It falls from its peak, and stays above.
    let falls =
        "4000..4010/10 district/quarry/current 5.0\n4010..4400/10 district/quarry/current 3.5";
    assert_eq!(cut(falls).as_deref(), Some("4150 cut district/quarry short-circuit"));
    // Below the pick-up of an inrush the contact has its time.
    let less = current(4000, 10, &[], "2.9");
    assert_eq!(cut(&less).as_deref(), Some("4340 cut district/quarry contact-overload"));
}

/// Voltage is low from 1 s on, for as long as said, while 0.4 A flow.
fn sag(until: u64, then: &str) -> String {
    format!(
        "0..1000/50 district/quarry/voltage 15.0\n1000..{until}/50 district/quarry/voltage 11.5
         0..{until}/20 district/quarry/current 0.4\n{then}"
    )
}

#[test]
fn engines_charge_when_a_long_sag_ends_before_voltage_says_so_and_after() {
    let healthy = |from: u64| format!("{from}..5000/50 district/quarry/voltage 15.0\n");
    check_orders(&sag(2000, &format!("{}{}", charge(2000), healthy(2010))), "");
    check_orders(&sag(2000, &format!("{}{}", healthy(2000), charge(2020))), "");
    // A sag that was too short to be one.
    check_first(
        &sag(1300, &format!("{}{}", charge(1300), healthy(1310))),
        Some("1320 cut district/quarry short-circuit"),
    );
    // The window is over.
    let late =
        format!("{}2000..2400/20 district/quarry/current 0.4\n{}", healthy(2000), charge(2400));
    check_first(&sag(2000, &late), Some("2420 cut district/quarry short-circuit"));
}

#[test]
fn a_short_during_a_sag_or_at_its_end_is_cut_in_50_ms() {
    let low = "2000..2400/50 district/quarry/voltage 11.5\n";
    let healthy = "2000..2400/50 district/quarry/voltage 15.0\n";
    let want = Some("2050 cut district/quarry short-circuit");
    check_first(&sag(2000, &format!("{}{low}", short(2000))), want);
    check_first(&sag(2000, &format!("{healthy}{}", short(2000))), want);
}

/// It is no inrush: it stays.
#[test]
fn a_half_short_that_comes_as_a_sag_ends_is_cut_within_its_time() {
    let healthy = "2000..5000/50 district/quarry/voltage 15.0\n";
    let fault = current(2100, 20, &[], "2.0");
    let between = "2000..2100/20 district/quarry/current 0.4\n";
    let journal = sag(2000, &format!("{healthy}{between}{fault}"));
    check_first(&journal, Some("3080 cut district/quarry contact-overload"));
}

/// Engines draw less while voltage is low.
#[test]
fn load_that_comes_back_after_a_sag_is_no_half_short_and_a_fault_beyond_it_is() {
    let back = |amps: &str, read: u64| {
        format!(
            "0..1000/20 district/quarry/current 2.3\n1000..2000/20 district/quarry/current 0.8
             2000..5000/20 district/quarry/current {amps}\n0..1000/50 district/quarry/voltage 15.0
             1000..{read}/50 district/quarry/voltage 11.5\n{read}..5000/50 district/quarry/voltage 15.0"
        )
    };
    // Voltage says so before, with, or after the current.
    for read in [1990, 2010, 2100] {
        check_orders(&back("2.35", read), "");
        let cut = first_cut("", &back("4.4", read)).unwrap();
        assert_eq!(cut, "2060 cut district/quarry short-circuit", "{read}");
        let least = "[protection]\ninrush-pickup = \"4.5 A\"\noverload-pickup = \"4.5 A\"";
        let cut = first_cut(least, &back("4.2", read)).unwrap();
        let at: u64 = cut.split(' ').next().unwrap().parse().unwrap();
        assert!(at <= 3000 && cut.ends_with("contact-overload"), "{read}: {cut}");
    }
}

/// supervision.md: an overload is cut only by its curve, never by `short`.
#[test]
fn an_overload_is_left_to_its_curve_after_a_sag_and_next_to_a_short() {
    let creep: String = (0..150_u16)
        .map(|n| format!("{} district/quarry/current {:.2}\n", 20 * n, 0.3 + 0.02 * f32::from(n)))
        .collect();
    let sag = "0..1000/50 district/quarry/voltage 15.0\n1000..3500/50 district/quarry/voltage 11.5
         3500..5000/50 district/quarry/voltage 15.0";
    // No voltage is read: what is armed next door opens the window.
    let neighbour = "0..3500/20 district/yard/current 0.1\n3500..3520/10 district/yard/current 5.0
         3520..5000/20 district/yard/current 0.1";
    for why in [sag, neighbour] {
        let over = format!("{creep}{why}\n3000..5000/20 district/quarry/current 3.3");
        check_orders(&over, "");
        // A short on top of it is more than the load.
        let short = format!(
            "{creep}{why}\n3000..3540/20 district/quarry/current 3.3
             3540..3800/10 district/quarry/current 5.0"
        );
        check_first(&short, Some("3590 cut district/quarry short-circuit"));
    }
}

/// The yard's short is over before its time, and pulled the quarry's volts down for 20 ms. Its voltmeter saw nothing.
fn next_to_a_short(dip: &str, then: &str) -> String {
    format!(
        "0..3000/50 district/quarry/voltage 15.0
         0..1000/20 district/quarry/current 0.4\n1005..1025/10 district/quarry/current {dip}
         0..1000/20 district/yard/current 0.4\n1000..1020/10 district/yard/current 5.0
         1020..3000/20 district/yard/current 0.4\n{then}"
    )
}

#[test]
fn engines_charge_after_the_dip_of_a_short_next_door() {
    check_orders(&next_to_a_short("0.1", &charge(1025)), "");
    let cut = |at: u64| format!("{at} cut district/quarry short-circuit");
    // No dip: nothing charges.
    check_first(&next_to_a_short("0.4", &charge(1025)), Some(&cut(1045)));
    // A dip of its own, long after.
    let late =
        "1025..1540/20 district/quarry/current 0.4\n1540..1560/10 district/quarry/current 0.1\n";
    check_first(&next_to_a_short("0.1", &format!("{late}{}", charge(1560))), Some(&cut(1580)));
}

#[test]
fn a_short_after_the_dip_of_a_short_next_door_is_cut_in_50_ms() {
    let want = |at: u64| format!("{at} cut district/quarry short-circuit");
    check_first(&next_to_a_short("0.1", &short(1025)), Some(&want(1075)));
    check_first(&next_to_a_short("0.4", &short(1025)), Some(&want(1045)));
}

/// A wheel bridges for two samples of 10 ms in a district without load, and no current flows after: volts are read every
/// 50 ms up to 1 s, and then as said.
fn over_by_itself(volts: &str) -> String {
    format!(
        "0..1001/50 district/quarry/voltage 15.0\n{volts}\n0..1000/10 district/quarry/current 0.0
         1000..1020/10 district/quarry/current 5.0\n1020..2500/10 district/quarry/current 0.0"
    )
}

#[test]
fn the_next_voltage_reading_says_whether_a_breaker_acted() {
    let healthy = over_by_itself("1050..2500/50 district/quarry/voltage 15.0");
    check_orders(&healthy, "");
    let gone = over_by_itself("1050..2500/50 district/quarry/voltage 0.1");
    check_orders(&gone, "1050 cut district/quarry tripped-elsewhere");
    // Before its reading comes, the breaker's own word is enough.
    let word =
        format!("0 district/quarry/feedback on\n1025 district/quarry/feedback off\n{healthy}");
    check_first(&word, Some("1025 cut district/quarry tripped-elsewhere"));
}

/// The contacts are reckoned up when the current ends, 30 ms before the trip is decided.
#[test]
fn the_record_of_a_trip_decided_later_holds_what_the_contacts_carried() {
    let mut rig = Rig::new("");
    rig.play(&format!(
        "0 machine/T1/position normal\n{}",
        over_by_itself("1050..5000/50 district/quarry/voltage 0.1")
    ));
    let record = rig.outputs.iter().find_map(|output| match &output.what {
        Decision::FaultClosed(record) => Some(record),
        _ => None,
    });
    let contacts = &record.expect("the window is over").contacts;
    assert_eq!(
        contacts.iter().map(|it| (it.hits, it.amps.0)).collect::<Vec<_>>(),
        [(1, 5_000_000)]
    );
}

#[test]
fn voltage_that_says_nothing_is_waited_for_150_ms_at_most() {
    // It stops.
    check_orders(&over_by_itself(""), "1160 cut district/quarry tripped-elsewhere");
    // It stays where it proves neither: a meter before the breaker, next to another load.
    let between = over_by_itself("1050..2500/50 district/quarry/voltage 10.0");
    check_orders(&between, "1170 cut district/quarry tripped-elsewhere");
    // It comes too seldom to wait for.
    let seldom =
        over_by_itself("1500 district/quarry/voltage 0.1").replace("0..1001/50", "0..1000/500");
    check_orders(&seldom, "1020 cut district/quarry tripped-elsewhere");
}
