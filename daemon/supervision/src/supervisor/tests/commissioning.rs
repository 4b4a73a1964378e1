//! One machine commissioned: what is measured, what fails with which remedy, what others see meanwhile.

use wiring::{
    fingerprint::of_machine,
    index::MachineIx,
    layout::Position,
    units::{Microamps, Micros, Millivolts, Mono},
};

use super::rig::{Rig, acts};
use crate::{
    commission::{
        KeptWhat, Mood, Outcome, Proved, Remembered, Request, SeenFrog, Step, StepResult, When,
    },
    output::Decision,
    start::{self, Start},
};

const LABELS: &str = r#"
[machine.T1]
terminals = { motor = ["M1", "M2"], pole-1 = ["C1", "N1", "R1"], pole-2 = ["C2", "N2", "R2"] }
"#;

/// Currents that keep everything fresh, the machine at rest in normal, its frog right, and a session that began.
const BEGUN: &str = "
    0..200000/100 district/quarry/current 0.02
    0..200000/100 block/q1/current 0.0
    0 machine/T1/position normal
    0 frog/T1/polarity B
    1000 ! commission T1 begin
    1500 ! commission T1 next
";

/// A throw that lasts 2.4 s, of which the frog is dead from 1.1 to 1.5 s.
fn throw(at: u64, to: &str, on: &str) -> String {
    format!(
        "{at} machine/T1/position moving
         {} frog/T1/polarity dead
         {} frog/T1/polarity {on}
         {} machine/T1/position {to}\n",
        at + 1100,
        at + 1500,
        at + 2400
    )
}

/// Both throws, in order: steps 2 and 3 are done at 14.4 s, at rest in reverse.
fn thrown() -> String {
    [throw(2000, "reverse", "A"), throw(5000, "normal", "B"), throw(10_000, "reverse", "A")]
        .concat()
}

/// The same, and the frog measured in normal too: at rest there, step 4 done at 20.4 s.
fn measured() -> String {
    thrown() + &throw(16_000, "normal", "B")
}

pub(super) fn request(words: &[&str]) -> Request {
    let position = |word| match word {
        "normal" => Position::Normal,
        "reverse" => Position::Reverse,
        other => panic!("{other}"),
    };
    let number = |word: &str| word.parse::<i64>().unwrap();
    match *words {
        ["begin"] => Request::Begin,
        ["stay"] => Request::Stay,
        ["next"] => Request::Next,
        ["throw", to] => Request::Throw { to: position(to), confirmed: false },
        ["stands", at] => Request::SeenPosition(position(at)),
        ["frog", "matches"] => Request::SeenFrog(SeenFrog::Matches),
        ["frog", "wrong"] => Request::SeenFrog(SeenFrog::Wrong),
        ["frog", "dead"] => Request::SeenFrog(SeenFrog::Dead),
        ["meter", drop, amps, ref lifted @ ..] => Request::Meter {
            drop: Millivolts(number(drop)),
            amps: (amps != "-").then(|| Microamps::from_milliamps(number(amps))),
            lifted: lifted.first().map(|it| it.parse().unwrap()),
        },
        ["cut"] => Request::Cut,
        ["coin", place, milliamps] => Request::Coin {
            place: place.to_owned(),
            predicted: Microamps::from_milliamps(number(milliamps)),
        },
        ["again"] => Request::Again,
        ["back"] => Request::Back,
        ["skip", ref reason @ ..] => Request::Skip(reason.join(" ")),
        ["sign", initials] => Request::Sign(initials.to_owned()),
        ["leave"] => Request::Leave,
        _ => panic!("{words:?}"),
    }
}

fn rig(more: &str, journal: &str) -> Rig {
    let mut rig = Rig::new(more);
    rig.play(&format!("{BEGUN}\n{journal}"));
    rig
}

