//! Results of commissioning: which turnout is proved, and until when.

mod support;

use std::{path::Path, sync::Arc};

use history::{Commissioned, History, Names, Outcome, Reader, Settings, What};
use serde_json::json;
use support::{LAYOUT, UTC, item};
use wiring::{channel::ChannelTable, fingerprint, index::MachineIx, units::Mono};

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
