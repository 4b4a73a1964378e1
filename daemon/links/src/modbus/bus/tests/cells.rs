//! The column Modbus of the matrix of failures (links.md 5.6), and the experiment with the late answer (3.4).

use proptest::prelude::*;

use super::rig::{METER, Rig, Trouble};

const VALUES: [&str; 3] = ["quarry/voltage", "quarry/current", "yard/current"];

/// Each of the three values is read after `since`.
#[track_caller]
pub(super) fn assert_all_read(rig: &Rig, since: u64, what: &str) {
    for value in VALUES {
        let good = rig.said().iter().any(|it| {
            let (at, rest) = it.split_once(' ').expect("time first");
            since < at.parse().expect("a number") && rest.contains(value) && rest.ends_with("Good")
        });
        assert!(good, "{what}: {value} is not read after {since}: {:#?}", rig.said());
    }
}

/// A unit answers register X with X; its first answer comes 300 ms late, the time-out is 100 ms. A client that asks on
/// takes the answer of 100 for that of 200, and stays one behind for ever.
#[test]
fn a_late_answer_is_never_taken_for_the_next_one() {
    let faster = METER.replace("350 ms", "110 ms");
    for (name, links) in [("rests long enough", METER), ("rests too short", &faster)] {
        let mut rig = Rig::with(links, &[Trouble::Late(300), Trouble::None]);
        rig.run(3000);
        rig.assert_no_strange_value(name);
        assert_all_read(&rig, 1000, name);
        assert_eq!(rig.bus.counts.failed, if links == METER { 1 } else { rig.bus.counts.failed });
    }
}

#[test]
fn the_line_rests_from_the_question_on_and_throws_away_what_comes() {
    let mut rig = Rig::with(METER, &[Trouble::Late(300), Trouble::None]);
    rig.run(1000);
    let asked: Vec<u64> = rig.asked.iter().map(|(at, _)| *at).collect();
    // Opened at 0 it rests 350 ms, since answers of an earlier program may come; then the same after the failure.
    assert_eq!(asked[0], 350);
    assert!((700..=702).contains(&asked[1]), "{asked:?}");
    let strays = rig.bus.wire.counts.strays;
    assert_eq!(strays, 7, "the late answer, byte by byte");
}

/// Trouble with the n-th answer, and what is said about it.
#[track_caller]
fn check(trouble: Trouble, want: &str) {
    for nth in 0..6 {
        let mut troubles = vec![Trouble::None; nth];
        troubles.extend([trouble, Trouble::None]);
        let mut rig = Rig::with(METER, &troubles);
        rig.run(6000);
        let what = format!("{trouble:?} of answer {nth}");
        rig.assert_no_strange_value(&what);
        assert_all_read(&rig, 5000, &what);
        let said = rig.of(&["Unusable", "Lost"]);
        match want {
            "" => assert!(said.is_empty(), "{what}: {said:?}"),
            want => assert!(said.iter().any(|it| it.contains(want)), "{what}: {said:?}"),
        }
    }
}

#[test]
fn corruption_is_counted_and_dropped() {
    check(Trouble::BadCheck, "a damaged answer");
    check(Trouble::Short, "broke off after 4 bytes");
    check(Trouble::Long, "too long");
}

#[test]
fn a_copy_of_an_answer_is_read_once() {
    for (nth, ms) in (0..6).flat_map(|nth| [1, 3, 5, 8, 20, 90].map(|ms| (nth, ms))) {
        let mut troubles = vec![Trouble::None; nth];
        troubles.extend([Trouble::Copy(ms), Trouble::None]);
        let mut rig = Rig::with(METER, &troubles);
        rig.run(6000);
        let what = format!("copy of answer {nth} after {ms} ms");
        rig.assert_no_strange_value(&what);
        assert_all_read(&rig, 5000, &what);
        assert!(rig.of(&["quarry/current"]).len() <= 15, "{what}: once a beat");
    }
}