/// What is kept of a machine, one line each.
fn kept(rig: &Rig) -> Vec<String> {
    let kept = rig.outputs.iter().filter_map(|output| match &output.what {
        Decision::Commissioned(kept) => Some((output.at.0 / 1000, kept)),
        _ => None,
    });
    kept.map(|(at, kept)| match &kept.what {
        KeptWhat::Begun => format!("{at} begun by {}", kept.who),
        KeptWhat::Ended { why, .. } => format!("{at} ended, {why}"),
        KeptWhat::Signed { proved, detail, .. } => {
            format!("{at} signed {}: {detail}", if *proved { "passed" } else { "failed" })
        }
        KeptWhat::Result { step, outcome, detail } => {
            format!("{at} {} {}: {detail}", step.word(), outcome.word())
        }
        KeptWhat::BothPoles { carry, .. } => format!("{at} both poles {carry}"),
    })
    .collect()
}

/// The last line that is kept after a journal.
#[track_caller]
fn check_last(journal: &str, want: &str) {
    let rig = rig(LABELS, journal);
    assert_eq!(kept(&rig).last().unwrap(), want);
}

#[test]
fn a_good_turnout_passes_step_by_step_and_is_proved() {
    let journal = measured()
        + &throw(23_000, "reverse", "A")
        + &throw(27_000, "normal", "B")
        + &throw(31_000, "reverse", "A")
        + "21000 ! commission T1 meter 20 1000
           26000 ! commission T1 meter 22 1000
           30000 ! commission T1 meter 21 1000
           34000 ! commission T1 meter 19 1000
           35000 ! commission T1 cut
           35020..36000/20 district/quarry/current 0.0
           35020 district/quarry/feedback off
           40000 ! commission T1 skip done with the whole district
           41000 ! commission T1 sign IH";
    let rig = rig(LABELS, &journal);
    assert_eq!(
        kept(&rig),
        [
            "1000 begun by ann",
            "1500 name passed: at T1",
            "9400 throw-normal passed: thrown in 2.40 s, file says 2.50 s; change-over gap 400 ms",
            "14400 throw-reverse passed: thrown in 2.40 s, file says 2.50 s; change-over gap 400 ms",
            "20400 frog-both-positions passed: frog T1 matches in both positions, measured",
            "34000 contact passed: normal 20 mohm, reverse 22 mohm, normal 21 mohm, reverse 19 mohm",
            "35040 trip-test passed: cut proved after 40 ms; feedback off after 20 ms; no current flowed, so only the \
             feedback was tested",
            "40000 coin-test skipped: done with the whole district",
            "41000 signed passed: coin-test skipped, done with the whole district",
        ]
    );
    let snapshot = rig.sut.snapshot();
    assert!(snapshot.sessions.is_empty());
    assert!(snapshot.proofs[0].holds());
    assert_eq!(snapshot.proofs[0].proved.as_ref().unwrap().who, "IH");
}

/// At the trip test after 2 s, with currents up to 3 s.
const AT_TRIP: &str = "
    0..3000/100 district/quarry/current 0.2
    0 machine/T1/position normal
    1000 ! commission T1 begin
    1500 ! commission T1 next
    1600 ! commission T1 skip later
    1700 ! commission T1 skip later
    1800 ! commission T1 skip later
    2000 ! commission T1 skip later
    3000 ! commission T1 cut
";

