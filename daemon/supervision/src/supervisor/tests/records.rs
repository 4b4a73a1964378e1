//! What a fault leaves behind: its record, its suspects, and what the contacts carried.

use super::rig::{LAYOUT, Rig, acts, alarms, running};
use crate::{output::Decision, start::Start};

/// F77: another turnout was thrown last, far from the train. Place outranks recency.
#[test]
fn the_turnout_under_the_train_is_suspected_before_the_one_thrown_last() {
    let more = "
        [block.q4]
        district = \"quarry\"
        [trackwork.T9]
        kind = \"turnout\"
        hand = \"right\"
        block = \"q4\"
        [trackwork.T9.frog]
        poles = [\"T9.1\"]
        normal = \"right\"
        reverse = \"left\"
        [track.q4-in]
        block = \"q4\"
        from = \"north\"
        to = \"T9.points\"
        length = \"1 m\"
        left = \"A\"";
    let mut rig = Rig::new(more);
    rig.play(&running(
        "0..5000/20 block/q4/current 0.0\n0 machine/T9/position reverse
         700 machine/T9/position moving\n900 machine/T9/position normal
         1000..1040/20 district/quarry/current 5.0\n1010..1040/20 block/q1/current 4.6
         1040..5000/20 district/quarry/current 0.0\n1040..5000/20 block/q1/current 0.0",
    ));
    let fault = rig.shown(|what| matches!(what, Decision::FaultClosed(_)));
    assert_eq!(fault, ["4020 fault 1 short-circuit frog/T1"]);
}

/// F01: down the leg that the turnout is not set for.
#[test]
fn a_run_through_is_named_and_its_turnout_suspected_first() {
    let mut rig = Rig::new("");
    rig.play(&running(
        "1000 block/q2/current 0.0
         1000..1040/20 district/quarry/current 5.0\n1000..1040/20 block/q1/current 4.6
         1040..5000/20 district/quarry/current 0.0\n1040..5000/20 block/q1/current 0.0",
    ));
    let fault = rig.shown(|what| matches!(what, Decision::FaultClosed(_)));
    assert_eq!(fault, ["4020 fault 1 short-circuit frog/T1"]);
    let run = rig.shown(|what| alarms(what) && format!("{what:?}").contains("RunThrough"));
    assert!(run.first().is_some_and(|it| it.contains("run-through machine/T1 raised")), "{run:?}");
}

/// F01: the culprit's current comes in by the leg it is not set for. Its frog carries it, and is counted so; a frog that
/// no block of the fault leads to is not.
#[test]
fn a_run_through_is_a_hit_of_the_frog_that_was_run_through() {
    // Block that steps, and whether the frog is hit. Normal: the left leg (q2) is lined, the right one (q3) is not.
    for (block, want) in [("q1", true), ("q2", false), ("q3", true)] {
        let mut rig = Rig::new("");
        let blocks: String = ["q1", "q2", "q3"]
            .iter()
            .map(|it| {
                let amps = if *it == block { "4.6" } else { "0.0" };
                format!("1000..1040/20 block/{it}/current {amps}\n1040..5000/20 block/{it}/current 0.0\n")
            })
            .collect();
        rig.play(&running(&format!(
            "{blocks}1000..1040/20 district/quarry/current 5.0\n1040..5000/20 district/quarry/current 0.0"
        )));
        let hits = rig.sut.snapshot().poles[0].hits;
        assert_eq!(hits > 0, want, "{block} stepped");
    }
}

#[test]
fn shares_add_to_one_and_the_window_holds_what_came_before() {
    let mut rig = Rig::new("");
    rig.play(&running(
        "1000..1040/20 district/quarry/current 5.0\n1040..5000/20 district/quarry/current 0.0",
    ));
    let record = rig.outputs.iter().find_map(|output| match &output.what {
        Decision::FaultClosed(record) => Some(record),
        _ => None,
    });
    let record = record.unwrap();
    assert_eq!(record.suspects.iter().map(|it| it.share).sum::<u32>(), 1000);
    assert_eq!(record.peak.0, 5_000_000);
    assert_eq!(record.cleared_after.map(|it| it.0), Some(40_000));
    let current = rig.channels.find("district/quarry/current").unwrap();
    let wave = record.waveforms.iter().find(|it| it.channel == current).unwrap();
    assert_eq!(wave.samples.first().map(|(at, _)| at.0), Some(0));
    assert_eq!(wave.samples.last().map(|(at, _)| at.0), Some(4_000_000));
    assert_eq!(record.cuts.len(), 1);
    assert!(record.cuts[0].proved.is_some());
    assert_eq!(record.contacts.len(), 1);
    assert_eq!(record.contacts[0].hits, 1);
}

#[test]
fn a_measured_contact_at_its_limit_is_cut() {
    // IEC 60255-149: 2 A through a 1 A pole with 2 s: ln(4/3) x 2 s = 575 ms (overcurrent tables, closed form).
    let mut rig = Rig::new("");
    rig.play(&running(
        "1000..3000/20 district/quarry/current 0.4\n900..1000/20 frog/T1/current 0.0\n1000..3000/20 frog/T1/current 2.0",
    ));
    assert_eq!(rig.shown(acts)[0], "1560 cut district/quarry contact-overload");
}

/// IEC 60255-149, closed form: what flows through block and frog at once is counted once, and a pair shares it once.
#[test]
fn an_estimated_contact_carries_no_more_than_its_block() {
    let pair = LAYOUT
        .replace("limit = \"5 A\"", "limit = \"9 A\"")
        .replace(
            "{ kind = \"electronic\", trip = \"3 A\", delay = \"40 ms\" }",
            "{ kind = \"none\" }",
        )
        .replace("poles = [\"T1.1\"]", "poles = [\"T1.1\", \"T1.2\"]\nproved = true");
    // Layout, amps from 1000 ms on, cut. From the image of 0.4 A: one pole 2.0 A, 544 ms; each of a pair 1.78 A, 749 ms;
    // counted from 980 ms, the last reading without the step.
    let cases = [(LAYOUT, "2.0", "1540 cut"), (&pair, "3.2", "1740 cut")];
    for (text, amps, want) in cases {
        let mut rig = Rig::new_with(text, Start::journal());
        rig.play(&format!(
            "0 machine/T1/position normal
             0..1000/20 district/quarry/current 0.4
             0..1000/20 block/q1/current 0.4
             1000..3000/20 district/quarry/current {amps}
             1000..3000/20 block/q1/current {amps}"
        ));
        let want = format!("{want} district/quarry contact-overload");
        assert_eq!(rig.shown(acts).first(), Some(&want), "{amps} A");
    }
}

#[test]
fn a_record_never_holds_another_record() {
    let mut rig = Rig::new("");
    rig.play(&running(
        "0..2000/20 district/yard/current 0.0
         1000..1040/20 district/quarry/current 5.0
         1040..9000/20 district/quarry/current 0.0
         2000..2040/20 district/yard/current 5.0
         2040..9000/20 district/yard/current 0.0",
    ));
    let records: Vec<_> = rig
        .outputs
        .iter()
        .filter_map(|output| match &output.what {
            Decision::FaultClosed(record) => Some(record),
            Decision::Order(_)
            | Decision::Alarm(_)
            | Decision::State { .. }
            | Decision::Event(_)
            | Decision::FaultOpened { .. }
            | Decision::Commissioned(_)
            | Decision::Answer { .. } => None,
        })
        .collect();
    assert_eq!(records.len(), 2, "two faults whose windows overlap");
    for record in records {
        let nested =
            |output: &&crate::output::Output| matches!(output.what, Decision::FaultClosed(_));
        assert_eq!(record.events.iter().filter(nested).count(), 0, "{:?}", record.number);
    }
}
