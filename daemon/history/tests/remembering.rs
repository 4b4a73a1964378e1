//! What comes back after a restart, and what the reading side says.

mod support;

use std::time::Duration;

use history::{
    Filter, Item, Limits, Proving, ReadError, Reader, Settings, What,
    json::Samples,
    report::{self, TimeZone},
};
use supervision::{
    alarm::{AlarmChange, AlarmKey, AlarmKind, AlarmState, Priority, Subject, Transition},
    commission::When,
    input::MachinePosition,
    output::{Event, EventKind, Refusal},
    record::FaultNumber,
};
use support::{UTC, cause, closed, event, item, open, opened};
use wiring::{
    channel::Object,
    index::{DistrictIx, FrogIx, MachineIx, PoleIx},
    units::{MicroA2s, Microamps, Mono},
};

const SOON: Duration = Duration::from_secs(10);

fn of_fault(at_ms: u64, kind: EventKind) -> history::Item {
    item(at_ms, What::Event(Event { kind, fault: Some(FaultNumber(1)) }))
}

fn hit(at_ms: u64) -> history::Item {
    of_fault(
        at_ms,
        EventKind::Hit {
            pole: PoleIx(0),
            hits: 1,
            energy: MicroA2s(1_900_000),
            amps: Microamps(7_900_000),
            estimated: true,
        },
    )
}

fn alarm(at_ms: u64, kind: AlarmKind, transition: Transition, state: AlarmState) -> history::Item {
    let subject = Subject::Object(Object::District(DistrictIx(0)));
    let change = AlarmChange {
        alarm: AlarmKey { kind, subject },
        transition,
        state,
        priority: Priority::High,
        first_out: true,
        under: None,
        text: "District quarry: short circuit".into(),
    };
    item(at_ms, What::Alarm { change, node: None })
}

#[test]
fn lock_outs_alarms_ledger_and_fault_numbers_come_back() {
    let dir = tempfile::tempdir().expect("a folder");
    let (history, _notices) = open(dir.path(), Settings::default());
    assert_eq!(history.remembered().next_fault, 1);
    for item in [
        opened(10_000, 1),
        of_fault(10_060, EventKind::LockedOut(DistrictIx(0))),
        hit(10_060),
        hit(10_061),
        alarm(10_000, AlarmKind::ShortCircuit, Transition::Raised, AlarmState::Unacknowledged),
        alarm(10_000, AlarmKind::VoltageLow, Transition::Raised, AlarmState::Unacknowledged),
        alarm(11_000, AlarmKind::VoltageLow, Transition::Cleared, AlarmState::Normal),
        closed(1),
    ] {
        history.record(item);
    }
    assert!(history.flush(SOON));
    drop(history);

    let (history, _notices) = open(dir.path(), Settings::default());
    let remembered = history.remembered();
    assert_eq!(remembered.next_fault, 2);
    let locked = remembered.locked_out.first().expect("still locked out");
    assert_eq!((locked.district, locked.fault), (DistrictIx(0), Some(FaultNumber(1))));
    assert_eq!(locked.cause, Some(cause()));
    let ledger = remembered.ledger.first().expect("a pole with hits");
    assert_eq!((ledger.hits, ledger.energy), (2, MicroA2s(3_800_000)));
    let kinds: Vec<_> = remembered.alarms.iter().map(|it| (it.alarm.kind, it.state)).collect();
    assert_eq!(kinds, [(AlarmKind::ShortCircuit, AlarmState::Unacknowledged)]);
}

#[test]
fn an_opened_lock_out_does_not_come_back() {
    let dir = tempfile::tempdir().expect("a folder");
    let (history, _notices) = open(dir.path(), Settings::default());
    history.record(event(1, EventKind::LockedOut(DistrictIx(0))));
    history.record(event(2, EventKind::LockOutOpened(DistrictIx(0))));
    drop(history);
    assert!(open(dir.path(), Settings::default()).0.remembered().locked_out.is_empty());
}

