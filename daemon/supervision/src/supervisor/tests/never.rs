//! What must never happen, and situations of the trade's list that are told apart by more than one district.

use wiring::{
    index::ChannelIx,
    units::{Micros, Mono},
};

use super::rig::{Rig, acts, alarms, check_orders, check_with};
use crate::{
    alarm::{AlarmKind, AlarmState},
    input::{Announced, Input, LinkReport, MachinePosition, NodeIx, Transport},
    output::{Decision, Occupancy},
    record::Accused,
    start::{Remembered, Start},
};

/// Must never happen: cut a district because one locomotive started.
#[test]
fn a_locomotive_that_starts_is_not_cut() {
    check_orders(
        "0 machine/T1/position normal\n0 frog/T1/polarity B
         0..1000/20 district/quarry/current 0.1\n0..1000/20 block/q1/current 0.1
         1000..1040/20 district/quarry/current 0.9\n1040..9000/20 district/quarry/current 0.5
         1000..9000/20 block/q1/current 0.5",
        "",
    );
}

/// Must never happen: blame a turnout whose both legs and points block are unoccupied and that did not move.
#[test]
fn a_quiet_turnout_is_not_blamed() {
    let mut rig = Rig::new("");
    rig.play(
        "0 machine/T1/position normal\n0 frog/T1/polarity B
         0 district/quarry/feedback on
         0..5000/20 block/q1/current 0.0\n0..5000/20 block/q2/current 0.0\n0..5000/20 block/q3/current 0.0
         0..5000/20 district/quarry/current 0.0
         5000..5040/20 district/quarry/current 5.0\n5000..5040/20 block/q3/current 5.0
         5040..9000/20 district/quarry/current 0.0",
    );
    let record = rig.outputs.iter().find_map(|output| match &output.what {
        Decision::FaultClosed(record) => Some(record),
        _ => None,
    });
    let record = record.unwrap();
    let frog =
        |accused: Accused| matches!(accused, Accused::Object(wiring::channel::Object::Frog(_)));
    assert!(!frog(record.suspects[0].accused), "{:?}", record.suspects);
    let share: u32 = record.suspects.iter().filter(|it| frog(it.accused)).map(|it| it.share).sum();
    assert!(share < 150, "{:?}", record.suspects);
}

/// Must never happen: treat NO DATA as 0 A, as unoccupied or as normal.
#[test]
fn no_data_is_not_zero_not_clear_and_not_normal() {
    let mut rig = Rig::new("");
    rig.play(
        "0..2000/20 district/quarry/current 0.1\n0..500/20 block/q1/current 0.0
         5000 ! throw T1",
    );
    let view = rig.sut.snapshot();
    assert_eq!(view.blocks[0].occupancy, Occupancy::Held { occupied: false });
    assert_eq!(view.blocks[1].occupancy, Occupancy::Unknown);
    assert_eq!(rig.shown(acts), ["5000 refused Blind"]);
    assert!(!view.districts[0].protected);
    assert_eq!(view.machines[0].position, None);
    assert_eq!(view.frogs[0].expected.word(), "unknown");
}

/// Must never happen: report "normal" for a position not proven. What was asked for proves nothing, nor does what was
/// measured before the machine moved.
#[test]
fn a_position_that_is_not_proven_is_never_normal() {
    let shown = |journal: &str| {
        let mut rig = Rig::new("");
        rig.play(journal);
        let view = rig.sut.snapshot();
        let position = view.machines[0].position.map(|it| it.value);
        (position, view.frogs[0].expected.word())
    };
    let proven = shown("0 machine/T1/asked normal\n100 machine/T1/position normal\n5000 tick");
    assert_eq!(proven, (Some(MachinePosition::Normal), "B"));
    assert_eq!(shown("0 machine/T1/asked normal\n5000 tick"), (None, "unknown"));
    for word in ["moving", "unknown"] {
        let journal = format!(
            "0 machine/T1/asked normal\n0 machine/T1/position normal\n100 machine/T1/position {word}\n5000 tick"
        );
        let (position, expected) = shown(&journal);
        assert_ne!(position, Some(MachinePosition::Normal), "{word}");
        assert_eq!(expected, "unknown", "{word}");
    }
}

