//! The order of questions and the look-alikes of the trade's fault list, as tables: who must come first, who must not.

use wiring::{
    index::{BlockIx, DistrictIx, FrogIx, MachineIx, ReverserIx},
    layout::{Conductor, Position},
    trackwork::Port,
    units::{Microohms, Micros},
};

use super::*;
use crate::words::{accused_name, sample};

mod laws;

const QUARRY: DistrictIx = DistrictIx(0);

fn ms(millis: u64) -> Micros {
    Micros::from_millis(millis)
}

/// A turnout at rest with nobody near, its frog as it should be.
fn quiet(at: u32) -> FrogFacts {
    FrogFacts {
        polarity: PolaritySign::Matches,
        machine: MachineSign::AtRest(Position::Normal),
        around: Around::Clear,
        was_good_here: true,
        ..FrogFacts::of(FrogIx(at))
    }
}

fn entered(at: u32) -> FrogFacts {
    FrogFacts {
        around: Around::Occupied,
        wrong_leg: Some(WrongLeg {
            port: Port::Right,
            block: BlockIx(1),
            edge: Some(ms(300)),
            came: Came::NotKnown,
        }),
        ..quiet(at)
    }
}

fn thrown(at: u32, around: Around) -> FrogFacts {
    FrogFacts {
        machine: MachineSign::Thrown(MachineIx(at), ms(1200)),
        around,
        train_on_it: around == Around::Occupied,
        was_good_here: false,
        ..quiet(at)
    }
}

fn lined(at: u32) -> FrogFacts {
    FrogFacts { around: Around::Occupied, lined_train: true, ..quiet(at) }
}

fn block(at: u32, step: Step, occupied: bool) -> BlockFacts {
    BlockFacts {
        block: BlockIx(at),
        step,
        occupied: Some(occupied),
        edge: occupied.then(|| ms(200)),
    }
}

/// A district that had carried trains for an hour, with these turnouts, and a train about.
fn running(frogs: Vec<FrogFacts>) -> Evidence {
    Evidence {
        shape: Shape::Flat,
        powered_for: Some(ms(3_600_000)),
        movement: Some(true),
        frogs,
        ..Evidence::of(QUARRY)
    }
}

/// The suspects as text: `frog/T4 912, object 40, …`.
fn ranked(evidence: &Evidence) -> String {
    let layout = sample::layout();
    let suspects = rank(evidence, &layout);
    let each =
        suspects.iter().map(|it| format!("{} {}", accused_name(&layout, it.accused), it.share));
    each.collect::<Vec<_>>().join(", ")
}

fn check(name: &str, evidence: &Evidence, first: &str, at_least: u32) {
    let got = ranked(evidence);
    let (subject, share) = got.split(", ").next().and_then(|it| it.split_once(' ')).expect("one");
    assert_eq!(subject, first, "{name}: {got}");
    let share: u32 = share.parse().expect("a number");
    assert!(share >= at_least, "{name}: {got}");
}

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
fn what_one_event_cannot_tell_apart_is_named_together_with_the_next_test() {
    let layout = sample::layout();
    let said = |evidence: &Evidence| {
        let suspects = rank(evidence, &layout);
        let text = inseparable(evidence, &suspects, &layout).unwrap_or_default();
        text.split_once(':').map_or_else(String::new, |(names, _)| names.to_owned())
    };
    let own = |frog: FrogFacts| {
        let work = layout.frogs[frog.frog.at()].trackwork;
        layout.trackwork[work.at()].block.0
    };
    let bare = FrogFacts { step: Step::Here, ..quiet(0) };
    let standing = Evidence {
        movement: Some(false),
        blocks: vec![block(own(bare.clone()), Step::Here, false)],
        ..running(vec![bare.clone()])
    };
    let id = &layout.blocks[own(bare.clone()) as usize].id;
    assert_eq!(
        said(&standing),
        format!("one of an object or a derailed wheel, block {id}, T1"),
        "nothing moved: an object, or a contact that joins both sides"
    );
    let mut measured = standing.clone();
    measured.frogs[0].own_current = Step::Elsewhere;
    assert_eq!(said(&measured), format!("one of an object or a derailed wheel, block {id}"));
    let train = Evidence {
        movement: Some(true),
        blocks: vec![block(own(bare.clone()), Step::Here, true)],
        ..running(vec![FrogFacts { around: Around::Occupied, shares_leg: true, ..bare.clone() }])
    };
    assert_eq!(
        said(&train),
        format!("one of T1, an object or a derailed wheel, a faulty vehicle, block {id}")
    );
    let swapped =
        FrogFacts { polarity: PolaritySign::WrongRail(Conductor::A), ..train.frogs[0].clone() };
    let told = Evidence { frogs: vec![swapped], ..train };
    assert_eq!(said(&told), "", "a frog on the wrong rail is told from a derailment");
}

