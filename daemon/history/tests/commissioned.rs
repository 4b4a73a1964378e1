//! Results of commissioning: which turnout is proved, and until when.

mod support;

use std::{path::Path, sync::Arc};

use history::{Commissioned, History, Names, Outcome, Reader, Settings, What};
use serde_json::json;
use supervision::commission::{Kept, KeptWhat, Outcome as StepOutcome, Step};
use support::{LAYOUT, UTC, item};
use wiring::{
    channel::ChannelTable,
    fingerprint,
    index::{FrogIx, MachineIx},
    units::Mono,
};

/// The fingerprint of T1 in a layout file.
fn wiring_of(text: &str) -> String {
    let layout = wiring::read(text).layout.expect("the layout is whole");
    fingerprint::of_machine(&layout, MachineIx(0))
}

fn open(dir: &Path, text: &str) -> History {
    let layout = Arc::new(wiring::read(text).layout.expect("the layout is whole"));
    let names = Names::new(layout.clone(), Arc::new(ChannelTable::new(&layout)));
    History::open(dir, names, Settings::default(), (Mono::START, UTC), |_| ()).expect("it opens")
}

fn result(outcome: Outcome, wiring: String) -> What {
    What::Commissioned(Commissioned {
        machine: "machine/T1".to_owned(),
        who: "MK".to_owned(),
        outcome,
        wiring,
        steps: json!([{ "step": "throw-normal", "passed": true, "seconds": 2.4 }]),
    })
}

/// What the ledger says after these outcomes, read while a daemon runs on the `now` layout.
fn check(outcomes: &[Outcome], now: &str, proved: bool, unproved_by: Option<&str>) {
    let dir = tempfile::tempdir().expect("a folder");
    let history = open(dir.path(), LAYOUT);
    for (at, outcome) in outcomes.iter().enumerate() {
        history.record(item(at as u64, result(*outcome, wiring_of(LAYOUT))));
    }
    drop(history);
    let _running = open(dir.path(), now);
    let reader = Reader::open(dir.path()).expect("it opens");
    assert_eq!(reader.proof_of("machine/T1").expect("an answer").is_some(), proved, "{outcomes:?}");
    let machines = reader.machines().expect("the ledger");
    let found = machines.iter().find(|it| it.machine == "machine/T1");
    assert_eq!(found.is_some_and(|it| it.proved.is_some()), proved, "{outcomes:?}");
    assert_eq!(found.and_then(|it| it.unproved_by.as_deref()), unproved_by, "{outcomes:?}");
}

#[test]
fn a_turnout_is_proved_until_it_fails_or_its_own_wiring_changes() {
    use Outcome::{Abandoned, Failed, Passed};
    let elsewhere = LAYOUT.replace("length = \"4 m\"", "length = \"6 m\"");
    let rewired = LAYOUT.replace("poles = [\"T1.1\", \"T1.2\"]", "poles = [\"T1.1\"]");
    check(&[], LAYOUT, false, None);
    check(&[Passed], LAYOUT, true, None);
    check(&[Passed, Abandoned], LAYOUT, true, None);
    check(&[Abandoned], LAYOUT, false, None);
    check(&[Passed, Failed], LAYOUT, false, Some("failed"));
    check(&[Failed], LAYOUT, false, None);
    check(&[Passed, Failed, Passed], LAYOUT, true, None);
    check(&[Passed], &elsewhere, true, None);
    check(&[Passed], &rewired, false, Some("rewired"));
}

#[test]
fn results_read_back_newest_first_with_what_was_measured() {
    let dir = tempfile::tempdir().expect("a folder");
    let history = open(dir.path(), LAYOUT);
    for outcome in [Outcome::Failed, Outcome::Passed] {
        history.record(item(5, result(outcome, wiring_of(LAYOUT))));
    }
    drop(history);
    let reader = Reader::open(dir.path()).expect("it opens");
    let all = reader.commissioned(Some("machine/T1")).expect("results");
    assert_eq!(all.iter().map(|it| it.outcome.as_str()).collect::<Vec<_>>(), ["passed", "failed"]);
    assert_eq!((all[0].who.as_str(), all[0].same_wiring), ("MK", true));
    assert_eq!(all[0].steps[0]["seconds"], json!(2.4));
    assert_eq!(reader.commissioned(Some("machine/T9")).expect("results"), []);
    assert_eq!(reader.commissioned(None).expect("results").len(), 2);
}