/// … nor is one whose node fell silent: it may have been thrown meanwhile. Its frog, heard first, would contradict it.
#[test]
fn a_position_from_before_a_silence_proves_nothing_after_it() {
    let play = |lost: bool| {
        let mut rig = Rig::new("");
        let position = rig.channels.find("machine/T1/position").unwrap();
        let power = rig.channels.find("district/quarry/power").unwrap();
        let mut birth = born(power, true);
        if let LinkReport::Born { channels, .. } = &mut birth {
            *channels = vec![Announced::input(position, None)];
        }
        rig.sut.handle(Input::Link(birth), Mono(0));
        rig.play(
            "0 machine/T1/position normal\n0 frog/T1/polarity B
             0..5000/20 district/quarry/current 0.1\n0..5000/20 block/q1/current 0.1",
        );
        if lost {
            rig.sut.handle(Input::Link(LinkReport::Lost { node: NodeIx(0) }), Mono(5_000_000));
            rig.drain();
            assert_eq!(rig.sut.snapshot().frogs[0].expected.word(), "unknown");
        }
        rig.play(
            "6000 frog/T1/polarity A\n5000..8000/20 district/quarry/current 0.1
             5000..8000/20 block/q1/current 0.1",
        );
        rig.shown(acts).into_iter().next()
    };
    assert_eq!(play(true), None);
    assert_eq!(play(false).as_deref(), Some("6200 cut district/quarry frog-mismatch"));
}

/// Must never happen: say "all clear" while a LOCKOUT stands. Its alarm stays, however long the current has been gone and
/// whoever has acknowledged and reset it; only a restore ends it.
#[test]
fn a_lock_out_is_never_all_clear() {
    let mut rig = Rig::new("");
    rig.play(
        "0..1000/20 district/yard/current 0.4\n1000..1040/20 district/yard/current 5.0
         1040..90000/20 district/yard/current 0.0
         20000 ! ack short-circuit district/yard\n30000 ! reset short-circuit district/yard",
    );
    let told = |rig: &Rig| {
        let view = rig.sut.snapshot();
        let alarms = view.alarms.iter().filter(|it| it.alarm.kind == AlarmKind::ShortCircuit);
        (view.districts[1].locked_out, alarms.map(|it| it.state).collect::<Vec<_>>())
    };
    assert_eq!(told(&rig), (true, vec![AlarmState::Acknowledged]));
    rig.play("90020 ! restore district/yard\n90040..100000/20 district/yard/current 0.4");
    assert!(!told(&rig).0, "{:?}", rig.shown(acts));
    assert!(!told(&rig).1.contains(&AlarmState::Acknowledged), "{:?}", told(&rig));
}

/// Must never happen: flood, more than 10 alarms in 10 min from one cause. F41: the booster is unplugged.
#[test]
fn a_booster_that_dies_is_a_handful_of_alarms() {
    let mut rig = Rig::new("");
    rig.play(
        "0 machine/T1/position normal\n0..3000/500 frog/T1/polarity B
         0..3000/20 booster/main/voltage 15\n0..3000/20 booster/main/current 0.6
         0..3000/20 district/quarry/current 0.2\n0..3000/20 district/quarry/voltage 15
         0..3000/20 district/yard/current 0.2\n0..3000/20 district/yard/voltage 15
         0..3000/20 district/shed/current 0.2\n0..3000/20 district/shed/voltage 15
         0..3000/20 block/q1/current 0.1\n0..3000/20 block/q2/current 0.1\n0..3000/20 block/q3/current 0.0
         3000..60000/20 booster/main/voltage 0\n3000..60000/20 booster/main/current 0
         3000..60000/20 district/quarry/current 0\n3000..60000/20 district/quarry/voltage 0
         3000..60000/20 district/yard/current 0\n3000..60000/20 district/yard/voltage 0
         3000..60000/20 district/shed/current 0\n3000..60000/20 district/shed/voltage 0
         3000..60000/20 block/q1/current 0\n3000..60000/20 block/q2/current 0\n3000..60000/20 block/q3/current 0
         3100..60000/500 frog/T1/polarity dead",
    );
    let raised = rig.shown(alarms);
    assert!(raised.len() <= 2, "{raised:?}");
    assert!(raised[0].contains("power-cut booster/main raised"), "{raised:?}");
    assert_eq!(rig.shown(acts), Vec::<String>::new());
}

