//! What a session was like, and what stands beside it: change-over gaps, mismatches, notes.

mod support;

use std::time::Duration;

use history::{
    History, Reader, Settings, What,
    report::TimeZone,
    session::{self, Session},
};
use supervision::{
    alarm::{AlarmChange, AlarmKey, AlarmKind, AlarmState, Priority, Subject, Transition},
    input::{Feed, MachinePosition, MeasuredPolarity},
    output::{EventKind, PowerState},
    record::FaultNumber,
};
use support::{UTC, closed, event, item, open, opened};
use wiring::{
    channel::Object,
    index::{DistrictIx, FrogIx, MachineIx},
    layout::Conductor,
};

const SOON: Duration = Duration::from_secs(10);
const MINUTE: u64 = 60_000;

fn power(at_ms: u64, state: PowerState) -> history::Item {
    event(at_ms, EventKind::PowerChanged(Feed::District(DistrictIx(0)), state))
}

fn raised(at_ms: u64, priority: Priority, under: Option<AlarmKey>) -> history::Item {
    let subject = Subject::Object(Object::Frog(FrogIx(0)));
    let change = AlarmChange {
        alarm: AlarmKey { kind: AlarmKind::FrogMismatch, subject },
        transition: Transition::Raised,
        state: AlarmState::Unacknowledged,
        priority,
        first_out: false,
        under,
        text: "Frog T1: on the wrong rail".into(),
    };
    item(at_ms, What::Alarm { change, node: None })
}

/// Twenty minutes: on after one, off from ten to twelve, a fault, alarms.
fn session_of(dir: &std::path::Path, alarms: Vec<history::Item>) -> (History, Session) {
    let (history, _notices) = open(dir, Settings::default());
    let mut items = vec![
        event(0, EventKind::Started),
        power(MINUTE, PowerState::On),
        power(10 * MINUTE, PowerState::Cutting),
        power(10 * MINUTE + 60, PowerState::Cut),
        opened(10 * MINUTE, 1),
        closed(1),
        power(12 * MINUTE, PowerState::On),
    ];
    items.extend(alarms);
    items.push(event(20 * MINUTE, EventKind::Stopping));
    items.into_iter().for_each(|it| history.record(it));
    assert!(history.flush(SOON));
    let reader = Reader::open(dir).expect("it opens");
    let session = reader.session(UTC, UTC + 3_600_000_000).expect("a session");
    (history, session)
}

#[test]
fn uptime_counts_only_what_was_watched_and_known() {
    let dir = tempfile::tempdir().expect("a folder");
    let (_history, session) = session_of(dir.path(), Vec::new());
    assert_eq!((session.runs, session.watched_s), (1, 1200.0), "not the hour that was asked for");
    let quarry = &session.districts[0];
    assert_eq!((quarry.on_s, quarry.off_s, quarry.unknown_s), (1020.0, 120.0, 60.0));
    let uptime = quarry.uptime.expect("known");
    assert!((uptime - 1020.0 / 11.4).abs() < 1e-9, "by hand: 1020 of 1140 s: {uptime}");
    assert_eq!((quarry.cuts, quarry.faults), (1, 1));
}

#[test]
fn a_time_without_checkrail_is_said_to_be_unknown() {
    let dir = tempfile::tempdir().expect("a folder");
    let (_history, _) = session_of(dir.path(), Vec::new());
    let reader = Reader::open(dir.path()).expect("it opens");
    let before = reader.session(UTC - 2_000_000, UTC - 1_000_000).expect("a session");
    assert_eq!((before.runs, before.districts.len()), (0, 0));
    let page = session::html(&before, &TimeZone::UTC, None);
    assert!(page.contains("nothing is known of it"), "{page}");
}

