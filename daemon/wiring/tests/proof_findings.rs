//! Findings about frogs, poles and machines, on layouts without a track plan.

mod support;

use support::{ONE_BLOCK, layout, report};
use wiring::finding::Severity;

/// Errors and warnings of trackwork in one block whose left rails are on A.
fn found(text: &str) -> Vec<String> {
    let report = report(&format!("{ONE_BLOCK}{text}"));
    let serious = report.findings.iter().filter(|it| it.severity != Severity::Advice);
    let mut found: Vec<_> =
        serious.map(|it| format!("{} {}", it.code.code(), it.subject)).collect();
    found.sort();
    found
}

#[track_caller]
fn check(text: &str, want: &[&str]) {
    assert_eq!(found(text), want, "{text}");
}

/// The remedy of the only error or warning.
#[track_caller]
fn remedy(text: &str) -> String {
    let report = report(&format!("{ONE_BLOCK}{text}"));
    let mut serious = report.findings.into_iter().filter(|it| it.severity != Severity::Advice);
    let only = serious.next().expect("a finding");
    assert_eq!(serious.next(), None);
    only.remedy
}

fn frog(path: &str, poles: &str, normal: &str, reverse: &str) -> String {
    format!(
        "[trackwork.{path}]\npoles = [{poles}]\nnormal = \"{normal}\"\nreverse = \"{reverse}\"\n"
    )
}

const RIGHT_HAND: &str = "[trackwork.T]\nkind = \"turnout\"\nhand = \"right\"\nblock = \"q\"\n";

#[test]
fn the_remedy_names_the_wires_by_their_labels_where_the_file_has_them() {
    let swapped = |poles: &str| format!("{RIGHT_HAND}{}", frog("T.frog", poles, "left", "right"));
    assert_eq!(
        remedy(&swapped("\"T.1\"")),
        "swap the wires on the normal and reverse contacts of pole 1 of machine T"
    );
    let labels = "[machine.T]\nterminals = { pole-1 = [\"C1\", \"N1\", \"R1\"], pole-2 = [\"4\", \"5\", \"6\"] }\n";
    assert_eq!(
        remedy(&format!("{}{labels}", swapped("\"T.1\""))),
        "swap the wires on N1 and R1 of machine T"
    );
    assert_eq!(
        remedy(&format!("{}{labels}", swapped("\"T.1\", \"T.2\""))),
        "swap the wires on N1 and R1, and on 5 and 6, of machine T"
    );
}

#[test]
fn one_wire_on_the_wrong_rail_is_moved_and_a_missing_one_is_run() {
    let tied =
        |normal, reverse| format!("{RIGHT_HAND}{}", frog("T.frog", "\"T.1\"", normal, reverse));
    assert_eq!(
        remedy(&tied("right", "right")),
        "move the wire on the reverse contact of pole 1 of machine T from the right stock rail to the left stock rail"
    );
    assert_eq!(
        remedy(&tied("A", "left")),
        "move the wire on the normal contact of pole 1 of machine T from conductor A to the right stock rail"
    );
    assert_eq!(
        remedy(&tied("right", "none")),
        "run a wire from the reverse contact of pole 1 of machine T to the left stock rail"
    );
}

fn three_way(left: &str, middle: &str, right: &str) -> String {
    format!(
        "[trackwork.W]\nkind = \"three-way\"\nblock = \"q\"\n{}{}{}",
        frog("W.frogs.left", left, "left", "right"),
        middle,
        frog("W.frogs.right", right, "right", "left")
    )
}

/// Source: geometry.md section 4, LR ties either to LC or to CR, not to both.
#[test]
fn the_middle_frog_of_a_three_way_may_share_the_pole_of_either_neighbour_but_not_of_both() {
    let (left, right) = ("\"W-left.1\"", "\"W-right.1\"");
    let with_left = frog("W.frogs.middle", left, "left", "right");
    check(&three_way(left, &with_left, right), &["positions-invalid machine/W-left"]);
    let with_right = frog("W.frogs.middle", right, "right", "left");
    check(&three_way(left, &with_right, right), &["positions-invalid machine/W-left"]);
    let both = frog("W.frogs.middle", &format!("{left}, {right}"), "left", "right");
    assert!(
        found(&three_way(left, &both, right)).contains(&"pole-shared pole/W-right.1".to_owned())
    );
}

