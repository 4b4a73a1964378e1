//! Something holds the voltage down: a lamp, a resettable fuse, named in the layout file or not.

use super::rig::*;

fn collapse(amps_before: &str, amps: &str, volts: &str) -> String {
    format!(
        "0..2000/20 district/quarry/current {amps_before}\n0..2000/50 district/quarry/voltage 14.8
         2000..6000/20 district/quarry/current {amps}\n2010..6000/50 district/quarry/voltage {volts}"
    )
}

/// The rig goes on as if nothing had been cut: only the first order is looked at.
#[track_caller]
fn check_first(journal: &str, want: &str) {
    let mut rig = Rig::new("");
    rig.play(journal);
    assert_eq!(rig.shown(acts).first().map(String::as_str), Some(want));
}

/// F50, faults.md: 2.1 A flow, the volts are gone, no breaker opens. The load before hides most of the step.
#[test]
fn a_lamp_that_the_file_does_not_name_is_cut_after_half_a_second() {
    check_first(&collapse("0.8", "2.1", "0.8"), "2520 cut district/quarry at-limit");
    // One reading is the average of before and after.
    let averaged = collapse("0.8", "2.1", "0.8")
        .replace("2010..6000/50", "2010 district/quarry/voltage 7.0\n2060..6000/50");
    check_first(&averaged, "2580 cut district/quarry at-limit");
    // What flowed before is not drawn any more: less may flow than before.
    check_first(&collapse("2.4", "2.1", "0.8"), "2520 cut district/quarry at-limit");
}

/// faults.md, P5: a single sensor proves nothing.
#[test]
fn a_volt_meter_that_fails_alone_cuts_nothing() {
    check_orders(&collapse("2.1", "2.1", "0.0"), "");
    let later = "0..2000/20 district/quarry/current 0.8\n0..2000/50 district/quarry/voltage 14.8
         2000..9000/50 district/quarry/voltage 0.0\n2000..4000/20 district/quarry/current 0.8
         4000..9000/20 district/quarry/current 1.6";
    check_orders(later, "");
}

/// F53, F44: volts that only sag, and a load too small for a lamp that is lit.
#[test]
fn a_sag_is_no_lamp() {
    check_orders(&collapse("0.8", "2.1", "11.0"), "");
    check_orders(&collapse("0.8", "1.2", "0.8"), "");
}

#[test]
fn a_named_lamp_needs_no_step() {
    let lamp = LAYOUT.replacen(
        "breaker = { kind = \"electronic\", trip = \"3 A\", delay = \"40 ms\" }",
        "breaker = { kind = \"lamp\", ohms-hot = \"7 ohm\" }",
        1,
    );
    let mut rig = Rig::new_with(&lamp, crate::start::Start::journal());
    rig.play(&collapse("2.1", "2.1", "0.8"));
    assert_eq!(rig.shown(acts)[0], "2520 cut district/quarry at-limit");
}

/// F40: six engines were put on a district without power. They charge, then they idle: both are more than before.
#[test]
fn engines_put_on_a_dead_district_are_no_half_short() {
    let dead = "0..2000/20 district/quarry/current 0.0\n0..1000/50 district/quarry/voltage 14.8
         1000..2000/50 district/quarry/voltage 0.0\n2000..5000/50 district/quarry/voltage 14.5";
    let returns = |amps: &str| {
        format!(
            "{dead}\n2000..2040/20 district/quarry/current {amps}\n2040..5000/20 district/quarry/current 1.6"
        )
    };
    check_orders(&returns("4.0"), "");
    // What is flat from the first moment does not charge; the contact that may carry it is at its limit before the second.
    check_first(&returns("1.52"), "2980 cut district/quarry contact-overload");
}

/// Voltage is read every 50 ms: what stepped, and what had moved before, is judged by the instant of the current.
#[test]
fn the_onset_of_a_limited_short_is_the_step_of_its_current() {
    let journal = collapse("0.8", "2.1", "0.8").replace("2010..6000/50", "2060..6000/50");
    let blocks = "0..2000/20 block/q1/current 0.4\n2000..6000/20 block/q1/current 2.0
                  0..6000/20 block/q2/current 0.0";
    let mut rig = Rig::new("");
    rig.play(&format!("{journal}\n{blocks}"));
    let record = rig.outputs.iter().find_map(|output| match &output.what {
        crate::output::Decision::FaultClosed(record) => Some(record),
        _ => None,
    });
    let record = record.expect("the window is over");
    assert_eq!((record.cause.word(), record.onset.0), ("at-limit", 2_000_000));
    let steps: Vec<_> =
        record.evidence.blocks.iter().take(2).map(|it| (it.step, it.edge)).collect();
    use crate::locate::Step;
    // The edge is that of the first reading, not the fault's own.
    let first = Some(wiring::units::Micros::from_millis(2000));
    assert_eq!(steps, [(Step::Here, first), (Step::Elsewhere, None)]);
}