#[test]
fn one_answer_that_does_not_come_is_asked_for_again() {
    check(Trouble::Silent, "");
    check(Trouble::Late(150), "");
    check(Trouble::Late(300), "");
}

#[test]
fn what_another_master_or_noise_puts_in_is_ignored() {
    check(Trouble::Stranger, "meter (bus 1)");
    check(Trouble::Noise, "meter (bus 1)");
    check(Trouble::OwnEcho, "adapter echoes");
}

#[test]
fn an_answer_of_another_unit_is_dropped_and_named() {
    check(Trouble::WrongUnit, "an answer of unit 9");
}

#[test]
fn the_answer_to_the_question_before_is_not_taken() {
    for nth in 1..6 {
        let mut troubles = vec![Trouble::None; nth];
        troubles.extend([Trouble::Previous, Trouble::None]);
        let mut rig = Rig::with(METER, &troubles);
        rig.run(6000);
        rig.assert_no_strange_value(&format!("previous at {nth}"));
        assert_all_read(&rig, 5000, "previous");
    }
}

#[test]
fn three_damaged_answers_within_a_second_make_the_line_suspect() {
    let fast = METER.replace("350 ms", "110 ms");
    let mut rig = Rig::with(&fast, &[Trouble::BadCheck]);
    rig.run(2000);
    let said = rig.of(&["Unusable", "Lost"]);
    assert!(said.iter().any(|it| it.starts_with("Lost")), "{said:?}");
    let trouble = rig.bus.node_statuses()[0].trouble.clone();
    assert!(trouble.contains("wiring, baud rate or parity"), "{trouble}");
}

#[test]
fn a_refusal_is_a_bad_sensor_and_no_lost_unit() {
    let mut rig = Rig::with(METER, &[Trouble::None, Trouble::Refusal(4)]);
    rig.run(2000);
    assert!(rig.of(&["Lost"]).is_empty());
    let said = rig.of(&["Unusable"]);
    assert!(said[0].contains("server device failure"), "{said:?}");
    assert!(rig.of(&["(sensor)"]).len() > 2);
    rig.assert_no_strange_value("refusals");
}

/// Refusals for illegal addresses make the unit's answers lose their own shapes: then only answers in order are told apart.
fn trouble(in_order: bool) -> impl Strategy<Value = Trouble> {
    let late = move |ms| if in_order { Trouble::Late(ms) } else { Trouble::Copy(ms) };
    let refusal = if in_order { 2 } else { 4 };
    prop_oneof![
        4 => Just(Trouble::None),
        2 => Just(Trouble::Silent),
        3 => (6..2500_u64).prop_map(Trouble::Late),
        1 => Just(Trouble::BadCheck),
        1 => Just(Trouble::Short),
        1 => Just(Trouble::Long),
        2 => (1..60_u64).prop_map(late),
        1 => Just(Trouble::WrongUnit),
        1 => Just(Trouble::Stranger),
        1 => Just(Trouble::Noise),
        1 => Just(Trouble::OwnEcho),
        1 => Just(Trouble::Refusal(refusal)),
    ]
}

fn troubles() -> impl Strategy<Value = Vec<Trouble>> {
    any::<bool>().prop_flat_map(|in_order| prop::collection::vec(trouble(in_order), 1..40))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(20))]

    /// Whatever goes wrong, in whatever order and however late: no value of a strange register, and all is well
    /// again when the trouble has ended.
    #[test]
    fn no_trouble_makes_a_strange_value(
        mut troubles in troubles(),
        rest in prop::sample::select(vec!["110 ms", "350 ms"]),
    ) {
        troubles.push(Trouble::None);
        let mut rig = Rig::with(&METER.replace("350 ms", rest), &troubles);
        rig.run(20_000);
        rig.assert_no_strange_value(&format!("{troubles:?}"));
        while rig.troubles.len() > 1 {
            rig.run(5000);
        }
        let since = rig.ms + 8000;
        rig.run(14_000);
        rig.assert_no_strange_value(&format!("{troubles:?}"));
        assert_all_read(&rig, since, &format!("{troubles:?}"));
    }
}
