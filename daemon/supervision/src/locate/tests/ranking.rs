//! The order of questions and the look-alikes of the trade's fault list, as tables: who must come first, who must not.

use super::*;

// Source of the cases below: the trade's fault list (`faults.md`), by its numbers; its section "order of questions" gives
// who must be first. The shares asked for are ours.
#[test]
fn each_fault_of_the_list_that_locating_decides_finds_its_culprit() {
    let wrong = PolaritySign::WrongRail(Conductor::A);
    let cases: Vec<(&str, Evidence, &str, u32)> = vec![
        (
            "F01 run-through",
            running(vec![entered(3), quiet(0), quiet(1), quiet(2)]),
            "frog/T4",
            800,
        ),
        (
            "F06 thrown under a train",
            running(vec![thrown(1, Around::Occupied), quiet(0), quiet(2)]),
            "frog/T2",
            700,
        ),
        (
            "F10 frog swapped, train on the set route",
            running(vec![FrogFacts { polarity: wrong, ..lined(0) }, quiet(1)]),
            "frog/T1",
            800,
        ),
        (
            "F22 contact stuck",
            running(vec![
                FrogFacts { polarity: PolaritySign::NotSwitching(Conductor::B), ..lined(2) },
                lined(1),
            ]),
            "frog/T3",
            800,
        ),
        (
            "F14 gap closed, shows with the throw of an empty turnout",
            running(vec![thrown(0, Around::Clear), quiet(1), quiet(2)]),
            "frog/T1",
            600,
        ),
        (
            "F30 position unknown",
            running(vec![
                FrogFacts { machine: MachineSign::Unknown(MachineIx(1)), ..lined(1) },
                lined(2),
            ]),
            "frog/T2",
            500,
        ),
        (
            "F77 another turnout was thrown",
            running(vec![entered(3), thrown(0, Around::Clear), quiet(1)]),
            "frog/T4",
            600,
        ),
        (
            "F60 derailment on the set route",
            running(vec![lined(0), quiet(1), quiet(2)]),
            "object",
            500,
        ),
        (
            "F63 a tool across the rails",
            Evidence { movement: Some(false), ..running(vec![quiet(0), quiet(1), quiet(2)]) },
            "object",
            700,
        ),
        (
            "F16 feeder on the wrong conductor, first power-up",
            Evidence {
                movement: Some(false),
                powered_for: Some(ms(40)),
                ..running(vec![
                    FrogFacts { was_good_here: false, ..quiet(0) },
                    FrogFacts { was_good_here: false, ..quiet(1) },
                ])
            },
            "wiring",
            500,
        ),
        (
            "F17 two districts out of phase",
            Evidence {
                others: Others::Stepped(DistrictIx(1)),
                ..running(vec![lined(0), quiet(1)])
            },
            "wiring",
            400,
        ),
        (
            "F08 district boundary in the gap of a turnout",
            Evidence {
                others: Others::Stepped(DistrictIx(1)),
                ..running(vec![FrogFacts { at_boundary: true, ..entered(3) }, quiet(1)])
            },
            "frog/T4",
            800,
        ),
        (
            "F47 reverser slower than the breaker",
            Evidence {
                reversers: vec![ReverserFacts {
                    reverser: ReverserIx(0),
                    flips: 2,
                    gap_stepped: false,
                    train: Some(true),
                }],
                ..running(vec![lined(0), quiet(1)])
            },
            "reverser",
            700,
        ),
        (
            "F40 inrush taken for a short",
            Evidence {
                shape: Shape::Decaying,
                contradiction: true,
                movement: None,
                ..running(vec![quiet(0)])
            },
            "not-explained",
            500,
        ),
        (
            "F64 a short that follows one train",
            Evidence {
                same_train_elsewhere: 3,
                blocks: vec![block(1, Step::Here, true)],
                ..running(vec![lined(0)])
            },
            "vehicle",
            450,
        ),
    ];
    for (name, evidence, first, at_least) in &cases {
        check(name, evidence, first, *at_least);
    }
}