#[test]
fn a_cut_that_is_not_proved_in_time_fails_and_is_tried_again() {
    let again = "3600 ! ack cut-failed district/quarry
                 4000 ! commission T1 cut
                 4500 ! restore district/quarry
                 4520..6000/20 district/quarry/current 0.2
                 6000 ! commission T1 cut
                 6010..6100/20 district/quarry/current 0.0\n";
    let passed = "6030 trip-test passed: cut proved weakly after 30 ms; no feedback; 0.20 A gone after 10 ms";
    let unproved = "3300 trip-test failed: No reading came in time to prove that quarry is off. Look at the link of its \
                    sensors.";
    let failed = "trip-test failed: District quarry was ordered off and is not. Pull the plug of the booster; the \
                  actuator may be welded.";
    let late = "3470 trip-test failed: The cut of quarry was proved after 470 ms, too late: a fault would have cut its \
                booster too. Look at the link of its sensors, or set cut-within longer; then restore and cut again.";
    let cases = [
        // Nothing comes, then the proof.
        ("3450..3600/20 district/quarry/current 0.0", vec![unproved.to_owned(), late.to_owned()]),
        // The current stays, and goes at last.
        (
            "3020..3450/20 district/quarry/current 0.2\n3450..3600/20 district/quarry/current 0.0",
            vec![format!("3300 {failed}"), late.to_owned()],
        ),
        // Nothing comes, then current that still flows, then the proof.
        (
            "3350 district/quarry/current 0.2\n3450..3600/20 district/quarry/current 0.0",
            vec![unproved.to_owned(), format!("3350 {failed}"), late.to_owned()],
        ),
    ];
    for (readings, mut want) in cases {
        let mut rig = Rig::new(LABELS);
        rig.play(&format!("{AT_TRIP}\n{readings}\n{again}"));
        want.push(passed.to_owned());
        assert_eq!(kept(&rig)[6..], want, "{readings}");
        assert_eq!(
            rig.shown(acts).iter().filter(|it| it.contains("refused")).collect::<Vec<_>>(),
            ["4000 refused NotOn"]
        );
    }
}

#[test]
fn a_test_cut_has_no_suspect_whose_contact_must_cool() {
    // A train warms the contact of its frog; a person cuts, and restores at once.
    let cases = [
        ("! commission T1 cut", "3100 done; 3100 on district/quarry operator"),
        ("! cut district/quarry", "3100 done; 3100 on district/quarry operator"),
    ];
    for (cut, want) in cases {
        let mut rig = Rig::new(LABELS);
        let warm = "0..3000/20 block/q1/current 0.6\n0 frog/T1/polarity B";
        let journal = AT_TRIP.replace("! commission T1 cut", cut);
        rig.play(&format!(
            "{warm}\n{journal}\n3020..3100/20 district/quarry/current 0.0\n3100 ! restore district/quarry"
        ));
        assert!(rig.sut.snapshot().poles[0].image > 100, "{cut}: the contact is warm");
        let mut acts = rig.shown(acts);
        let mut last = acts.split_off(acts.len() - 2);
        last.sort();
        assert_eq!(last.join("; "), want, "{cut}");
    }
}

#[test]
fn a_throw_is_refused_with_the_test_lamp_as_the_likely_reason() {
    let lit = "16050..20000/100 block/q1/current 0.9\n";
    let cases = [
        // In the frog's step; when the lamp is off again; before that step.
        (format!("{}{lit}17990 ! commission T1 throw normal", thrown()), "17990 refused LampOn"),
        (format!("{}{lit}22000 ! commission T1 throw normal", thrown()), "22000 done"),
        (format!("{lit}17990 ! commission T1 throw reverse"), "17990 refused Occupied"),
    ];
    for (journal, want) in cases {
        let rig = rig(LABELS, &journal);
        assert_eq!(rig.shown(acts).last().map(String::as_str), Some(want), "{journal}");
    }
}

