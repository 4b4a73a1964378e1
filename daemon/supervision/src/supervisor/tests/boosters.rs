//! Districts that fall with their booster or are judged by it, and sums that do not agree.

use super::rig::{LAYOUT, Rig, acts, alarms, check_orders, check_with, running};
use crate::{output::Decision, start::Start};

#[test]
fn at_the_boosters_limit_is_cut_after_half_a_second() {
    // A climb too slow to be a step.
    let climb: String = (0..110)
        .map(|step| {
            format!("{} district/yard/current {:.2}\n", 20 * step, 0.4 + 0.042 * f64::from(step))
        })
        .collect();
    let mut rig = Rig::new(
        "[district.yard.protection]\noverload-pickup = \"4.5 A\"\nwithstand-time = \"1 ms\"\nshort-step = \"4.9 A\"",
    );
    rig.play(&format!("{climb}\n2200..3000/20 district/yard/current 4.95"));
    assert_eq!(rig.shown(acts)[0], "2580 cut district/yard at-limit");
}

#[test]
fn a_district_without_an_actuator_falls_to_its_booster() {
    check_orders(
        "0..1000/20 district/shed/current 0.4
         1000..1040/20 district/shed/current 5.0
         1040..1300/20 district/shed/current 0.0",
        "1020 cut booster/main short-circuit",
    );
}

#[test]
fn a_district_without_an_actuator_is_one_fault_until_its_booster_is_off() {
    let mut rig = Rig::new("");
    rig.play(
        "0..1000/20 district/shed/current 0.4
         1000..1100/20 district/shed/current 5.0
         1100..9000/20 district/shed/current 0.0",
    );
    assert_eq!(rig.shown(|what| matches!(what, Decision::FaultClosed(_))).len(), 1);
}

#[test]
fn a_short_that_nothing_can_cut_is_one_fault_until_its_current_has_gone() {
    let mut rig = Rig::new_with(&LAYOUT.replace("cut = true", "cut = false"), Start::journal());
    rig.play(
        "0..1000/20 district/shed/current 0.4
         1000..1300/20 district/shed/current 5.0
         1300..2000/20 district/shed/current 0.0
         2000..2300/20 district/shed/current 5.0
         2300..9000/20 district/shed/current 0.0",
    );
    let records: Vec<_> = rig
        .outputs
        .iter()
        .filter_map(|output| match &output.what {
            Decision::FaultClosed(record) => Some(record),
            _ => None,
        })
        .collect();
    let causes: Vec<_> = records.iter().map(|it| it.cause.word()).collect();
    assert_eq!(causes, ["short-circuit", "short-circuit"], "as often as its breaker recloses");
    let first = &records[0].advice.steps[0];
    assert!(first.starts_with("Checkrail has no relay that cuts district shed"), "{first}");
}

/// F42: a welded actuator.
#[test]
fn a_cut_that_does_not_cut_takes_the_booster() {
    check_orders(
        &running(
            "1000..1100/20 district/quarry/current 5.0\n1100..1400/20 district/quarry/current 0.0
            1100..1400/20 booster/main/current 0.0",
        ),
        "1020 cut district/quarry short-circuit; 1080 cut district/quarry short-circuit again; \
         1080 cut booster/main cut-failed",
    );
}

#[test]
fn a_district_without_readings_of_its_own_is_judged_by_its_booster() {
    check_orders(
        "0..3000/20 booster/main/current 0.4
         0..4000/20 district/yard/current 0.0\n0..4000/20 district/shed/current 0.0
         3000..3040/20 booster/main/current 4.9
         3040..4000/20 booster/main/current 0.0",
        "3020 cut district/quarry short-circuit; 3320 cut district/quarry short-circuit again; \
         3620 cut district/quarry short-circuit again; 3620 cut booster/main cut-failed",
    );
}

/// The smallest sensible layout: one current sensor, at the booster.
#[test]
fn several_districts_without_readings_fall_together_with_their_booster() {
    check_orders(
        "0..3000/20 booster/main/current 0.4
         3000..3040/20 booster/main/current 4.9
         3040..4000/20 booster/main/current 0.0",
        "3020 cut booster/main short-circuit",
    );
}

