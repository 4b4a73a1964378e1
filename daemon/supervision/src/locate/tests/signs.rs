//! Facts become signs, and signs become weights.

use super::*;

#[test]
fn signs_of_one_contact_count_once_the_strongest() {
    let wrong =
        FrogFacts { polarity: PolaritySign::WrongRail(Conductor::A), ..FrogFacts::of(FrogIx(0)) };
    let all = FrogFacts { out_of_step: true, weak_contact: true, ..wrong.clone() };
    assert_eq!(ranked(&running(vec![wrong])), ranked(&running(vec![all])));
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