#[test]
fn a_shelving_ends_on_the_axis_of_the_next_run_and_never_lasts_for_ever() {
    let dir = tempfile::tempdir().expect("a folder");
    let (history, _notices) = open(dir.path(), Settings::default());
    let kind = AlarmKind::VoltageLow;
    let key = AlarmKey { kind, subject: Subject::Object(Object::District(DistrictIx(0))) };
    history.record(alarm(1000, kind, Transition::Shelved, AlarmState::Shelved));
    history.record(item(1000, What::Shelving { alarm: key, until: Mono(301_000_000) }));
    history.record(alarm(1, AlarmKind::AtLimit, Transition::Shelved, AlarmState::Shelved));
    drop(history);
    let (history, _notices) = open(dir.path(), Settings::default());
    let until: Vec<_> =
        history.remembered().alarms.iter().map(|it| (it.alarm.kind, it.shelved_until)).collect();
    assert!(until.contains(&(kind, Some(Mono(301_000_000)))), "{until:?}");
    assert!(until.contains(&(AlarmKind::AtLimit, Some(Mono::START))), "{until:?}");
}

#[test]
fn who_acknowledged_an_alarm_comes_back_until_it_is_raised_again() {
    let kind = AlarmKind::VoltageLow;
    let key = AlarmKey { kind, subject: Subject::Object(Object::District(DistrictIx(0))) };
    let hand = |who: &str| item(2000, What::Hand { alarm: key, who: who.to_owned() });
    let raised = || alarm(1000, kind, Transition::Raised, AlarmState::Unacknowledged);
    let acknowledged = || alarm(2000, kind, Transition::Acknowledged, AlarmState::Acknowledged);
    let cases: [(Vec<Item>, Option<&str>); 4] = [
        (vec![raised(), acknowledged(), hand("MK")], Some("MK")),
        (vec![raised(), acknowledged(), hand("MK"), hand("IH")], Some("IH")),
        (vec![raised(), acknowledged(), hand("MK"), raised()], None),
        (vec![raised()], None),
    ];
    for (items, want) in cases {
        let dir = tempfile::tempdir().expect("a folder");
        let (history, _notices) = open(dir.path(), Settings::default());
        let when = items.iter().find(|it| matches!(it.what, What::Hand { .. })).map(|it| it.utc);
        items.into_iter().for_each(|it| history.record(it));
        drop(history);
        let (history, _notices) = open(dir.path(), Settings::default());
        let remembered = history.remembered();
        let by = remembered.alarms.first().expect("it comes back").by.clone();
        assert_eq!(by.as_ref().map(|it| it.who.as_str()), want);
        assert_eq!(by.map(|it| it.at), want.and(when).map(When::Utc));
    }
}

#[test]
fn the_latest_test_of_a_pair_decides_and_named_frogs_are_counted() {
    let dir = tempfile::tempdir().expect("a folder");
    let (history, _notices) = open(dir.path(), Settings::default());
    let pair = |passed| {
        item(
            1,
            What::Proving(Proving {
                subject: "frog/T1".to_owned(),
                step: Proving::BOTH_POLES.to_owned(),
                passed,
                detail: "drop halves with pole 2".to_owned(),
                who: "MK".to_owned(),
            }),
        )
    };
    history.record(pair(false));
    history.record(pair(true));
    history.record(opened(10_000, 1));
    history.record(closed(1));
    for suspect in [0, 99] {
        let named = What::Culprit { fault: FaultNumber(1), suspect, who: "MK".to_owned() };
        history.record(item(20_000, named));
    }
    drop(history);
    let (history, _notices) = open(dir.path(), Settings::default());
    assert_eq!(history.remembered().proved_pairs, [FrogIx(0)]);
    assert_eq!(history.remembered().culprits, [(FrogIx(0), 1)]);
    history.record(pair(false));
    drop(history);
    let (history, _notices) = open(dir.path(), Settings::default());
    assert_eq!(history.remembered().proved_pairs, []);
    let reader = Reader::open(dir.path()).expect("it opens");
    let fault = reader.fault(1).expect("fault 1");
    assert_eq!(fault.summary.named.as_deref(), Some("frog/T1"));
}