#[test]
fn a_booster_that_is_cut_is_no_power_failure_of_its_districts() {
    check_with(
        "",
        "0..1000/20 district/shed/current 0.4\n0 district/yard/feedback on\n0..1050/20 district/yard/current 0.2\n1060..2000/20 district/yard/current 0.0
         1000..1040/20 district/shed/current 5.0
         1040..2000/20 district/shed/current 0.0
         1050 district/yard/feedback off",
        "1020 short-circuit district/shed raised high",
        alarms,
    );
}

#[test]
fn volts_before_an_actuator_that_says_off_are_no_power_and_no_failure_of_it() {
    let journal = "0 district/quarry/feedback off\n0..2000/100 district/quarry/voltage 15.87\n\
                   50..2000/100 district/quarry/feedback off\n0..2000/20 district/quarry/current 0.0";
    check_with("", journal, "", alarms);
    let volts_first = "0..2000/100 district/quarry/voltage 15.87\n0..2000/20 district/quarry/current 0.0\n\
                       150..2000/100 district/quarry/feedback off";
    check_with("", volts_first, "", alarms);
}

#[test]
fn a_rule_that_maps_a_foreign_topic_says_how_long_it_may_be_silent() {
    let mapped = "[links.mqtt]\nbroker = \"mqtt://127.0.0.1:1883\"\n[[links.mqtt.map]]\ntopic = \"shed/+\"\n\
                  channel = \"district/{1}/current\"\nstale-after = \"200 ms\"";
    let journal = "0..1000/20 district/quarry/current 0.4\n3000 tick";
    check_with(mapped, journal, "1180 reading-stale district/quarry raised high", alarms);
}

#[test]
fn a_blind_district_is_told_as_not_protected_and_cut_only_where_asked() {
    let journal = "0..1000/20 district/quarry/current 0.4\n3000 tick";
    check_with("", journal, "1980 reading-stale district/quarry raised high", alarms);
    let mut rig = Rig::new("[protection]\non-stale = \"cut\"");
    rig.play(journal);
    assert_eq!(rig.shown(acts)[0], "1980 cut district/quarry reading-stale");
}

#[test]
fn sums_that_do_not_agree_are_told() {
    check_with(
        "",
        "0..6000/20 booster/main/current 2.0
         0..6000/20 district/quarry/current 0.4\n0..6000/20 district/yard/current 0.4\n0..6000/20 district/shed/current 0.4",
        "3000 current-unaccounted booster/main raised low",
        alarms,
    );
}

/// Kirchhoff's current law: booster, quarry, its block q1, and what is said. The other districts and blocks are at none.
#[test]
fn a_sum_names_the_sensor_that_makes_it_wrong() {
    let own = "its own sensor";
    for (booster, quarry, block, subject, want) in [
        ("1.0", "2.0", "1.0", "district/quarry", "point at its own sensor"),
        ("2.0", "1.0", "1.0", "booster/main", "point at its own sensor"),
        ("1.0", "1.0", "2.0", "district/quarry", "the sensor of block q1 is wrong"),
        (
            "2.0",
            "2.0",
            "1.0",
            "district/quarry",
            "a block's sensor is wrong, or a feed bypasses it",
        ),
    ] {
        let mut rig = Rig::new("");
        let channels = [
            ("district/quarry", quarry),
            ("block/q1", block),
            ("booster/main", booster),
            ("block/q2", "0.0"),
            ("block/q3", "0.0"),
            ("district/yard", "0.0"),
            ("block/y1", "0.0"),
            ("district/shed", "0.0"),
            ("block/s1", "0.0"),
        ];
        let line = |(name, amps): &(&str, &str)| format!("0..6000/20 {name}/current {amps}\n");
        rig.play(&channels.iter().map(line).collect::<String>());
        let told: Vec<_> = rig
            .outputs
            .iter()
            .filter_map(|it| match &it.what {
                Decision::Alarm(change) => Some((rig.show(it)?, change.text.clone())),
                _ => None,
            })
            .collect();
        let [(alarm, text)] = &told[..] else { panic!("one sensor, one alarm: {told:?}") };
        assert!(alarm.contains(&format!("current-unaccounted {subject} raised")), "{alarm}");
        assert!(text.contains(want) && text.contains(own), "{text}");
    }
}