/// Everything falls silent at once: one alarm, not one a block.
#[test]
fn silence_of_everything_is_one_alarm() {
    let mut rig = Rig::new("");
    rig.play(
        "0 district/quarry/feedback on
         0..3000/20 district/quarry/current 0.2
         0..3000/20 block/q1/current 0.1\n0..3000/20 block/q2/current 0.1\n0..3000/20 block/q3/current 0.0
         20000 tick",
    );
    assert_eq!(rig.shown(alarms), ["3980 reading-stale district/quarry raised high"]);
}

/// F07: a frog fed from the neighbouring district: both rise.
#[test]
fn two_districts_that_feed_one_fault_are_both_cut() {
    let mut rig = Rig::new("");
    rig.play(
        "0..1000/20 district/quarry/current 0.2\n0..1000/20 district/yard/current 0.2
         1000..1040/20 district/quarry/current 4.0\n1000..1100/20 district/yard/current 4.0
         1040..5000/20 district/quarry/current 0.0\n1100..5000/20 district/yard/current 0.0",
    );
    assert_eq!(
        rig.shown(acts),
        ["1020 cut district/quarry short-circuit", "1060 cut district/yard short-circuit"]
    );
}

/// F08: the other recovers by itself when the first is cut.
#[test]
fn a_district_that_recovers_with_its_neighbours_cut_stays_on() {
    check_orders(
        "0..1000/20 district/quarry/current 0.2\n0..1000/20 district/yard/current 0.2
         1000..1040/20 district/quarry/current 4.0\n1000..1040/20 district/yard/current 4.0
         1040..5000/20 district/quarry/current 0.0\n1040..5000/20 district/yard/current 0.2",
        "1020 cut district/quarry short-circuit",
    );
}

/// F50: a lamp holds the district down; its current never trips anything.
#[test]
fn a_lamp_limited_short_is_cut_by_its_voltage() {
    check_with(
        "[district.lamp]\nbooster = \"main\"\nbreaker = { kind = \"lamp\", ohms-hot = \"7 ohm\" }\ncut = true",
        "0..1000/20 district/lamp/current 0.4\n0..1000/20 district/lamp/voltage 15
         1000..1520/20 district/lamp/voltage 0.5
         1000..1520/20 district/lamp/current 1.7
         1520..2000/20 district/lamp/current 0.0",
        "1500 cut district/lamp at-limit",
        acts,
    );
}

/// F26, F02: short pulses under the time of `short` are hits and no cut; the ledger counts them.
#[test]
fn a_fault_current_that_is_not_cut_is_still_a_hit() {
    let mut rig = Rig::new("");
    rig.play(
        "0 machine/T1/position normal
         0..1000/20 district/quarry/current 0.2
         1000..1020/10 district/quarry/current 5.0
         1020..3000/20 district/quarry/current 0.2",
    );
    assert_eq!(rig.shown(acts), Vec::<String>::new());
    assert_eq!(rig.sut.snapshot().poles[0].hits, 1);
}

/// A throw while fault current flows counts ten.
#[test]
fn a_throw_under_fault_current_counts_ten() {
    let mut rig = Rig::new("");
    rig.play(
        "0 machine/T1/position normal
         0..1000/20 district/quarry/current 0.2
         1000..1020/10 district/quarry/current 5.0
         1015 machine/T1/position moving
         1020..3000/20 district/quarry/current 0.2",
    );
    assert_eq!(rig.sut.snapshot().poles[0].hits, 10);
}

#[test]
fn a_silent_node_without_permit_counts_as_a_failed_cut() {
    for (permit, want) in
        [(false, "500 cut district/quarry cut-failed; 500 cut booster/main cut-failed"), (true, "")]
    {
        let mut rig = Rig::start("", Start::live(Remembered::default()));
        let power = rig.channels.find("district/quarry/power").unwrap();
        rig.sut.handle(Input::Link(born(power, permit)), Mono(0));
        rig.play("0..400/20 district/quarry/current 0.4");
        rig.sut.handle(Input::Link(LinkReport::Lost { node: NodeIx(0) }), Mono(500_000));
        rig.drain();
        assert_eq!(rig.shown(acts).join("; "), want, "permit {permit}");
    }
}

