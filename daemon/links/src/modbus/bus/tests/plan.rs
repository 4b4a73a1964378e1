//! Who is asked when: beats, lost units, identities, a full line.

use super::rig::{BOARD, METER, Rig, Trouble};

#[test]
fn every_point_is_read_on_its_beat() {
    let mut rig = Rig::new(METER);
    rig.run(4400);
    let times = rig.times("quarry/current");
    assert!((10..=11).contains(&times.len()), "{times:?}");
    let apart: Vec<u64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
    assert!(apart.iter().all(|ms| (390..=410).contains(ms)), "{apart:?}");
}

#[test]
fn two_questions_of_one_shape_never_follow_each_other() {
    let mut rig = Rig::new(METER);
    rig.run(3000);
    let reads: Vec<&[u8]> = rig.asked.iter().map(|(_, it)| &it[..6]).collect();
    assert!(reads.windows(2).all(|pair| pair[0] == pair[1] || pair[0][5] != pair[1][5]));
}

#[test]
fn a_silent_unit_is_lost_after_three_polls_and_asked_every_two_seconds() {
    let mut rig = Rig::new(BOARD);
    rig.run(1000);
    rig.absent = vec![2];
    let gone = rig.ms;
    rig.told.clear();
    rig.asked.clear();
    rig.run(10_000);
    assert_eq!(rig.of(&["Lost"]).len(), 1);
    let lost = rig.times("Lost")[0];
    assert!(lost - gone < 700, "three polls: {}", lost - gone);
    let asked: Vec<u64> = rig.asked_at(2, 1).into_iter().filter(|at| lost < *at).collect();
    let apart: Vec<u64> = asked.windows(2).map(|pair| pair[1] - pair[0]).collect();
    assert!(!apart.is_empty() && apart.iter().all(|ms| (2000..2200).contains(ms)), "{apart:?}");
    // The other unit goes on, all but undisturbed.
    let read = rig.times("quarry/current");
    assert!(read.windows(2).all(|pair| pair[1] - pair[0] < 400), "{read:?}");
    assert!(read.len() > 45, "{}", read.len());
}

/// A failed question is asked again at once: three fail in a third of a second, less than one poll of 400 ms.
#[test]
fn three_questions_that_fail_within_one_poll_are_no_lost_unit() {
    let mut rig =
        Rig::new(&METER.replace("\"350 ms\"", "\"120 ms\"").replace("\"100 ms\"", "\"50 ms\""));
    rig.run(1000);
    let silent = rig.asked.len();
    rig.absent = vec![1];
    while rig.asked.len() < silent + 4 {
        rig.run(20);
    }
    rig.absent.clear();
    rig.told.clear();
    rig.run(2000);
    assert_eq!(rig.of(&["Lost"]), [""; 0]);
    assert!(3 < rig.of(&["quarry/current 0.2 Good"]).len(), "{:?}", rig.told);
}

#[test]
fn a_silent_line_loses_every_unit_and_names_it() {
    let mut rig = Rig::new(BOARD);
    rig.absent = vec![1, 2];
    rig.run(2000);
    let said = rig.of(&["Born", "Lost"]);
    let births = said.iter().filter(|it| it.starts_with("Born")).count();
    assert_eq!(
        (births, said.len()),
        (2, 4),
        "a unit never seen is named before it is lost: {said:?}"
    );
    rig.absent.clear();
    rig.run(3000);
    assert_eq!(rig.of(&["Born"]).len(), 4);
    assert!(rig.bus.node_statuses().iter().all(|it| it.alive && it.trouble.is_empty()));
}