fn scissors(acute: &str) -> String {
    let turnout = |id: &str, hand: &str, left: &str, pole: &str| {
        let (machine, normal) = pole.split_at(2);
        let (first, second) = if hand == "right" { ("right", "left") } else { ("left", "right") };
        format!(
            "[trackwork.{id}]\nkind = \"turnout\"\nhand = \"{hand}\"\nblock = \"q\"\nleft = \"{left}\"\nmachine = \"{machine}\"\n{}",
            frog(&format!("{id}.frog"), &format!("\"{machine}{normal}\""), first, second)
        )
    };
    [
        turnout("FW1", "right", "A", "MX.1"),
        turnout("FE2", "right", "B", "MX.2"),
        turnout("FW2", "left", "A", "MY.1"),
        turnout("FE1", "left", "B", "MY.2"),
        "[trackwork.D]\nkind = \"crossing\"\nblock = \"q\"\nroutes = { a-left = { MX = \"reverse\" }, a-right = { MY = \"reverse\" } }\n".to_owned(),
        acute.to_owned(),
    ]
    .concat()
}

const BOTH_CROSSOVERS: [&str; 2] = ["frog-conflict frog/D.a", "frog-conflict frog/D.b"];

/// Source: geometry.md section 3, DE may share FW1's pole and DW may share FE2's.
#[test]
fn the_acute_frogs_of_scissors_may_share_poles_of_the_turnouts_but_not_one_with_each_other() {
    let acute = |a: (&str, &str, &str), b: (&str, &str, &str)| {
        let it = |name: &str, (pole, normal, reverse)| {
            frog(&format!("D.frogs.{name}"), &format!("\"{pole}\""), normal, reverse)
        };
        scissors(&format!("{}{}", it("a", a), it("b", b)))
    };
    check(&acute(("MX.2", "A", "B"), ("MX.1", "B", "A")), &BOTH_CROSSOVERS);
    check(&acute(("MY.2", "B", "A"), ("MY.1", "A", "B")), &BOTH_CROSSOVERS);
    let found = found(&acute(("MX.2", "A", "B"), ("MX.2", "A", "B")));
    assert!(found.contains(&"pole-shared pole/MX.2".to_owned()), "{found:?}");
    assert!(found.contains(&"frog-swapped frog/D.b".to_owned()), "{found:?}");
}

#[test]
fn two_frogs_of_a_crossover_on_one_pole_are_told_what_they_would_join() {
    let turnout = |id: &str, left: &str| {
        format!(
            "[trackwork.{id}]\nkind = \"turnout\"\nhand = \"right\"\nblock = \"q\"\nleft = \"{left}\"\nmachine = \"M\"\n{}",
            frog(&format!("{id}.frog"), "\"M.1\"", "right", "left")
        )
    };
    let text = format!("{}{}", turnout("F1", "A"), turnout("F2", "B"));
    check(&text, &["pole-shared pole/M.1"]);
    let report = report(&format!("{ONE_BLOCK}{text}"));
    let shared = report.findings.iter().find(|it| it.code.code() == "pole-shared").expect("one");
    assert_eq!(
        shared.message,
        "pole M.1 feeds frog F1 and frog F2: its normal contact would join A and B"
    );
    assert_eq!(shared.also.len(), 1);
}

#[test]
fn a_single_slip_wired_crossed_is_right_but_for_both_machines_normal() {
    let slip = "[trackwork.S]\nkind = \"single-slip\"\nblock = \"q\"\nslip = \"a-right\"\n";
    let a = frog("S.frogs.a", "\"S-b.1\"", "a-left.right", "a-right.left");
    let b = frog("S.frogs.b", "\"S-a.1\"", "b-right.left", "b-left.right");
    check(&format!("{slip}{a}{b}"), &["frog-conflict frog/S.a", "frog-conflict frog/S.b"]);
}

#[test]
fn poles_of_two_machines_side_by_side_fight_when_the_machines_differ() {
    let text =
        format!("{RIGHT_HAND}{}[machine.U]\n", frog("T.frog", "\"T.1\", \"U.1\"", "right", "left"));
    check(&text, &["poles-fight frog/T"]);
    assert_eq!(remedy(&text), "take U.1 off frog T and leave T.1 alone on it");
}