#[test]
fn a_fault_reads_back_with_every_sample_and_the_list_is_newest_first() {
    let dir = tempfile::tempdir().expect("a folder");
    let (history, _notices) = open(dir.path(), Settings::default());
    for number in 1..=3 {
        history.record(opened(10_000, number));
        history.record(closed(number));
    }
    let note = What::Note { fault: FaultNumber(2), who: "MK".to_owned(), text: "a wheel".into() };
    history.record(item(20_000, note));
    assert!(history.flush(SOON));
    let reader = Reader::open(dir.path()).expect("it opens");
    let list = reader.faults(&Filter::default()).expect("a list");
    assert_eq!(list.iter().map(|it| it.fault).collect::<Vec<_>>(), [3, 2, 1]);
    let page = Filter { before: Some(3), most: Some(1), ..Filter::default() };
    assert_eq!(reader.faults(&page).expect("a list")[0].fault, 2);
    for (filter, want) in [
        (Filter { suspect: Some("frog/T1".into()), ..Filter::default() }, 3),
        (Filter { suspect: Some("vehicle".into()), ..Filter::default() }, 0),
        (Filter { district: Some("harbour".into()), ..Filter::default() }, 0),
        (Filter { cause: Some("short-circuit".into()), ..Filter::default() }, 3),
        (Filter { to_us: Some(UTC), ..Filter::default() }, 0),
    ] {
        assert_eq!(reader.faults(&filter).expect("a list").len(), want, "{filter:?}");
    }

    let fault = reader.fault(2).expect("fault 2");
    assert_eq!(fault.summary.trigger, "2026-11-25T19:32:02.123Z");
    assert_eq!(fault.suspects.iter().map(|it| it.share).sum::<f64>(), 1.0);
    let current = &fault.waveforms[0];
    assert_eq!(current.channel, "district/quarry/current");
    assert_eq!(current.ms.len(), 250);
    let want = support::record(2);
    for ((at, value), (ms, read)) in
        want.waveforms[0].samples.iter().zip(current.ms.iter().zip(&current.values))
    {
        assert_eq!(*ms, (at.0 as f64 - 10_000_000.0) / 1e3);
        let supervision::input::Value::Current(amps) = value else { panic!("a current") };
        assert_eq!(read.as_f64(), Some(amps.amps()));
    }
    assert_eq!(fault.notes[0].text, "a wheel");
    assert!(matches!(reader.fault(9), Err(ReadError::NoFault(9))));
}

#[test]
fn a_fault_whose_window_was_open_at_a_kill_says_that_it_is_not_finished() {
    let dir = tempfile::tempdir().expect("a folder");
    let (history, _notices) = open(dir.path(), Settings::default());
    history.record(opened(10_000, 1));
    assert!(history.flush(SOON));
    let reader = Reader::open(dir.path()).expect("it opens");
    let fault = reader.fault(1).expect("fault 1");
    assert!(!fault.summary.complete);
    assert!(fault.story.contains("was not finished"), "{}", fault.story);
    assert_eq!(fault.events.len(), 1);
    let list = report::list(&reader.faults(&Filter::default()).expect("a list"), &TimeZone::UTC);
    assert!(list.contains("not finished"), "{list}");
}

#[test]
fn machines_count_throws_time_them_and_show_the_rule_of_their_verdict() {
    let dir = tempfile::tempdir().expect("a folder");
    let (history, _notices) = open(dir.path(), Settings::default());
    let moves = [
        (0, MachinePosition::Normal),
        (1000, MachinePosition::Moving),
        (3400, MachinePosition::Reverse),
        (5000, MachinePosition::Moving),
        (5100, MachinePosition::Reverse),
        (9000, MachinePosition::Normal),
    ];
    for (at, position) in moves {
        history.record(event(at, EventKind::PositionChanged(MachineIx(0), position)));
    }
    history.record(hit(10_000));
    history.record(hit(10_001));
    assert!(history.flush(SOON));
    let machines = Reader::open(dir.path()).expect("it opens").machines().expect("machines");
    let machine = &machines[0];
    // The second move went back where it came from: no throw. The third was not seen to start: not timed.
    assert_eq!((machine.throws, machine.throw_times.as_slice()), (2, [2.4].as_slice()));
    let pole = &machine.poles[0];
    assert_eq!((pole.pole.as_str(), pole.hits, pole.energy), ("pole/T1.1", 2, 3.8));
    // Hand calculation, with the default time constant of 2 s: 3.8 A2s of the 1 A squared times 2 s that the image holds.
    assert!((pole.stress - 190.0).abs() < 1e-9, "{}", pole.stress);
    assert_eq!(machine.verdict, "watch");
    assert!(machine.because.contains("190 %"), "{}", machine.because);
    let text = report::machines(&machines);
    assert!(text.starts_with("machine") && text.contains("T1: watch: 190 %"), "{text}");
    assert!(text.contains("Replace from 500 %"), "the rule is shown: {text}");
    assert!(history::export::machines_csv(&machines).lines().nth(1).unwrap().contains("pole/T1.1"));
}