#[test]
fn recency_never_outranks_place_however_many_signs_of_one_throw_there_are() {
    let under_train =
        FrogFacts { machine: MachineSign::Moving(MachineIx(0)), around: Around::Clear, ..quiet(0) };
    for recent in [thrown(0, Around::Clear), thrown(0, Around::NotKnown), under_train] {
        let evidence = running(vec![recent, entered(3)]);
        assert!(ranked(&evidence).starts_with("frog/T4"), "{}", ranked(&evidence));
    }
}

#[test]
fn a_clear_turnout_that_did_not_move_is_never_first() {
    let quiets = (0..4).map(quiet).collect();
    for movement in [None, Some(false), Some(true)] {
        let evidence = Evidence { movement, ..running(Vec::clone(&quiets)) };
        assert!(!ranked(&evidence).starts_with("frog"), "{}", ranked(&evidence));
    }
}

#[test]
fn cars_parked_on_the_other_leg_of_many_turnouts_do_not_hide_a_derailment() {
    let parked = |at| FrogFacts {
        wrong_leg: Some(WrongLeg {
            port: Port::Right,
            block: BlockIx(1),
            edge: None,
            came: Came::NotKnown,
        }),
        around: Around::Occupied,
        still: true,
        ..quiet(at)
    };
    let yard = vec![parked(0), parked(1), parked(2), lined(3)];
    let evidence = Evidence { blocks: vec![block(2, Step::Here, true)], ..running(yard) };
    check("derailed beside a full yard", &evidence, "object", 400);
}

#[test]
fn a_turnout_set_in_time_for_its_train_is_not_blamed_for_a_derailment() {
    let set = FrogFacts {
        lined_train: true,
        train_on_it: true,
        step: Step::Here,
        ..thrown(0, Around::Occupied)
    };
    let evidence = Evidence {
        blocks: vec![block(1, Step::Here, true)],
        ..running(vec![set, FrogFacts { step: Step::Here, ..lined(1) }])
    };
    check("F60 after a throw", &evidence, "object", 300);
}

#[test]
fn a_train_in_a_block_with_an_unset_leg_is_a_run_through_before_a_derailment() {
    let shared = FrogFacts {
        around: Around::Occupied,
        shares_leg: true,
        train_on_it: true,
        step: Step::Here,
        ..quiet(1)
    };
    let evidence =
        Evidence { blocks: vec![block(1, Step::Here, true)], ..running(vec![shared, quiet(0)]) };
    check("F01 in one block", &evidence, "frog/T2", 500);
}

#[test]
fn frogs_that_are_wrong_together_accuse_the_wiring() {
    let wrong = |at| FrogFacts { polarity: PolaritySign::WrongRail(Conductor::A), ..lined(at) };
    check("F17", &running(vec![wrong(0), wrong(1), wrong(2)]), "wiring", 400);
    check("F10", &running(vec![wrong(0), lined(1), lined(2)]), "frog/T1", 800);
}

#[test]
fn load_that_grew_accuses_no_turnout() {
    let evidence = Evidence {
        shape: Shape::Crept,
        ..running(vec![FrogFacts { step: Step::Here, ..lined(0) }, quiet(1)])
    };
    check("F44", &evidence, "vehicle", 800);
}

#[test]
fn the_frog_whose_own_current_stepped_is_first() {
    let evidence = running(vec![
        FrogFacts { own_current: Step::Elsewhere, ..entered(0) },
        FrogFacts { own_current: Step::Here, ..FrogFacts::of(FrogIx(1)) },
    ]);
    check("measured at the frog", &evidence, "frog/T2", 700);
}

#[test]
fn power_that_came_back_accuses_the_wiring_or_nobody_and_never_a_throw_of_long_before() {
    let back = PowerBack { ago: ms(20), load_before: None };
    let after = |shape| Evidence {
        shape,
        power_back: Some(back),
        movement: Some(false),
        blocks: vec![block(1, Step::Here, true)],
        ..running(vec![thrown(0, Around::Occupied), quiet(1)])
    };
    check("F16 a feeder on the wrong conductor", &after(Shape::Flat), "wiring", 300);
    check("F40 engines that charge", &after(Shape::Decaying), "not-explained", 500);
    let layout = sample::layout();
    let said = |shape| {
        let evidence = after(shape);
        inseparable(&evidence, &rank(&evidence, &layout), &layout)
    };
    assert_eq!(
        said(Shape::Flat).as_deref(),
        Some(
            "one of the wiring, engines that charge: nothing here can tell them apart. Next test, with the district cut and \
             proved: take the trains of the district off, or all but one, and restore. If the current falls away, engines \
             were charging; if it stays, lift the feeders by halves."
        )
    );
    assert_eq!(said(Shape::Decaying), None);
}

