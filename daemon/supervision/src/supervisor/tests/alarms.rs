//! Alarms of the whole: one cause, one alarm.

use wiring::units::{Micros, Mono};

use super::rig::{Rig, alarms, check_with};
use crate::{
    alarm::AlarmKind,
    commission::When,
    input::{Announced, Input, LinkReport, NodeIx, Transport},
    output::Decision,
};

fn bad_readings(rig: &Rig) -> String {
    let shown: Vec<String> = rig.shown(alarms);
    shown.into_iter().filter(|it| it.contains("reading-bad")).collect::<Vec<_>>().join("; ")
}

fn told_of_bad_readings(rig: &mut Rig) -> String {
    let told = rig.sut.snapshot().alarms;
    let told = told.iter().find(|it| it.alarm.kind == AlarmKind::ReadingBad);
    told.map_or_else(String::new, |it| it.text.to_string())
}

#[test]
fn a_bad_reading_is_named_once_and_clears_after_5_s_of_good_ones() {
    let mut rig = Rig::new("");
    rig.play(
        "0..1000/20 district/quarry/current 0.1
         1000..1200/20 district/quarry/current -1
         1200..2000/20 district/quarry/current 0.1",
    );
    let told = told_of_bad_readings(&mut rig);
    assert!(told.contains("10 bad readings"), "{told}");
    rig.play("2020..9000/20 district/quarry/current 0.1");
    assert_eq!(
        bad_readings(&rig),
        "1000 reading-bad district/quarry raised low; 6180 reading-bad district/quarry cleared-unacknowledged low"
    );
}

/// One that comes again within half an hour stands, and is counted, until half an hour is quiet.
#[test]
fn bad_readings_that_come_again_and_again_are_one_standing_alarm() {
    let mut rig = Rig::new("");
    rig.play(
        "0..1000/20 district/quarry/current 0.1
         1000 district/quarry/current resent:0.1
         1020..9000/20 district/quarry/current 0.1
         600000 district/quarry/current resent:0.1
         600020..601000/20 district/quarry/current 0.1
         900000 district/quarry/current resent:0.1
         900020..901000/20 district/quarry/current 0.1",
    );
    let first = "1000 reading-bad district/quarry raised low; 6000 reading-bad district/quarry cleared-unacknowledged low";
    let again = format!("{first}; 600000 reading-bad district/quarry raised low");
    assert_eq!(bad_readings(&rig), again);
    let told = told_of_bad_readings(&mut rig);
    assert!(told.contains("2 bad readings"), "{told}");
    // From the last bad one on, not from the first.
    rig.sut.finish(Mono(2_699_999_000));
    rig.drain();
    assert_eq!(bad_readings(&rig), again);
    rig.sut.finish(Mono(2_700_000_000));
    rig.drain();
    let cleared = "2700000 reading-bad district/quarry cleared-unacknowledged low";
    assert_eq!(bad_readings(&rig), format!("{again}; {cleared}"));
}

/// Must never happen: flood, more than 10 alarms in 10 min from one cause. A line that sends messages twice, now of this
/// channel and now of that.
#[test]
fn bad_readings_of_one_node_stand_under_the_first_and_those_of_another_do_not() {
    let mut rig = Rig::new("");
    let names =
        ["district/quarry/current", "block/q1/current", "block/q2/current", "block/q3/current"];
    let other = "district/yard/current";
    let born = |rig: &Rig, node: u16, names: &[&str]| LinkReport::Born {
        node: NodeIx(node),
        name: format!("node-{node}"),
        transport: Transport::Mqtt,
        channels: names
            .iter()
            .map(|name| {
                let period = Some(Micros::from_millis(20));
                Announced::input(rig.channels.find(name).unwrap(), period)
            })
            .collect(),
        permit: false,
        restarted: false,
    };
    for (node, names) in [(0, &names[..]), (1, &[other][..])] {
        let birth = born(&rig, node, names);
        rig.sut.handle(Input::Link(birth), Mono(0));
    }
    let mut journal = String::new();
    for name in names.iter().chain([&other]) {
        journal.push_str(&format!("0..100/20 {name} 0.1\n"));
    }
    for (nth, name) in names.iter().chain([&other]).enumerate() {
        journal.push_str(&format!("{} {name} resent:0.1\n", 100 + nth));
    }
    rig.play(&journal);
    let raised: Vec<bool> = rig
        .outputs
        .iter()
        .filter_map(|output| match &output.what {
            Decision::Alarm(change) if change.alarm.kind == AlarmKind::ReadingBad => {
                Some(change.under.is_some())
            }
            _ => None,
        })
        .collect();
    assert_eq!(raised, [false, true, true, true, false], "each is told, and the first leads");
}

#[test]
fn a_cut_raises_one_alarm_and_none_about_what_follows_from_it() {
    check_with(
        "",
        "0 machine/T1/position normal
         0 frog/T1/polarity B
         0..1000/20 district/quarry/current 0.4\n0..1000/20 district/quarry/voltage 15
         0..1000/20 block/q1/current 0.4
         1000..1040/20 district/quarry/current 5.0\n1000..1040/20 district/quarry/voltage 1
         1040..9000/20 district/quarry/current 0.0\n1040..9000/20 district/quarry/voltage 0
         1040..9000/20 block/q1/current 0.0
         1500 frog/T1/polarity dead",
        "1020 short-circuit district/quarry raised high",
        alarms,
    );
}