#[test]
fn a_unit_with_a_wrong_identity_is_not_believed() {
    let known = METER.replace("poll", "identity = { fn = 4, addr = 8, equals = [8, 9] }\npoll");
    let mut rig = Rig::new(&known);
    rig.registers.insert((1, 9), 77);
    rig.run(3000);
    assert!(rig.of(&["quarry/current"]).is_empty());
    let said = rig.of(&["Unusable"]);
    assert!(said[0].contains("identity reads [8, 77], not [8, 9]"), "{said:?}");
    rig.registers.clear();
    rig.run(3000);
    assert!(!rig.of(&["quarry/current 0.2 Good"]).is_empty());
    // Another unit with its number is put on the line.
    rig.registers.insert((1, 9), 77);
    rig.run(6000);
    assert_eq!(rig.of(&["Lost"]).len(), 2, "{:?}", rig.of(&["Lost", "Born"]));
}

#[test]
fn addresses_that_a_unit_does_not_have_are_asked_around() {
    let gap = METER.replace("addr = 200", "addr = 102").replace("addr = 300", "addr = 105");
    let mut rig = Rig::new(&gap);
    rig.illegal = vec![101];
    rig.run(2000);
    assert!(rig.of(&["Unusable"]).is_empty(), "{:?}", rig.of(&["Unusable"]));
    assert!(rig.of(&["quarry/voltage 10 Good"]).len() > 2);
    assert!(rig.of(&["yard/current 0.105 Good"]).len() > 2);
}

#[test]
fn an_alternative_speaks_only_while_the_first_row_does_not() {
    let row =
        "{ channel = \"district/quarry/current\", fn = 3, addr = 900, scale = 0.001, alt = true },";
    let both = METER
        .replace("points = [", &format!("points = [{row}"))
        .replace("addr = 200, scale = 0.001", "addr = 200, scale = 0.001, range = [0, 1]");
    let mut rig = Rig::new(&both);
    rig.run(2000);
    let first = rig.of(&["quarry/current 0.2 Good"]).len();
    assert!(first > 2 && rig.of(&["quarry/current 0.9"]).len() <= 1);
    rig.registers.insert((1, 200), 5000);
    rig.run(2000);
    assert!(rig.of(&["quarry/current (over)"]).len() > 2);
    assert!(rig.of(&["quarry/current 0.9 Good"]).len() > 2);
}

#[test]
fn currents_go_before_the_rest_on_a_full_line_and_the_rest_is_not_starved() {
    let mut units = String::from(
        "[links.modbus.bus]\ndevice = \"/dev/null\"\nbaud = 9600\nreply-max = \"70 ms\"\n",
    );
    let rows = [
        "{ channel = \"district/quarry/current\", fn = 4, addr = 0 }",
        "{ channel = \"district/yard/current\", fn = 4, addr = 0 }",
        "{ channel = \"block/q1/occupied\", fn = 2, addr = 0, other = \"yes\" }",
    ];
    for (at, row) in rows.iter().enumerate() {
        units += &format!(
            "[[links.modbus.bus.unit]]\naddress = {}\npoll = \"75 ms\"\npoints = [{row}]\n",
            at + 1
        );
    }
    let mut rig = Rig::new(&units);
    rig.turnaround = 30;
    rig.run(10_000);
    let count = |name: &str| rig.of(&[name]).len();
    let (one, two, rest) = (count("quarry/current"), count("yard/current"), count("q1/occupied"));
    assert!(one.abs_diff(two) <= 2, "{one} {two}");
    assert!(2 * rest < one && 20 < rest, "{one} {two} {rest}");
}

#[test]
fn over_tcp_an_answer_of_an_earlier_question_is_told_by_its_number() {
    let tcp = METER.replace("device = \"/dev/null\"\nbaud = 115200", "tcp = \"127.0.0.1:502\"");
    let mut rig = Rig::with(&tcp, &[Trouble::Late(150), Trouble::None]);
    rig.run(3000);
    rig.assert_no_strange_value("late over TCP");
    assert!(rig.of(&["quarry/current 0.2 Good"]).len() > 3);
    let strays = rig.bus.wire.counts.strays;
    assert_eq!(strays, 1);
}