#[test]
fn a_failing_step_names_the_mistake_and_the_wires() {
    let reversed = thrown().replace("polarity A", "polarity X").replace("polarity B", "polarity A");
    let reversed = reversed.replace("polarity X", "polarity B");
    let cases = [
        // Both wires of the contact changed over.
        (
            format!("10 frog/T1/polarity A\n{reversed}"),
            "14400 frog-both-positions failed: Frog is on the wrong rail. Swap the wires on N1 and R1 at T1.",
        ),
        // The contact does not open.
        (
            thrown().replace("polarity A", "polarity B"),
            "14400 frog-both-positions failed: Frog is on the wrong rail. Swap the wires on N1 and R1 at T1.",
        ),
        (
            measured().replace("polarity A", "polarity B"),
            "20400 frog-both-positions failed: Frog is on the wrong rail at reverse. Move the wire on R1 at T1 to the \
             left stock rail. If it is there, the contact does not open: use a spare pole.",
        ),
        // A wire is off.
        (
            thrown().replace("polarity A", "polarity dead"),
            "14400 frog-both-positions failed: Frog has no power at reverse. Check the wire on R1 at T1: it goes to the \
             left stock rail. If it is good, the contact is not.",
        ),
        // The motor.
        (
            "2000 machine/T1/position moving\n9000 machine/T1/position reverse
             10000 machine/T1/position moving\n18000 machine/T1/position normal"
                .to_owned(),
            "18000 throw-normal failed: The throw took 8.00 s, the file says 2.50 s. Look for stiff points or a bent \
             wire; if it is its nature, change throw-time.",
        ),
        // The contact changes too early.
        (
            thrown()
                .replace("7400 machine", "7450 machine")
                .replace("6100 frog", "5100 frog")
                .replace("6500 frog", "5500 frog"),
            "7450 throw-normal failed: The contact changes over at 4 to 20 % of the stroke. Centre T1, so that it \
             changes at mid-stroke.",
        ),
        // A weak contact.
        (
            measured()
                + &throw(23_000, "reverse", "A")
                + &throw(27_000, "normal", "B")
                + &throw(31_000, "reverse", "A")
                + "21000 ! commission T1 meter 20 1000
                   26000 ! commission T1 meter 140 1000
                   30000 ! commission T1 meter 21 1000
                   34000 ! commission T1 meter 60 500",
            "34000 contact failed: The contact on R1 at T1 is weak, 140 mohm. Throw it ten times and measure again; if \
             it stays, use a spare pole.",
        ),
    ];
    for (journal, want) in cases {
        check_last(&journal, want);
    }
}

#[test]
fn a_mended_frog_passes_without_a_new_start() {
    let wrong = thrown().replace("polarity A", "polarity B");
    let mended = wrong
        + "15000 ! commission T1 again\n15100 frog/T1/polarity A\n"
        + &throw(18_000, "normal", "B");
    check_last(
        &mended,
        "22400 frog-both-positions passed: frog T1 matches in both positions, measured",
    );
}

#[test]
fn by_order_a_motor_that_stays_or_goes_the_other_way_is_told() {
    let cases = [
        (
            "3000 ! commission T1 throw reverse",
            "T1 did not move. Check the wires on M1 and M2 at T1 and the motor's supply.",
        ),
        (
            "3000 ! commission T1 throw reverse\n3100 machine/T1/position moving",
            "T1 did not arrive at reverse. Free the points and the linkage.",
        ),
        (
            "3000 ! commission T1 throw reverse\n3100 machine/T1/position moving
             5000 machine/T1/position normal",
            "T1 went the other way. Swap the wires on M1 and M2 at T1.",
        ),
    ];
    for (journal, want) in cases {
        // In the step of that throw: the one before is skipped.
        let rig = rig(LABELS, &format!("2000 ! commission T1 skip seen at the bench\n{journal}"));
        let want = format!("throw-reverse failed: {want}");
        assert!(kept(&rig).last().unwrap().ends_with(&want), "{:?}", kept(&rig));
    }
}

#[test]
fn without_feedback_the_person_says_what_is_seen_and_the_result_says_so() {
    let mut rig = Rig::new(LABELS);
    rig.play(
        "0..60000/100 district/quarry/current 0.02
         0..60000/100 block/q1/current 0.0
         1000 ! commission T1 begin
         1500 ! commission T1 next
         2000 ! commission T1 stands normal
         3000 ! commission T1 stands reverse
         4000 ! commission T1 frog matches
         5000 ! commission T1 stands normal
         6000 ! commission T1 frog dead
         7000 ! commission T1 again
         8000 ! commission T1 frog matches
         9000 ! commission T1 stands reverse
         10000 ! commission T1 frog matches",
    );
    assert_eq!(
        kept(&rig)[2..],
        [
            "2000 throw-normal passed: normal seen by the person, not measured",
            "3000 throw-reverse passed: reverse seen by the person, not measured",
            "6000 frog-both-positions failed: Frog has no power at normal. Check the wire on N1 at T1: it goes to the \
             right stock rail. If it is good, the contact is not.",
            "10000 frog-both-positions passed: frog T1 matches in both positions, seen by the person, not measured",
        ]
    );
}

