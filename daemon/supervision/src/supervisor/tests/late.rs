//! Readings that waited somewhere: they may cut, and neither prove nor refresh anything.

use super::rig::{Rig, acts, alarms, check_orders, check_with, running};
use crate::output::{Occupancy, PowerState};

#[test]
fn late_readings_end_no_silence() {
    check_with(
        "",
        "0..1000/20 district/quarry/current 0.1
         1020..4000/20 district/quarry/current late:0.1
         4000..6000/20 district/quarry/current 0.1",
        "1980 reading-stale district/quarry raised high; \
         4500 reading-stale district/quarry cleared-unacknowledged high",
        alarms,
    );
}

/// They are believed where they bring bad news, also after the order.
#[test]
fn late_readings_of_a_short_cut() {
    check_orders(
        &running("1000..1200/20 district/quarry/current late:5.0"),
        "1020 cut district/quarry short-circuit; 1080 cut district/quarry short-circuit again; \
         1080 cut booster/main cut-failed; 1140 cut booster/main cut-failed again",
    );
}

/// The actuator had said so before it was switched on; the word arrives after the order.
#[test]
fn a_late_word_of_an_actuator_proves_no_cut() {
    for (word, want) in [("off", PowerState::Cut), ("late:off", PowerState::Cutting)] {
        let mut rig = Rig::new("");
        rig.play(&format!(
            "0 district/quarry/feedback on
             0..1000/20 district/quarry/current 0.1
             1000..1040/20 district/quarry/current 5.0
             1050 district/quarry/feedback {word}
             1060..1200/20 district/quarry/current 0.0"
        ));
        assert_eq!(rig.sut.snapshot().districts[0].power, want, "{word}");
    }
}

#[test]
fn a_late_nothing_clears_no_block() {
    let mut rig = Rig::new("");
    rig.play("0..1000/20 block/q1/current 0.2\n1020..2900/20 block/q1/current late:0.0");
    let seen = rig.sut.snapshot().blocks[0].occupancy;
    assert!(matches!(seen, Occupancy::Held { occupied: true } | Occupancy::Occupied), "{seen:?}");
    assert!(rig.shown(acts).is_empty());
}