#[test]
fn advice_after_a_breaker_that_opened_unasked_speaks_of_the_breaker() {
    let layout = sample::layout();
    let evidence = Evidence { opened_by_itself: true, ..running(vec![quiet(0)]) };
    let steps = advice(&evidence, &rank(&evidence, &layout), true, &layout).join(" ");
    assert!(steps.contains("without an order") && steps.contains("breaker"), "{steps}");
    assert!(!steps.contains("cut and proved"), "{steps}");
}

#[test]
fn signs_of_one_contact_count_once_the_strongest() {
    let wrong =
        FrogFacts { polarity: PolaritySign::WrongRail(Conductor::A), ..FrogFacts::of(FrogIx(0)) };
    let all = FrogFacts { out_of_step: true, weak_contact: true, ..wrong.clone() };
    assert_eq!(ranked(&running(vec![wrong])), ranked(&running(vec![all])));
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

#[test]
fn a_train_where_current_stepped_may_have_crept_without_an_edge() {
    let object = |occupied| {
        let evidence = Evidence {
            movement: Some(false),
            blocks: vec![block(1, Step::Here, occupied)],
            ..running(vec![FrogFacts::of(FrogIx(0))])
        };
        let suspects = rank(&evidence, &sample::layout());
        let object = suspects.iter().find(|it| it.accused == Accused::ObjectOnTrack);
        object
            .expect("always a candidate")
            .reasons
            .iter()
            .any(|it| it.text.contains("no train moved"))
    };
    assert_eq!([object(true), object(false)], [false, true]);
}

/// Signs of one suspect.
fn signs_of(evidence: &Evidence, accused: Accused) -> Vec<Sign> {
    let all = signed(evidence, &sample::layout());
    all.into_iter().find(|it| it.accused == accused).map(|it| it.signs).unwrap_or_default()
}

#[test]
fn each_fact_about_a_frog_is_the_sign_that_it_should_be() {
    let leg = |came, edge: Option<u64>| {
        let edge = edge.map(ms);
        let wrong_leg = Some(WrongLeg { port: Port::Right, block: BlockIx(1), edge, came });
        FrogFacts { around: Around::Occupied, wrong_leg, ..quiet(0) }
    };
    let moving = |changed: Option<u64>, share: u32| FrogFacts {
        machine: MachineSign::Moving(MachineIx(0)),
        polarity_changed: changed.map(ms),
        throw_share: Some(share),
        ..quiet(0)
    };
    let rested = FrogFacts { polarity_changed: Some(ms(900)), ..thrown(0, Around::Occupied) };
    let cases = [
        ("entered", leg(Came::NotKnown, Some(400)), Sign::EnteredWrongLeg),
        ("stands", leg(Came::NotKnown, None), Sign::StandsOnWrongLeg),
        ("came along it", leg(Came::Towards, None), Sign::HeadedForIt),
        ("contact about to change over", moving(None, 45), Sign::Moving),
        ("contact not begun", moving(None, 5), Sign::OffChangeOver),
        ("contact long on its new side", moving(Some(800), 90), Sign::OffChangeOver),
        ("rested", FrogFacts { lined_train: true, ..rested }, Sign::LongBefore),
        ("thrown just now", thrown(0, Around::NotKnown), Sign::ThrownBefore),
    ];
    for (name, facts, want) in cases {
        let got = signs_of(&running(vec![facts]), Accused::Object(Object::Frog(FrogIx(0))));
        assert!(got.contains(&want), "{name}: {got:?}");
    }
    // A train that cannot be at the turnout is no sign of a run-through.
    for came in [Came::NotYet, Came::Away] {
        let facts = leg(came, Some(400));
        let got = signs_of(&running(vec![facts]), Accused::Object(Object::Frog(FrogIx(0))));
        assert!(!got.contains(&Sign::EnteredWrongLeg), "{came:?}: {got:?}");
    }
}

#[test]
fn what_stood_as_power_came_back_is_no_run_through_and_no_throw() {
    let back = PowerBack { ago: ms(20), load_before: None };
    for facts in [entered(0), thrown(0, Around::Occupied)] {
        let evidence = Evidence { power_back: Some(back), ..running(vec![facts]) };
        let got = signs_of(&evidence, Accused::Object(Object::Frog(FrogIx(0))));
        for sign in [Sign::EnteredWrongLeg, Sign::ThrownBefore, Sign::LongBefore] {
            assert!(!got.contains(&sign), "{got:?}");
        }
    }
}

#[test]
fn two_blocks_that_step_together_accuse_the_wiring_or_the_reverser_at_their_gap() {
    let here = |at| BlockFacts { edge: None, ..block(at, Step::Here, false) };
    let reverser = |gap_stepped| ReverserFacts {
        reverser: ReverserIx(0),
        flips: 0,
        gap_stepped,
        train: Some(true),
    };
    let evidence = |gap_stepped| Evidence {
        movement: Some(false),
        gap: Some((BlockIx(1), BlockIx(2))),
        blocks: vec![here(1), here(2)],
        reversers: vec![reverser(gap_stepped)],
        ..running(vec![FrogFacts { step: Step::Here, ..lined(0) }])
    };
    check("F49 two phases", &evidence(false), "wiring", 500);
    check("F48 at a reverser", &evidence(true), "reverser", 500);
}

#[test]
fn current_that_comes_by_no_detector_clears_what_detectors_watch() {
    let watched = FrogFacts { seen_by: Some(BlockIx(1)), ..entered(0) };
    let evidence = Evidence { bypassed: true, ..running(vec![watched]) };
    let frog = signs_of(&evidence, Accused::Object(Object::Frog(FrogIx(0))));
    let object = signs_of(&evidence, Accused::ObjectOnTrack);
    let wiring = signs_of(&evidence, Accused::Wiring);
    assert!(frog.contains(&Sign::NoBlockSteps) && object.contains(&Sign::NoBlockSteps));
    assert!(wiring.contains(&Sign::PastDetectors), "{wiring:?}");
}

#[test]
fn a_current_that_was_over_before_the_cut_is_a_wheel_that_passed() {
    let frog = FrogFacts { step: Step::Here, ..quiet(0) };
    let evidence = |by_itself| Evidence {
        ended_by_itself: by_itself,
        blocks: vec![block(1, Step::Here, false)],
        ..running(vec![frog.clone()])
    };
    let of = |by_itself| signs_of(&evidence(by_itself), Accused::Object(Object::Frog(FrogIx(0))));
    assert!(of(true).contains(&Sign::Passed) && !of(true).contains(&Sign::ClearAndStill));
    assert!(!of(false).contains(&Sign::Passed) && of(false).contains(&Sign::ClearAndStill));
    let object = signs_of(&evidence(true), Accused::ObjectOnTrack);
    assert!(object.contains(&Sign::EndedByItself), "{object:?}");
}

#[test]
fn loop_resistance_moves_odds_by_three_at_most() {
    let with = |measured: u64, model: u64| {
        let facts = FrogFacts { loop_model: Some(Microohms(model)), ..FrogFacts::of(FrogIx(0)) };
        let evidence =
            Evidence { loop_measured: Some(Microohms(measured)), ..running(vec![facts]) };
        let suspects = rank(&evidence, &sample::layout());
        let frog = suspects.iter().find(|it| matches!(it.accused, Accused::Object(_)));
        frog.and_then(|it| it.reasons.first()).expect("a reason").ratio
    };
    let cases = [
        (600_000, 600_000, 300),
        (60_000, 600_000, 34),
        (9_000_000, 600_000, 34),
        (800_000, 600_000, 150),
    ];
    for (measured, model, want) in cases {
        assert_eq!(with(measured, model), want, "{measured} against {model}");
    }
}

#[test]
fn frogs_that_share_every_sensor_are_named_together_with_the_next_test() {
    let layout = sample::layout();
    let twin = |at| FrogFacts { sensor_group: 7, around: Around::NotKnown, ..entered(at) };
    let evidence = running(vec![twin(0), twin(1), quiet(2)]);
    let suspects = rank(&evidence, &layout);
    let text = inseparable(&evidence, &suspects, &layout).expect("they cannot be told apart");
    assert!(text.starts_with("one of T1, T2: nothing here can tell them apart"), "{text}");
    assert!(text.contains("district cut and proved"), "{text}");

    let told = running(vec![twin(0), FrogFacts { wrong_leg: None, ..twin(1) }]);
    assert_eq!(inseparable(&told, &rank(&told, &layout), &layout), None);
    let own = running(vec![entered(0), entered(1)]);
    assert_eq!(inseparable(&own, &rank(&own, &layout), &layout), None);
}

#[test]
fn advice_says_the_cut_first_then_the_remedy_then_restore() {
    let layout = sample::layout();
    let evidence = running(vec![entered(3), quiet(0)]);
    let suspects = rank(&evidence, &layout);
    let steps = advice(&evidence, &suspects, true, &layout);
    assert_eq!(steps[0], "District quarry is cut and proved off.");
    assert_eq!(
        steps[1],
        "Throw T4 to reverse with no wheel on its points, or back the train off T4."
    );
    assert_eq!(steps[2], "Then restore district quarry.");
    let unproved = advice(&evidence, &suspects, false, &layout);
    assert!(unproved[0].contains("not proved"), "{}", unproved[0]);
}

#[test]
fn every_reason_carries_its_weight() {
    let evidence = running(vec![entered(3), thrown(0, Around::Occupied)]);
    for suspect in rank(&evidence, &sample::layout()) {
        assert!(!suspect.reasons.is_empty(), "{suspect:?}");
        let alone = suspect.reasons.len() == 1;
        for reason in suspect.reasons {
            let neutral = reason.text == "nothing measured speaks for or against it";
            assert_eq!(reason.ratio == 100, neutral, "{reason:?}");
            assert!(
                reason.ratio > 0 && !reason.text.is_empty() && (alone || !neutral),
                "{reason:?}"
            );
        }
    }
}