#[test]
fn bursts_that_were_over_by_themselves_accuse_a_frog_before_what_lies_on_the_track() {
    let seen = |spikes| Evidence {
        spikes,
        movement: Some(false),
        blocks: vec![block(1, Step::Here, false)],
        ..running(vec![FrogFacts { step: Step::Here, ..quiet(0) }])
    };
    check("F02 wheels of a car without pickup", &seen(2), "frog/T1", 250);
    check("F63 an object", &seen(0), "object", 400);
}

#[test]
fn current_on_both_sides_of_a_reversing_gap_accuses_the_reverser_though_it_did_not_flip() {
    let facts = |gap_stepped| ReverserFacts {
        reverser: ReverserIx(0),
        flips: 0,
        gap_stepped,
        train: Some(false),
    };
    let evidence = |gap| Evidence {
        movement: Some(false),
        reversers: vec![facts(gap)],
        ..running(vec![quiet(0)])
    };
    check("F47 slower than the breaker", &evidence(true), "reverser", 500);
    check("an object elsewhere", &evidence(false), "object", 500);
}

#[test]
fn a_train_is_against_one_of_the_legs_in_its_block_at_most() {
    let shares = |at| FrogFacts {
        around: Around::Occupied,
        shares_leg: true,
        train_on_it: true,
        step: Step::Here,
        ..quiet(at)
    };
    let first_of = |count: u32| {
        let frogs: Vec<FrogFacts> = (0..count).map(shares).collect();
        let suspects = rank(&running(frogs), &sample::layout());
        suspects[0].reasons[0].ratio
    };
    let [one, two, three] = [1, 2, 3].map(first_of);
    assert!(100 < one && two < one && three <= two, "{one} {two} {three}");
}

#[test]
fn a_step_in_another_block_clears_a_frog_even_if_it_was_just_thrown() {
    let cleared = FrogFacts { step: Step::Elsewhere, ..thrown(0, Around::NotKnown) };
    let there = FrogFacts { step: Step::Here, ..lined(1) };
    let evidence = Evidence {
        blocks: vec![block(0, Step::Elsewhere, false), block(1, Step::Here, true)],
        ..running(vec![cleared, there])
    };
    let got = ranked(&evidence);
    let place = |name: &str| got.find(name).unwrap_or(usize::MAX);
    assert!(place("frog/T2") < place("frog/T1"), "{got}");
}

#[test]
fn a_frog_on_the_wrong_rail_is_not_cleared_by_a_step_where_the_model_has_none() {
    let swapped = FrogFacts {
        polarity: PolaritySign::WrongRail(Conductor::A),
        step: Step::Elsewhere,
        ..lined(0)
    };
    let evidence = Evidence {
        blocks: vec![block(1, Step::Here, true)],
        ..running(vec![swapped, FrogFacts { step: Step::Here, ..lined(1) }])
    };
    check("frog swapped, fed through another block", &evidence, "frog/T1", 700);
}

/// Of two turnouts that a train was seen to move against, the one where it moved last: a wheel that comes onto a gap
/// shorts at once.
#[test]
fn the_turnout_that_a_train_moved_against_last_is_first() {
    let long_ago = |at| {
        let mut facts = entered(at);
        facts.wrong_leg = facts.wrong_leg.map(|leg| WrongLeg { edge: Some(ms(2400)), ..leg });
        facts
    };
    check("the second", &running(vec![long_ago(0), entered(1)]), "frog/T2", 600);
    check("the first", &running(vec![entered(0), long_ago(1)]), "frog/T1", 600);
    check("alone", &running(vec![long_ago(0), quiet(1)]), "frog/T1", 500);
}