#[test]
fn a_machine_is_slow_then_stuck_then_at_rest() {
    check_with(
        "",
        "0 machine/T1/position normal\n1000 machine/T1/position moving\n9000 machine/T1/position reverse",
        "4750 machine-slow machine/T1 raised low; 7250 machine-stuck machine/T1 raised medium; \
         9000 machine-stuck machine/T1 cleared-unacknowledged medium",
        alarms,
    );
}

#[test]
fn low_voltage_under_load_is_told() {
    check_with(
        "",
        "0..4000/20 district/quarry/current 0.4\n0..1000/20 district/quarry/voltage 15
         1000..2000/20 district/quarry/voltage 11\n2000..4000/20 district/quarry/voltage 15",
        "1500 voltage-low district/quarry raised low; 3000 voltage-low district/quarry cleared-unacknowledged low",
        alarms,
    );
}

#[test]
fn a_welded_contact_is_told_after_one_throw() {
    check_with(
        "",
        "0..9000/20 district/quarry/current 0.1
         0 machine/T1/position normal
         0..9000/500 frog/T1/polarity B
         2000 machine/T1/position moving
         4000 machine/T1/position reverse",
        "4200 frog-mismatch frog/T1 raised medium; 4200 frog-not-switching frog/T1 raised medium",
        alarms,
    );
}

#[test]
fn a_dead_frog_is_told_where_power_is_known_to_be_there() {
    check_with(
        "",
        "0..9000/20 district/quarry/current 0.1
         0 machine/T1/position normal
         0 frog/T1/polarity dead",
        "1200 frog-dead frog/T1 raised low",
        alarms,
    );
}

#[test]
fn occupancy_is_held_and_never_clear_while_unpowered() {
    let mut rig = Rig::new("");
    rig.play(
        "0..1000/20 district/quarry/current 0.4\n0..1000/20 block/q1/current 0.4
         1000 ! cut district/quarry
         1020..5000/20 district/quarry/current 0.0\n1020..5000/20 block/q1/current 0.0",
    );
    let shown = rig.shown(|what| format!("{what:?}").contains("Occupancy("));
    assert_eq!(shown, ["50 = block/q1/occupied yes", "1000 = block/q1/occupied yes"]);
    assert!(rig.sut.snapshot().blocks[0].occupancy.is_held());
}

#[test]
fn who_acknowledged_is_named_and_the_first_out_mark_goes_by_its_own_act() {
    let mut rig = Rig::new("");
    rig.play(
        "0..2500/20 district/quarry/current 0.1
         0 machine/T1/position normal
         0 frog/T1/polarity dead
         2000 ! first-out frog-dead frog/T1",
    );
    let shown = |rig: &Rig| {
        let alarm = rig.sut.snapshot().alarms.into_iter().next().unwrap();
        (alarm.first_out, alarm.by.map(|by| (by.who, by.at)))
    };
    assert_eq!(shown(&rig), (true, None), "nobody has acknowledged it yet");
    rig.play("2520..3500/20 district/quarry/current 0.1\n3000 ! bob: ack frog-dead frog/T1");
    assert_eq!(shown(&rig), (true, Some(("bob".to_owned(), When::Run(Mono(3_000_000))))));
    rig.play("3520..4500/20 district/quarry/current 0.1\n4000 ! first-out frog-dead frog/T1");
    assert_eq!(shown(&rig), (false, Some(("bob".to_owned(), When::Run(Mono(3_000_000))))));
}

#[test]
fn a_clock_that_does_not_agree_is_told_until_it_does_or_the_node_restarts() {
    let node = NodeIx(0);
    let born = |restarted| LinkReport::Born {
        node,
        name: "yard".to_owned(),
        transport: Transport::Mqtt,
        channels: Vec::new(),
        permit: false,
        restarted,
    };
    let clock = |off| LinkReport::clock(node, off);
    let raised = "12000 clock-skew node/0 raised low";
    let cases = [
        (
            "agrees",
            clock(None),
            format!("{raised}; 22000 clock-skew node/0 cleared-unacknowledged low"),
        ),
        (
            "restarts",
            born(true),
            format!("{raised}; 22000 clock-skew node/0 cleared-unacknowledged low"),
        ),
        ("is heard again", born(false), raised.to_owned()),
    ];
    for (then, report, want) in cases {
        let mut rig = Rig::new("");
        let reports =
            [(1, clock(Some(900))), (2, born(false)), (10, clock(Some(2000))), (20, report)];
        for (second, report) in reports {
            rig.sut.handle(Input::Link(report), Mono(second * 1_000_000));
            rig.drain();
        }
        rig.sut.finish(Mono::START + Micros::from_millis(30_000));
        rig.drain();
        assert_eq!(rig.shown(alarms).join("; "), want, "{then}");
    }
}