#[test]
fn what_operators_did_is_kept_with_who_and_why_not() {
    let dir = tempfile::tempdir().expect("a folder");
    let (history, _notices) = open(dir.path(), Settings::default());
    let did = |refused| EventKind::Operated {
        who: "MK".to_owned(),
        what: "restore district quarry".to_owned(),
        refused,
    };
    history.record(event(1, did(Some(Refusal::CauseStands))));
    history.record(event(2, did(None)));
    assert!(history.flush(SOON));
    let actions = Reader::open(dir.path()).expect("it opens").actions(0, i64::MAX).expect("rows");
    assert_eq!(actions.len(), 2);
    assert_eq!(actions[0].refused.as_deref(), Some("its cause still stands: remove it first"));
    assert_eq!((actions[1].who.as_str(), &actions[1].refused), ("MK", &None));
}

#[test]
fn pruning_keeps_the_record_and_says_that_the_samples_went() {
    let dir = tempfile::tempdir().expect("a folder");
    let (history, _notices) = open(dir.path(), Settings::default());
    for number in 1..=4 {
        history.record(opened(10_000, number));
        history.record(closed(number));
    }
    drop(history);
    let limits = Limits { samples_bytes: 4000, event_lines: 3, ..Limits::default() };
    let (history, _notices) = open(dir.path(), Settings { limits, ..Settings::default() });
    history.record(event(1, EventKind::Started));
    drop(history);
    let reader = Reader::open(dir.path()).expect("it opens");
    let list = reader.faults(&Filter::default()).expect("a list");
    let samples: Vec<_> = list.iter().map(|it| it.samples).collect();
    assert_eq!(samples.len(), 4);
    assert_eq!(samples[3], Samples::Pruned);
    assert_eq!(samples[0], Samples::Kept, "the newest goes last");
    let oldest = reader.fault(1).expect("fault 1");
    assert!(oldest.waveforms.is_empty());
    assert_eq!(oldest.suspects.len(), 3);
    assert!(report::show(&oldest, &TimeZone::UTC).contains("samples were removed"));
    assert_eq!(reader.events(0, i64::MAX, 100).expect("lines").len(), 3);
}

#[test]
fn too_old_samples_go_whatever_their_size() {
    let dir = tempfile::tempdir().expect("a folder");
    let (history, _notices) = open(dir.path(), Settings::default());
    let mut old = closed(1);
    old.utc -= 3 * 366 * 86_400_000_000;
    history.record(old);
    history.record(closed(2));
    drop(history);
    let reader = Reader::open(dir.path()).expect("it opens");
    let list = reader.faults(&Filter::default()).expect("a list");
    assert_eq!([list[0].samples, list[1].samples], [Samples::Kept, Samples::Pruned]);
}

#[test]
fn a_fault_in_the_terminal_reads_as_the_snapshot() {
    let dir = tempfile::tempdir().expect("a folder");
    let (history, _notices) = open(dir.path(), Settings::default());
    history.record(opened(10_000, 1));
    history.record(closed(1));
    assert!(history.flush(SOON));
    let reader = Reader::open(dir.path()).expect("it opens");
    let fault = reader.fault(1).expect("fault 1");
    let list = report::list(&reader.faults(&Filter::default()).expect("a list"), &TimeZone::UTC);
    let page = format!("{list}\n{}", report::show(&fault, &TimeZone::UTC));
    same_as_golden("tests/data/show.txt", &page);
    let json = serde_json::to_string_pretty(&history::json::Fault { waveforms: vec![], ..fault });
    same_as_golden("tests/data/fault.json", &(json.expect("text") + "\n"));
}

/// Compares with a committed text; `UPDATE_GOLDEN=1` writes it instead.
fn same_as_golden(path: &str, got: &str) {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join(path);
    if std::env::var("UPDATE_GOLDEN").is_ok() {
        std::fs::create_dir_all(path.parent().expect("a folder")).expect("made");
        std::fs::write(&path, got).expect("written");
    }
    let want = std::fs::read_to_string(&path).expect("the committed text");
    assert!(want == got, "{} is not current:\n{got}", path.display());
}