#[test]
fn more_than_a_limited_supply_gives_is_cut_after_two_readings_and_not_after_one() {
    let journal = thrown()
        + "15000 block/q1/current 1.8\n15050 block/q1/current 0.0\n15100..15140/20 block/q1/current 1.8";
    let rig = rig(LABELS, &journal);
    let orders: Vec<_> = rig.shown(|it| matches!(it, Decision::Order(_)));
    assert_eq!(orders.first().map(String::as_str), Some("15120 cut district/quarry test-limit"));
}

#[test]
fn alarms_are_out_of_service_meanwhile_and_come_back_with_what_still_stands() {
    let journal = "2000 machine/T1/position moving\n12000 ! commission T1 leave";
    let rig = rig(LABELS, journal);
    let alarms = rig.shown(|it| matches!(it, Decision::Alarm(_)));
    let of_machine: Vec<_> =
        alarms.iter().filter(|it| it.contains("machine/T1")).cloned().collect();
    assert_eq!(
        of_machine,
        [
            "5750 machine-slow machine/T1 out-of-service low",
            "8250 machine-stuck machine/T1 out-of-service medium",
            "12000 machine-slow machine/T1 in-service low",
            "12000 machine-stuck machine/T1 in-service medium",
        ]
    );
}

#[test]
fn nobody_else_restores_or_acts_and_another_device_may_take_over() {
    let journal = "2000 ! bob: commission T1 back
                   3000 ! cut district/quarry
                   3020..9000/20 district/quarry/current 0.0
                   6000 ! bob: restore district/quarry
                   7000 ! bob: commission T1 begin
                   8000 ! bob: restore district/quarry";
    let rig = rig(LABELS, journal);
    assert_eq!(
        rig.shown(acts)[2..].join("; "),
        "2000 refused NotCommissioning; 3000 cut district/quarry operator; 3000 done; 6000 refused InCommissioning; \
         7000 done; 8000 on district/quarry operator; 8000 done"
    );
}

#[test]
fn ten_minutes_without_a_sign_end_it_and_a_sign_keeps_it() {
    let mut rig = Rig::new("");
    rig.play("1000 ! commission T1 begin\n500000 ! commission T1 stay\n1099999 tick");
    assert_eq!(kept(&rig), ["1000 begun by ann"]);
    rig.play("1100000 tick");
    assert_eq!(kept(&rig)[1], "1100000 ended, nobody was there for 10 minutes");
}

#[test]
fn sign_off_wants_every_step_and_proves_nothing_that_was_skipped() {
    let skips = "2000 ! commission T1 sign IH
                 3000 ! commission T1 skip no time
                 4000 ! commission T1 skip no time
                 5000 ! commission T1 skip no time
                 6000 ! commission T1 skip no time
                 7000 ! commission T1 skip no time
                 8000 ! commission T1 skip no time
                 9000 ! commission T1 sign IH";
    let rig = rig(LABELS, skips);
    assert!(rig.shown(acts).contains(&"2000 refused StepOpen".to_owned()));
    assert_eq!(
        kept(&rig).last().unwrap(),
        "9000 signed failed: not proved: throw-normal, throw-reverse, frog-both-positions skipped"
    );
    assert!(!rig.sut.snapshot().proofs[0].holds());
}

#[test]
fn both_poles_are_proved_by_lifting_each() {
    let pair = format!("{LABELS}\n").replace("[machine.T1]", "[machine.T1]\npoles = 2");
    let text = super::rig::LAYOUT.replace("[\"T1.1\"]", "[\"T1.1\", \"T1.2\"]");
    for (lifted, want) in [(30, "both poles true"), (16, "both poles false")] {
        let mut rig = Rig::new_with(&format!("{text}\n{pair}"), Start::journal());
        let meters = format!(
            "21000 ! commission T1 meter 15 1000
             21100 ! commission T1 meter 31 1000 1
             21200 ! commission T1 meter {lifted} 1000 2"
        );
        rig.play(&format!("{BEGUN}\n{}\n{meters}", measured()));
        assert_eq!(kept(&rig).last().unwrap(), &format!("21200 {want}"));
    }
}

