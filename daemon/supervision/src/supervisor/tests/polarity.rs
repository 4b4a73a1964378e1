//! Frogs on the wrong rail, and on the right one while a machine moves.

use super::rig::{Rig, acts, alarms, check_orders, check_with};

/// F10, F22: a frog on the wrong rail.
#[test]
fn a_wrong_frog_alarms_when_empty_and_cuts_under_a_train() {
    let wrong = "
        0 machine/T1/position normal
        0..5000/20 district/quarry/current 0.1
        0..5000/20 block/q1/current 0.0
        500 frog/T1/polarity A
    ";
    check_orders(wrong, "");
    check_with("", wrong, "700 frog-mismatch frog/T1 raised medium", alarms);
    let train = wrong.replace(
        "0..5000/20 block/q1/current 0.0",
        "0..2000/20 block/q1/current 0.0\n2000..5000/20 block/q1/current 0.1",
    );
    let mut rig = Rig::new("");
    rig.play(&train);
    assert_eq!(rig.shown(acts)[0], "2050 cut district/quarry frog-mismatch");
    let step = wrong.replace(
        "0..5000/20 district/quarry/current 0.1",
        "0..2000/20 district/quarry/current 0.1\n2000..5000/20 district/quarry/current 0.7",
    );
    let mut rig = Rig::new("");
    rig.play(&step);
    assert_eq!(rig.shown(acts)[0], "2020 cut district/quarry frog-mismatch");
}

#[test]
fn no_polarity_alarm_while_a_machine_moves() {
    check_with(
        "",
        "0..5000/20 district/quarry/current 0.1
         0..5000/20 block/q1/current 0.0
         0 machine/T1/position normal
         0..1000/500 frog/T1/polarity B
         1000 machine/T1/position moving
         1500..3000/500 frog/T1/polarity A
         3000 machine/T1/position reverse
         3000..5000/500 frog/T1/polarity A",
        "",
        alarms,
    );
}

#[test]
fn expected_polarity_follows_the_measured_position() {
    check_with(
        "",
        "0 machine/T1/position normal\n1000 machine/T1/position moving\n3000 machine/T1/position reverse",
        "0 = frog/T1/expected B; 1000 = frog/T1/expected unknown; 3000 = frog/T1/expected A",
        |what| format!("{what:?}").contains("Expected("),
    );
}