#[test]
fn alarm_figures_leave_out_what_was_gathered_and_name_floods_and_chattering() {
    let key = AlarmKey {
        kind: AlarmKind::ShortCircuit,
        subject: Subject::Object(Object::District(DistrictIx(0))),
    };
    let mut alarms: Vec<_> =
        (0..11).map(|it| raised(MINUTE + it * 20_000, Priority::Low, None)).collect();
    alarms.push(raised(15 * MINUTE, Priority::High, None));
    alarms.push(raised(15 * MINUTE, Priority::High, Some(key)));
    let dir = tempfile::tempdir().expect("a folder");
    let (_history, session) = session_of(dir.path(), alarms);
    let it = &session.alarms;
    assert_eq!((it.shown, it.gathered, it.by_priority), (12, 1, [1, 0, 11]));
    assert_eq!((it.per_ten_minutes, it.most_in_ten_minutes), (Some(6.0), 11));
    assert_eq!(it.in_flood, Some(50.0), "one of two periods has more than ten");
    assert_eq!(it.chattering, ["frog-mismatch frog/T1"]);
    assert!(it.stale.is_empty());
    let machines = Reader::open(dir.path()).expect("it opens").machines().expect("machines");
    assert_eq!((machines[0].mismatches, machines[0].verdict.as_str()), (13, "watch"));
}

#[test]
fn the_page_needs_nothing_else_and_says_demo_where_it_is_one() {
    let dir = tempfile::tempdir().expect("a folder");
    let (_history, session) = session_of(dir.path(), Vec::new());
    let page = session::html(&session, &TimeZone::UTC, Some("DEMO <1>"));
    for want in ["Tamarrow Valley", "DEMO &lt;1&gt;", "89.47 %", "does not replace a breaker"] {
        assert!(page.contains(want), "{want} in {page}");
    }
    for not in ["<script", "http://", "https://", "src=", "href=", "url("] {
        assert!(!page.contains(not), "{not}");
    }
}

#[test]
fn a_change_over_gap_is_measured_at_the_frog_while_its_machine_throws() {
    let dir = tempfile::tempdir().expect("a folder");
    let (history, _notices) = open(dir.path(), Settings::default());
    let position = |at, it| event(at, EventKind::PositionChanged(MachineIx(0), it));
    let polarity = |at, it| event(at, EventKind::PolarityChanged(FrogIx(0), it));
    for it in [
        position(0, MachinePosition::Normal),
        // A cut while nothing moves is no change-over.
        polarity(100, MeasuredPolarity::Dead),
        polarity(800, MeasuredPolarity::On(Conductor::A)),
        position(1000, MachinePosition::Moving),
        polarity(2000, MeasuredPolarity::Dead),
        polarity(2310, MeasuredPolarity::On(Conductor::B)),
        position(3400, MachinePosition::Reverse),
    ] {
        history.record(it);
    }
    assert!(history.flush(SOON));
    let reader = Reader::open(dir.path()).expect("it opens");
    assert_eq!(reader.machines().expect("machines")[0].change_over_ms, Some(310.0));
    let busy = reader.session(UTC, UTC + 60_000_000).expect("a session").busiest;
    assert_eq!((busy[0].machine.as_str(), busy[0].throws), ("machine/T1", 1));
}

#[test]
fn a_note_is_durable_when_the_scribe_says_so_and_one_on_no_fault_harms_nothing() {
    let dir = tempfile::tempdir().expect("a folder");
    let (history, _notices) = open(dir.path(), Settings::default());
    history.record(opened(10_000, 1));
    let note = |fault| What::Note {
        fault: FaultNumber(fault),
        who: "MK".to_owned(),
        text: "a screwdriver lay on the rails".to_owned(),
    };
    assert!(history.scribe().write(item(1, note(1)), SOON));
    assert!(history.scribe().write(item(2, note(9)), SOON), "it is dropped, not retried for ever");
    let notes = Reader::open(dir.path()).expect("it opens").fault(1).expect("fault 1").notes;
    assert_eq!((notes.len(), notes[0].who.as_str()), (1, "MK"));
    assert_eq!(history.unsaved().total(), 0);
}

#[test]
fn instants_are_read_as_people_write_them() {
    let noon = 1_795_608_000_000_000;
    for (text, want) in [
        ("2026-11-25T12:00:00Z", Some(noon)),
        ("2026-11-25 12:00", Some(noon)),
        ("2026-11-25T12:00", Some(noon)),
        ("2026-11-25", Some(noon - 43_200_000_000)),
        ("yesterday", None),
        ("", None),
    ] {
        assert_eq!(session::instant(text, &TimeZone::UTC), want, "{text}");
    }
}