#[test]
fn a_coin_is_judged_by_its_current_and_by_what_ended_it() {
    let skipped = measured()
        + "21000 ! commission T1 skip later
           22000 ! commission T1 skip later
           23000 ! commission T1 coin end/west 5000\n";
    let cases = [
        (
            "24000..24060/20 district/quarry/current 4.9\n24060..26000/20 district/quarry/current 0.0",
            "end/west: 4.90 A of 5.00 A predicted, Checkrail cut after 20 ms, before the breaker: the breaker itself was \
             not shown.",
        ),
        (
            "24000..24060/20 district/quarry/current 3.1\n24060..26000/20 district/quarry/current 0.0",
            "end/west: 3.10 A of 5.00 A predicted. The loop has more resistance than the wiring model: check feeders \
             and rail joints up to there.",
        ),
    ];
    for (short, want) in cases {
        let rig = rig(LABELS, &format!("{skipped}{short}"));
        assert_eq!(rig.sut.snapshot().sessions[0].verdict.text, want);
    }
    let never = rig(LABELS, &format!("{skipped}90000 tick"));
    assert_eq!(
        never.sut.snapshot().sessions[0].verdict.text,
        "No coin came at end/west within a minute."
    );
}

#[test]
fn an_open_session_and_its_results_survive_a_restart() {
    let wiring = of_machine(&Rig::new("").layout, MachineIx::new(0));
    let passed = |step| StepResult {
        step,
        outcome: Outcome::Passed,
        detail: "before".to_owned(),
        who: "ann".to_owned(),
    };
    let proved = Proved { wiring: wiring.clone(), who: "IH".to_owned(), when: When::Utc(5) };
    let remembered = Remembered {
        machine: MachineIx::new(0),
        proved: Some(proved),
        results: vec![passed(Step::Name), passed(Step::Normal)],
        open: Some("ann".to_owned()),
    };
    let mut start = Start::journal();
    start.remembered = start::Remembered { commissioning: vec![remembered], ..Default::default() };
    let rig = Rig::start("", start);
    let snapshot = rig.sut.snapshot();
    assert_eq!(snapshot.sessions[0].step, Step::Reverse);
    assert_eq!(snapshot.sessions[0].who, "ann");
    assert!(snapshot.proofs[0].holds());
    // The same signature for other wires.
    let other =
        super::rig::LAYOUT.replace("normal = \"right\"\nreverse", "normal = \"left\"\nreverse");
    let remembered = Remembered {
        machine: MachineIx::new(0),
        proved: Some(Proved { wiring, who: "IH".to_owned(), when: When::Utc(5) }),
        results: Vec::new(),
        open: None,
    };
    let mut start = Start::journal();
    start.remembered = start::Remembered { commissioning: vec![remembered], ..Default::default() };
    let rig = Rig::new_with(&other, start);
    assert!(!rig.sut.snapshot().proofs[0].holds());
}

#[test]
fn a_person_sees_one_instruction_four_readings_a_verdict_and_the_next_thing_first() {
    let rig = rig(LABELS, &(thrown().replace("polarity A", "polarity B") + "15000 tick"));
    let view = &rig.sut.snapshot().sessions[0];
    assert_eq!(view.heading, "Throw to normal and watch the frog");
    assert_eq!(
        view.readings.clone().map(|(label, value)| format!("{label} {value}")),
        ["Position reverse", "Frog measured rail B", "Frog expected rail A", "Frog current 0.00 A"]
    );
    assert_eq!(view.verdict.mood, Mood::Bad);
    assert_eq!(view.offers[0].label, "Wires changed, test again");
}

#[test]
fn every_heading_has_at_most_eight_words() {
    let mut rig = rig(LABELS, "");
    for step in Step::ALL.iter().skip(1) {
        let view = rig.sut.snapshot().sessions[0].clone();
        assert!(view.heading.split(' ').count() <= 8, "{}", view.heading);
        assert!(view.step >= *step || view.step == Step::Sign);
        let at = Mono(200_000_000) + Micros(step.number().into());
        let input = rig.input("! commission T1 skip no time");
        rig.sut.handle(input, at.max(rig.sut.snapshot().at));
        rig.drain();
    }
}