/// links.md 1: a failure to hand over counts as not sent and escalates at once.
#[test]
fn an_order_that_was_not_sent_takes_the_booster_at_once() {
    let mut rig = Rig::new("");
    rig.play("0..1000/20 district/quarry/current 0.4\n1000..1040/20 district/quarry/current 5.0");
    let order = rig.outputs.iter().find_map(|output| match &output.what {
        Decision::Order(order) => Some(order.id),
        _ => None,
    });
    let order = order.unwrap();
    rig.sut.handle(Input::Link(LinkReport::NotSent { order }), Mono(1_021_000));
    rig.drain();
    assert_eq!(
        rig.shown(acts),
        [
            "1020 cut district/quarry short-circuit",
            "1021 cut district/quarry short-circuit again",
            "1021 cut booster/main cut-failed"
        ]
    );
}

/// links.md 2 and messages.md: a bare reading may cut; it proves only where it is the only one there is.
#[test]
fn a_bare_zero_beside_a_sensor_that_counts_proves_no_cut() {
    let cut = "1020 cut district/quarry short-circuit";
    let short = |quality: &str| {
        format!(
            "0..1000/20 district/quarry/current {quality}0.4\n\
             1000..1040/20 district/quarry/current {quality}5.0\n\
             1040..1400/20 district/quarry/current bare:0.0"
        )
    };
    check_with("", &short("bare:"), cut, acts);
    let failed = format!("{cut}; 1320 cut district/quarry short-circuit again");
    check_with("", &short(""), &failed, acts);
    let named = "[links.mqtt]\nbroker = \"mqtt://127.0.0.1\"\n[[links.mqtt.out]]\n\
                 channel = \"district/quarry/power\"\ntopic = \"shed/relay\"\noff = \"0\"\non = \"1\"\n";
    let proof = format!("{named}proof = {{ channel = \"district/quarry/current\" }}");
    check_with(&proof, &short(""), cut, acts);
}

/// links.md 2: `proof` of a foreign output says below which current and within which time.
#[test]
fn the_proof_of_a_foreign_output_has_its_own_limits() {
    let proof = |limits: &str| {
        format!(
            "[links.mqtt]\nbroker = \"mqtt://127.0.0.1\"\n[[links.mqtt.out]]\n\
             channel = \"district/quarry/power\"\ntopic = \"shed/relay\"\noff = \"0\"\non = \"1\"\n\
             proof = {{ channel = \"district/quarry/current\"{limits} }}"
        )
    };
    let journal = "0..1000/20 district/quarry/current 0.4\n\
                   1000..1040/20 district/quarry/current 5.0\n\
                   1040..2000/20 district/quarry/current 0.2";
    let cut = "1020 cut district/quarry short-circuit";
    let failed = |at: u64| format!("{cut}; {at} cut district/quarry short-circuit again");
    let first = |limits: &str| {
        let mut rig = Rig::new(&proof(limits));
        rig.play(journal);
        let mut shown = rig.shown(acts);
        shown.truncate(2);
        shown.join("; ")
    };
    assert_eq!(first(""), failed(1320));
    assert_eq!(first(", within = \"500 ms\""), failed(1520));
    assert_eq!(first(", below = 0.25"), cut);
}

/// With a permit the output is off by itself; current that still flows shows otherwise.
#[test]
fn a_silent_node_with_permit_must_be_off_when_it_ends() {
    let mut rig = Rig::start("", Start::live(Remembered::default()));
    let power = rig.channels.find("district/quarry/power").unwrap();
    rig.sut.handle(Input::Link(born(power, true)), Mono(0));
    rig.play("0..400/20 district/quarry/current 0.4");
    rig.sut.handle(Input::Link(LinkReport::Lost { node: NodeIx(0) }), Mono(500_000));
    rig.play("520..3700/20 district/quarry/current 0.4");
    assert_eq!(
        rig.shown(acts)[..2],
        ["3620 cut district/quarry cut-failed", "3620 cut booster/main cut-failed"]
    );
}

