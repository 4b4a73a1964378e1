//! What is said beside the ranking: who cannot be told from whom, and what to do next.

use super::*;
use crate::record::Advice;

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
    let told = advice(&evidence, &rank(&evidence, &layout), (QUARRY, Cut::Proved), &layout);
    let steps = told.steps.join(" ");
    assert_eq!(told.done, 0, "nothing was ordered: {steps}");
    assert!(steps.contains("without an order") && steps.contains("breaker"), "{steps}");
    assert!(!steps.contains("cut and proved"), "{steps}");
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
    let Advice { steps, done } = advice(&evidence, &suspects, (QUARRY, Cut::Proved), &layout);
    assert_eq!(done, 1, "only the cut is done");
    assert_eq!(steps[0], "District quarry is cut and proved off.");
    assert_eq!(
        steps[1],
        "Throw T4 to reverse with no wheel on its points, or back the train off T4."
    );
    assert_eq!(steps[2], "Then restore district quarry.");
    let unproved = advice(&evidence, &suspects, (QUARRY, Cut::NotProved), &layout);
    assert_eq!(unproved.done, 0);
    assert!(unproved.steps[0].contains("not proved"), "{}", unproved.steps[0]);
}