/// What a session keeps, one item each, of machine T1 for a wiring.
fn session(wiring: &str, what: KeptWhat) -> What {
    let (machine, who, wiring) = (MachineIx(0), "MK".to_owned(), wiring.to_owned());
    What::Commissioning(Box::new(Kept { machine, wiring, who, what }))
}

fn passed(step: Step) -> KeptWhat {
    KeptWhat::Result { step, outcome: StepOutcome::Passed, detail: "2.40 s".to_owned() }
}

/// Records what a session kept, stops, and starts again on a layout.
fn restarted(kept: Vec<KeptWhat>, text: &str) -> supervision::start::Remembered {
    let dir = tempfile::tempdir().expect("a folder");
    let history = open(dir.path(), LAYOUT);
    for (at, what) in kept.into_iter().enumerate() {
        history.record(item(at as u64, session(&wiring_of(LAYOUT), what)));
    }
    drop(history);
    open(dir.path(), text).remembered()
}

#[test]
fn steps_and_an_open_session_come_back_for_the_same_wiring_alone() {
    let rewired = LAYOUT.replace("poles = [\"T1.1\", \"T1.2\"]", "poles = [\"T1.1\"]");
    let kept = || vec![KeptWhat::Begun, passed(Step::Name), passed(Step::Normal)];
    let it = &restarted(kept(), LAYOUT).commissioning[0];
    assert_eq!(it.results.iter().map(|it| it.step).collect::<Vec<_>>(), [Step::Name, Step::Normal]);
    assert_eq!((it.open.as_deref(), it.proved.is_some()), (Some("MK"), false));
    let it = &restarted(kept(), &rewired).commissioning[0];
    assert_eq!(it.results, []);
    let left = KeptWhat::Ended { why: "left".to_owned(), results: Vec::new() };
    let it = &restarted([kept(), vec![left]].concat(), LAYOUT).commissioning[0];
    assert_eq!((it.open.as_deref(), it.results.len()), (None, 2));
}

#[test]
fn a_signature_proves_and_starts_the_next_commissioning_afresh() {
    let sign = |proved| KeptWhat::Signed { proved, detail: String::new(), results: Vec::new() };
    let kept = vec![KeptWhat::Begun, passed(Step::Name), sign(true)];
    let it = &restarted(kept.clone(), LAYOUT).commissioning[0];
    assert_eq!((it.results.len(), it.open.as_deref()), (0, None));
    let proved = it.proved.as_ref().expect("it is proved");
    assert_eq!((proved.who.as_str(), &proved.wiring), ("MK", &wiring_of(LAYOUT)));
    let it = &restarted([kept, vec![sign(false)]].concat(), LAYOUT).commissioning[0];
    assert_eq!(it.proved, None);
}

#[test]
fn a_pair_is_proved_for_the_wires_that_were_tried() {
    let both = |carry| KeptWhat::BothPoles { frog: FrogIx(0), carry, detail: String::new() };
    let rewired = LAYOUT.replace("poles = [\"T1.1\", \"T1.2\"]", "poles = [\"T1.2\", \"T1.3\"]");
    let rewired = rewired.replace("poles = 2", "poles = 3");
    assert_eq!(restarted(vec![both(true)], LAYOUT).proved_pairs, [FrogIx(0)]);
    assert_eq!(restarted(vec![both(true), both(false)], LAYOUT).proved_pairs, []);
    assert_eq!(restarted(vec![both(true)], &rewired).proved_pairs, []);
}