#[test]
fn a_frog_on_another_district_is_foreign_even_on_the_right_conductor() {
    let other = "[district.e]\nbooster = \"main\"\n";
    let text = format!("{other}{RIGHT_HAND}{}", frog("T.frog", "\"T.1\"", "e/B", "left"));
    check(&text, &["frog-foreign frog/T"]);
}

#[test]
fn a_machine_short_of_poles_says_what_must_give() {
    let text = |poles: &str, uses: &str| {
        format!(
            "{RIGHT_HAND}{}[machine.T]\npoles = 2\nuses = [{uses}]\n",
            frog("T.frog", poles, "right", "left")
        )
    };
    check(&text("\"T.1\"", "\"signal\""), &[]);
    check(&text("\"T.1\", \"T.2\"", ""), &[]);
    let short = text("\"T.1\", \"T.2\"", "\"signal\"");
    check(&short, &["pole-missing machine/T"]);
    assert_eq!(
        remedy(&short),
        "give up pole 2 at frog T, which then has a single pole for its load"
    );
    assert_eq!(
        remedy(&text("\"T.1\"", "\"signal\", \"panel lamp\"")),
        "take panel lamp from a relay or another machine"
    );
}

#[test]
fn a_machine_on_the_power_of_its_own_district_is_told_so() {
    let on = |supply: &str| {
        format!(
            "[district.e]\nbooster = \"main\"\n{RIGHT_HAND}{}[machine.T]\nsupply = \"{supply}\"\n",
            frog("T.frog", "\"T.1\"", "right", "left")
        )
    };
    check(&on("district/d"), &["throw-shorted machine/T"]);
    check(&on("district/e"), &[]);
    check(&on("own"), &[]);
}

#[test]
fn a_frog_behind_a_reverser_is_judged_by_its_own_rails_and_asked_about_the_bus() {
    let behind = |normal: &str, reverse: &str| {
        let frog = frog("T.frog", "\"T.1\"", normal, reverse);
        report(&format!("{ONE_BLOCK}{RIGHT_HAND}{frog}[reverser.r]\nblock = \"q\"\n"))
    };
    let subjects = |report: &wiring::check::Report| {
        report
            .findings
            .iter()
            .map(|it| format!("{} {}", it.code.code(), it.subject))
            .collect::<Vec<_>>()
    };
    assert_eq!(subjects(&behind("right", "left")), ["not-checked layout"]);
    assert_eq!(subjects(&behind("B", "A")), ["not-checked layout", "not-checked frog/T"]);
    let swapped = subjects(&behind("left", "right"));
    assert_eq!(swapped, ["not-checked layout", "frog-swapped frog/T"]);
}

#[test]
fn a_proof_shows_who_sees_a_wheel_on_the_frog() {
    let text = format!("{ONE_BLOCK}{RIGHT_HAND}{}", frog("T.frog", "\"T.1\"", "right", "A"));
    let (layout, report) = (layout(&text), report(&text));
    let rows = &report.proof.frog(support::frog(&layout, "T")).rows;
    let block = Some(wiring::index::BlockIx(0));
    assert_eq!(rows[0].seen_by, block, "fed from the rail, behind the detector");
    assert_eq!(rows[1].seen_by, None, "fed from the bus, before any detector");
    assert_eq!((rows[0].open_ports, rows[1].open_ports), (0b011, 0b101));
}

#[test]
fn a_route_that_too_many_machines_decide_is_not_proved_and_says_so() {
    let machines = |count: usize| {
        let each = (0..count).map(|at| format!("M{at} = \"normal\""));
        each.collect::<Vec<_>>().join(", ")
    };
    let crossing = |count: usize| {
        format!(
            "{ONE_BLOCK}[trackwork.D]\nkind = \"crossing\"\nblock = \"q\"\nroutes = {{ a-left = {{ {} }}, a-right = {{ M0 = \"reverse\" }} }}\n",
            machines(count)
        )
    };
    let unproved = |count: usize| {
        let report = report(&crossing(count));
        report.findings.iter().filter(|it| it.message.contains("is not proved")).count()
    };
    assert_eq!(unproved(wiring::polarity::MACHINES_MAX), 0);
    assert_eq!(unproved(wiring::polarity::MACHINES_MAX + 1), 4);
}
