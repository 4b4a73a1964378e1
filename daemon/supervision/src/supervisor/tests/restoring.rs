//! Lock-out, restore, tries, holds, throws.

use super::{
    never::born,
    rig::{Rig, acts, alarms, check_orders, check_with},
};
use wiring::{channel::Object, index::DistrictIx};

use crate::{
    alarm::{AlarmKey, AlarmKind, AlarmState, Subject},
    input::{Input, LinkReport},
    output::{Action, Decision, Event, EventKind, PowerState},
    start::{LockedOut, Remembered, RememberedAlarm, Start},
};

/// A short at 1 s, cut and proved.
const CUT: &str = "
    0..1000/20 district/quarry/current 0.1
    1000..1040/20 district/quarry/current 5.0
    1040..30000/20 district/quarry/current 0.0
";

fn cut(then: &str) -> String {
    format!("{CUT}\n{then}")
}

#[test]
fn a_lock_out_opens_only_by_an_operator_who_has_seen_the_alarm() {
    check_orders(
        &cut("8000 ! restore district/quarry
              9000 ! ack short-circuit district/quarry
              10000 ! restore district/quarry"),
        "1020 cut district/quarry short-circuit; 8000 refused AcknowledgeFirst; 9000 done; \
         10000 on district/quarry operator; 10000 done",
    );
}

#[test]
fn a_hot_contact_refuses_a_restore() {
    check_orders(
        &cut("0 machine/T1/position normal
              1100 ! ack short-circuit district/quarry
              1200 ! restore district/quarry"),
        "1020 cut district/quarry short-circuit; 1100 done; 1200 refused ContactHot",
    );
}

#[test]
fn a_hold_refuses_a_restore_until_it_is_released() {
    check_orders(
        &cut("8000 ! hold district/quarry
              8100 ! ack short-circuit district/quarry
              9000 ! restore district/quarry
              9100 ! release district/quarry
              9200 ! restore district/quarry"),
        "1020 cut district/quarry short-circuit; 8000 done; 8100 done; 9000 refused Held; 9100 done; \
         9200 on district/quarry operator; 9200 done",
    );
}

#[test]
fn a_blind_district_is_restored_only_when_confirmed() {
    let journal = "
        0..1000/20 district/quarry/current 0.1
        1000 ! cut district/quarry
        1020..2000/20 district/quarry/current 0.0
        5000 ! restore district/quarry
        6000 ! confirm district/quarry";
    check_orders(
        journal,
        "1000 cut district/quarry operator; 1000 done; 5000 refused Blind; \
         6000 on district/quarry operator; 6000 done",
    );
}

#[test]
fn districts_of_one_booster_are_restored_700_ms_apart() {
    let journal = "
        0..9000/20 district/quarry/current 0.0
        0..9000/20 district/yard/current 0.0
        1000 ! cut district/quarry
        1000 ! cut district/yard
        5000 ! restore district/quarry
        5100 ! restore district/yard";
    check_orders(
        journal,
        "1000 cut district/quarry operator; 1000 done; 1000 cut district/yard operator; 1000 done; \
         5000 on district/quarry operator; 5000 done; 5100 done; 5700 on district/yard operator",
    );
}

/// Must never happen: retry without limit.
#[test]
fn tries_are_counted_and_end_in_a_lock_out() {
    // The yard has no turnout: no frog can be the first suspect, no contact gets hot.
    let journal = "
        0..1000/20 district/yard/current 0.1
        1000..1040/20 district/yard/current 5.0
        1040..3030/20 district/yard/current 0.0
        3030..3100/10 district/yard/current 5.0
        3110..8090/20 district/yard/current 0.0
        8090..8160/10 district/yard/current 5.0
        8170..30000/20 district/yard/current 0.0";
    check_with(
        "[district.yard.protection]\nrestore-tries = 2",
        journal,
        "1020 cut district/yard short-circuit; 3020 on district/yard retry; 3080 cut district/yard short-circuit; \
         8080 on district/yard retry; 8140 cut district/yard short-circuit",
        acts,
    );
}

#[test]
fn nothing_restores_by_itself_after_a_half_short_or_a_mismatch() {
    let journal = "
        0..1000/20 district/yard/current 0.1
        1000..2020/20 district/yard/current 2.0
        2020..30000/20 district/yard/current 0.0";
    check_with(
        "[protection]\nrestore-tries = 3",
        journal,
        "2000 cut district/yard half-short",
        acts,
    );
}

/// Must never happen: throw under fault or occupied.
#[test]
fn a_throw_is_refused_under_fault_and_under_a_train() {
    let journal = "
        0 machine/T1/position normal
        0..3000/20 district/quarry/current 0.1
        0..3000/20 block/q1/current 0.1
        2000 ! throw T1";
    check_orders(journal, "2000 refused Occupied");
    let clear = journal.replace("block/q1/current 0.1", "block/q1/current 0.0");
    check_orders(&clear, "2000 reverse machine/T1 operator; 2000 done");
    let fault = "
        0 machine/T1/position normal
        0..1000/20 district/quarry/current 0.1
        0..3000/20 block/q1/current 0.0
        1000..1020/20 district/quarry/current 5.0
        1010 ! throw T1";
    check_orders(fault, "1010 refused UnderFault");
}

#[test]
fn cut_and_proved_a_train_may_stand_there_once_confirmed() {
    let journal = "
        0 machine/T1/position normal
        0..1000/20 block/q1/current 0.2
        0..1000/20 district/quarry/current 0.2
        1000..1040/20 district/quarry/current 5.0
        1040..9000/20 district/quarry/current 0.0
        6000 ! throw T1
        6100 ! throw-sure T1";
    check_orders(
        journal,
        "1020 cut district/quarry short-circuit; 6000 refused Occupied; \
         6100 reverse machine/T1 operator; 6100 done",
    );
}

#[test]
fn a_district_that_was_locked_out_stays_so_over_a_restart() {
    let mut remembered = Remembered { next_fault: 12, ..Remembered::default() };
    remembered.locked_out.push(LockedOut {
        district: wiring::index::DistrictIx(0),
        cause: None,
        fault: None,
    });
    let mut rig = Rig::start("", Start::live(remembered));
    rig.play("0..5000/20 district/quarry/current 0.0\n0 district/quarry/feedback off");
    let snapshot = rig.sut.snapshot();
    assert!(snapshot.districts[0].locked_out);
    assert_eq!(snapshot.districts[0].power, PowerState::Cut);
    assert!(rig.shown(acts).iter().all(|it| !it.contains(" on ")), "{:?}", rig.shown(acts));
}

/// Links take their time after a start. A cut from before it fails when its node is there and current flows on, not
/// while nobody can obey; the booster stays on meanwhile.
#[test]
fn a_lock_out_from_before_the_start_is_proved_when_its_node_is_there() {
    let flows = "2000..6000/20 district/quarry/current 0.4";
    let gone = "2000..6000/20 district/quarry/current 0.0";
    let cases = [
        // Readings before and after the node has introduced itself at 2 s; what is ordered from then on.
        ("", gone, "2000 cut district/quarry start"),
        ("0..2000/20 district/quarry/current 0.4", gone, "2000 cut district/quarry start"),
        (
            "0..2000/20 district/quarry/current 0.4",
            flows,
            "2000 cut district/quarry start; 2600 cut district/quarry start again; \
             3200 cut district/quarry start again; 3200 cut booster/main cut-failed",
        ),
    ];
    for (before, after, want) in cases {
        let mut remembered = Remembered::default();
        let district = wiring::index::DistrictIx(0);
        remembered.locked_out.push(LockedOut { district, cause: None, fault: None });
        let mut rig = Rig::start("", Start::live(remembered));
        rig.drain();
        let order = rig.outputs.iter().find_map(|output| match &output.what {
            Decision::Order(order) => Some(order.id),
            _ => None,
        });
        let report = LinkReport::NotSent { order: order.unwrap() };
        rig.sut.handle(Input::Link(report), wiring::units::Mono::START);
        rig.play(before);
        rig.sut.handle(Input::Tick, wiring::units::Mono(1_999_000));
        rig.drain();
        assert_eq!(rig.sut.snapshot().districts[0].power, PowerState::Cutting);
        let power = rig.channels.find("district/quarry/power").unwrap();
        rig.sut.handle(Input::Link(born(power, true)), wiring::units::Mono(2_000_000));
        rig.play(after);
        let orders = rig.shown(|what| matches!(what, Decision::Order(_)));
        let orders: Vec<_> = orders.iter().filter(|it| !it.starts_with("0 ")).cloned().collect();
        let orders = &orders[..orders.len().min(4)];
        assert_eq!(orders.join("; "), want);
        let failed = rig.shown(alarms).iter().any(|it| it.contains("cut-failed"));
        assert_eq!(failed, after == flows);
    }
}

/// Where no node ever comes, and current flows, somebody must know.
#[test]
fn a_lock_out_from_before_the_start_fails_when_no_node_comes() {
    let mut remembered = Remembered::default();
    let district = wiring::index::DistrictIx(0);
    remembered.locked_out.push(LockedOut { district, cause: None, fault: None });
    let mut rig = Rig::start("", Start::live(remembered));
    rig.play("0..7000/20 district/quarry/current 0.4");
    let failed = rig.shown(alarms);
    let first = failed.iter().find(|it| it.contains("cut-failed"));
    assert_eq!(first.map(String::as_str), Some("5000 cut-failed district/quarry raised high"));
}

#[test]
fn alarms_come_back_over_a_restart_and_still_want_to_be_seen() {
    let mut remembered = Remembered::default();
    remembered.locked_out.push(LockedOut {
        district: wiring::index::DistrictIx(0),
        cause: None,
        fault: None,
    });
    remembered.alarms.push(RememberedAlarm {
        alarm: AlarmKey {
            kind: AlarmKind::ShortCircuit,
            subject: Subject::Object(Object::District(wiring::index::DistrictIx(0))),
        },
        state: AlarmState::LatchedUnacknowledged,
        text: "District quarry: short circuit".to_owned(),
        shelved_until: None,
        by: None,
    });
    let mut rig = Rig::start("", Start::live(remembered));
    rig.play(
        "0..9000/20 district/quarry/current 0.0
         5000 ! restore district/quarry
         6000 ! ack short-circuit district/quarry
         7000 ! restore district/quarry",
    );
    assert_eq!(
        rig.shown(acts)[1..],
        [
            "5000 refused AcknowledgeFirst",
            "6000 done",
            "7000 on district/quarry operator",
            "7000 done"
        ]
    );
}

#[test]
fn an_output_found_off_waits_for_a_person_unless_the_layout_says_auto() {
    let journal = "0 district/quarry/feedback off\n0..3000/20 district/quarry/current 0.0";
    for (more, want) in
        [("", ""), ("[protection]\npower-on = \"auto\"", "0 on district/quarry start")]
    {
        let mut rig = Rig::start(more, Start::live(Remembered::default()));
        rig.play(journal);
        assert_eq!(rig.shown(|what| matches!(what, Decision::Order(_))).join("; "), want);
    }
}

#[test]
fn an_output_that_goes_off_by_itself_is_not_switched_on_again_as_at_a_start() {
    let more = "[protection]\npower-on = \"auto\"";
    let mut rig = Rig::start(more, Start::live(Remembered::default()));
    rig.play(
        "0 district/quarry/feedback off\n0..100/20 district/quarry/current 0.0\n\
         110 district/quarry/feedback on\n120..1000/20 district/quarry/current 0.4\n\
         1010 district/quarry/feedback off\n1020..5000/20 district/quarry/current 0.0\n\
         5010 district/quarry/feedback off\n5020..6000/20 district/quarry/current 0.0",
    );
    let orders = rig.shown(|what| matches!(what, Decision::Order(_)));
    assert_eq!(orders.join("; "), "0 on district/quarry start");
}

#[test]
fn stopping_cuts_everything_that_can_be_cut() {
    let mut rig = Rig::new("");
    rig.play("0..1000/20 district/quarry/current 0.1\n1000 ! stop\n1020..1100/20 district/quarry/current 0.0");
    assert_eq!(
        rig.shown(acts)[..3],
        [
            "1000 cut booster/main shutdown",
            "1000 cut district/quarry shutdown",
            "1000 cut district/yard shutdown"
        ]
    );
}

#[test]
fn after_a_restore_the_alarm_waits_for_its_reset() {
    let mut rig = Rig::new("");
    rig.play(
        &cut("9000 ! ack short-circuit district/quarry\n10000 ! restore district/quarry")
            .replace("1040..30000/20", "1040..10000/20"),
    );
    rig.play("10020..11000/20 district/quarry/current 0.2");
    let state = |rig: &Rig| rig.sut.snapshot().alarms.first().map(|it| it.state);
    assert_eq!(state(&rig), Some(AlarmState::LatchedAcknowledged));
    rig.play("11000 ! reset short-circuit district/quarry");
    assert_eq!(state(&rig), None);
}

fn lock_outs(what: &Decision) -> bool {
    matches!(
        what,
        Decision::Event(Event { kind: EventKind::LockedOut(_) | EventKind::LockOutOpened(_), .. })
    )
}

/// A history that is not told of a lock-out cannot bring it back after a restart.
#[test]
fn a_cut_that_fails_is_told_as_a_lock_out_of_its_own() {
    let mut rig = Rig::new("");
    rig.play(
        "0 district/quarry/feedback on\n0..400/20 district/quarry/current 0.4\n500 ! cut district/quarry\n\
         520..3000/20 district/quarry/current 0.4",
    );
    assert!(rig.sut.snapshot().districts[0].locked_out);
    let told = rig.outputs.iter().filter(|it| lock_outs(&it.what)).count();
    assert_eq!(told, 2, "its own, and that of the shed, which goes with the booster");
}

/// The shed has no actuator: what is wrong there takes the booster, and only a restore of the booster opens it.
#[test]
fn the_lock_out_of_a_district_without_actuator_holds_its_booster_over_a_restart_until_that_is_restored()
 {
    let shed = DistrictIx::new(2);
    let locked_out = vec![LockedOut { district: shed, cause: None, fault: None }];
    let remembered = Remembered { locked_out, ..Remembered::default() };
    let mut rig = Rig::start("", Start::live(remembered));
    rig.play("0..2000/20 booster/main/current 0.0");
    assert_eq!(rig.shown(acts)[0], "0 cut booster/main start");
    assert!(rig.sut.snapshot().districts[2].locked_out, "locked out stays locked out");
    rig.play("2000 ! confirm booster/main\n2020..2100/20 booster/main/current 0.2");
    assert!(!rig.sut.snapshot().districts[2].locked_out, "a person has restored its booster");
    assert_eq!(
        rig.outputs.iter().filter(|it| lock_outs(&it.what)).count(),
        1,
        "the history is told"
    );
}

/// Districts of one booster wait for their turns; whoever presses again and again does not put them off for ever.
#[test]
fn pressing_restore_again_while_it_waits_for_its_turn_puts_nothing_off() {
    let mut rig = Rig::new("");
    rig.play(
        "0..100/20 district/quarry/current 0.1\n0..100/20 district/yard/current 0.1\n\
         200 ! cut district/quarry\n200 ! cut district/yard\n\
         220..1900/20 district/quarry/current 0.0\n220..1900/20 district/yard/current 0.0",
    );
    for at in (2000..6000).step_by(500) {
        rig.play(&format!("{at} ! restore district/quarry\n{at} ! restore district/yard"));
    }
    let on = rig.shown(|what| matches!(what, Decision::Order(order) if order.action == Action::On));
    assert_eq!(on, ["2000 on district/quarry operator", "2700 on district/yard operator"]);
}