/// links.md 5.5: over Modbus proof is due after two polls, whichever of board and meter is heard first. Sooner it would be
/// ordered again and again, and no two samples would ever lie between.
#[test]
fn the_proof_of_a_modbus_board_waits_for_two_polls_of_its_meter() {
    for board_first in [true, false] {
        let mut rig = Rig::start("", Start::live(Remembered::default()));
        let channel = |name: &str| rig.channels.find(name).unwrap();
        let (power, current) =
            (channel("district/quarry/power"), channel("district/quarry/current"));
        let meter = Announced::input(current, Some(Micros::from_millis(420)));
        let announced = [Announced::output(power), meter];
        let mut births: Vec<LinkReport> = (0..)
            .zip(announced)
            .map(|(node, channel)| LinkReport::Born {
                node: NodeIx(node),
                name: format!("unit-{node}"),
                transport: Transport::Modbus,
                channels: vec![channel],
                permit: true,
                restarted: false,
            })
            .collect();
        if !board_first {
            births.reverse();
        }
        for birth in births {
            rig.sut.handle(Input::Link(birth), Mono(0));
        }
        rig.play(
            "20..2100/420 district/quarry/current 0.4\n2120 district/quarry/current 5.0\n\
             2540 district/quarry/current 5.0\n2940 district/quarry/current 0.0\n\
             3340 district/quarry/current 0.0\n3760 district/quarry/current 0.0",
        );
        let want = ["2540 cut district/quarry short-circuit"];
        assert_eq!(rig.shown(acts), want, "board first: {board_first}");
    }
}

pub(super) fn born(power: ChannelIx, permit: bool) -> LinkReport {
    LinkReport::Born {
        node: NodeIx(0),
        name: "east".to_owned(),
        transport: Transport::Mqtt,
        channels: vec![Announced::output(power)],
        permit,
        restarted: false,
    }
}

/// Thousands of trains' worth of clean running: nothing is ordered, nothing is raised.
#[test]
fn clean_running_is_quiet() {
    let mut journal = String::from(
        "0 district/quarry/feedback on\n0 machine/T1/position normal\n0..60000/1000 frog/T1/polarity B\n",
    );
    for at in (0..60_000).step_by(20) {
        // A train that moves from block to block, its current wandering by a few hundred milliamperes.
        let load = 0.25 + f64::from((at / 20 * 37) % 40) / 100.0;
        let here = (at / 5000) % 3 + 1;
        journal.push_str(&format!("{at} district/quarry/current {load:.3}\n"));
        for block in 1..=3 {
            let amps = if block == here { load } else { 0.0 };
            journal.push_str(&format!("{at} block/q{block}/current {amps:.3}\n"));
        }
    }
    let mut rig = Rig::new("");
    rig.play(&journal);
    let told = rig.shown(|what| alarms(what) || acts(what));
    assert_eq!(told, Vec::<String>::new());
}

/// A sensor that dies a moment after its node introduced itself is as blind as one that dies later.
#[test]
fn a_current_that_fell_silent_after_its_first_words_goes_stale_in_time() {
    let mut rig = Rig::start("", Start::live(Remembered::default()));
    let object = wiring::channel::Object::District(wiring::index::DistrictIx::new(0));
    let channel = rig.channels.index(object, wiring::channel::Quantity::Current).unwrap();
    let mut report = born(channel, true);
    if let LinkReport::Born { channels, .. } = &mut report {
        *channels = vec![Announced::input(channel, Some(wiring::units::Micros::from_millis(20)))];
    }
    rig.sut.handle(Input::Link(report), Mono(0));
    rig.play("100..400/20 district/quarry/current 0.4");
    rig.sut.handle(Input::Tick, Mono(600_000));
    rig.drain();
    assert!(rig.sut.snapshot().districts[0].protected, "220 ms of silence are none");
    rig.sut.handle(Input::Tick, Mono(640_000));
    rig.drain();
    assert!(!rig.sut.snapshot().districts[0].protected, "silent for more than 250 ms");
}
