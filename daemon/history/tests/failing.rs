//! A disk that does not take what is written: told, counted, tried again; never a panic, never a false announcement.

mod support;

use std::{
    fs,
    io::{Seek, SeekFrom, Write},
    path::Path,
    sync::mpsc::Receiver,
    time::Duration,
};

use history::{Filter, History, Notice, Opened, Reader, Settings};
use rusqlite::Connection;
use supervision::{output::EventKind, record::FaultNumber};
use support::{closed, event, open, opened};
use wiring::index::DistrictIx;

const SOON: Duration = Duration::from_secs(20);

fn quick() -> Settings {
    Settings {
        busy: Duration::from_millis(20),
        retry: Duration::from_millis(30),
        ..Settings::default()
    }
}

fn next(notices: &Receiver<Notice>) -> Notice {
    notices.recv_timeout(SOON).expect("a notice")
}

fn record(history: &History, numbers: std::ops::RangeInclusive<u32>) {
    for number in numbers {
        history.record(opened(10_000, number));
        history.record(closed(number));
    }
}

fn saved_in(dir: &Path) -> Vec<u32> {
    let reader = Reader::open(dir).expect("it opens");
    let list = reader.faults(&Filter::default()).expect("a list");
    list.iter().filter(|it| it.complete).map(|it| it.fault).collect()
}

#[test]
fn a_locked_file_is_told_and_what_waited_is_saved_when_it_is_free() {
    let dir = tempfile::tempdir().expect("a folder");
    let (history, notices) = open(dir.path(), quick());
    let other = Connection::open(dir.path().join("history.db")).expect("it opens");
    other.execute_batch("BEGIN IMMEDIATE").expect("locked");
    record(&history, 1..=1);
    assert!(matches!(next(&notices), Notice::Failing { .. }));
    assert!(!history.flush(Duration::from_millis(50)), "nothing is durable while it is locked");
    other.execute_batch("ROLLBACK").expect("free");
    assert!(matches!(next(&notices), Notice::Working { unsaved } if unsaved.total() == 0));
    assert_eq!(next(&notices), Notice::Saved(FaultNumber(1)));
    assert_eq!(saved_in(dir.path()), [1]);
}

#[test]
fn a_full_disk_is_told_counted_and_never_announced_as_saved() {
    let dir = tempfile::tempdir().expect("a folder");
    // A bound on pages answers as a full disk does.
    let settings = Settings { most_pages: Some(80), ..quick() };
    let (history, notices) = open(dir.path(), settings);
    record(&history, 1..=60);
    let told: Vec<Notice> = std::iter::from_fn(|| notices.recv_timeout(SOON).ok())
        .take_while(|notice| matches!(notice, Notice::Saved(_)))
        .collect();
    drop(history);
    let there = saved_in(dir.path());
    for notice in told {
        let Notice::Saved(FaultNumber(number)) = notice else { continue };
        assert!(there.contains(&number), "{number} was announced");
    }
    assert!(!there.is_empty() && there.len() < 60, "the bound is reached: {there:?}");
}

#[test]
fn what_a_full_disk_loses_at_the_end_is_counted() {
    let dir = tempfile::tempdir().expect("a folder");
    let settings = Settings { most_pages: Some(70), ..quick() };
    let (history, notices) = open(dir.path(), settings);
    record(&history, 1..=60);
    loop {
        if matches!(next(&notices), Notice::Failing { .. }) {
            break;
        }
    }
    // Queues have room for 64 records: nothing is lost yet, and nothing claims to be saved.
    assert_eq!(history.unsaved().total(), 0);
    for number in 61..=200 {
        history.record(closed(number));
    }
    let unsaved = history.unsaved();
    assert!(unsaved.records > 0, "{unsaved:?}");
    assert_eq!(unsaved.states, 0, "{unsaved:?}");
    assert!(!history.flush(Duration::from_millis(50)));
}

#[test]
fn an_item_that_breaks_a_rule_of_the_tables_takes_no_other_with_it() {
    let dir = tempfile::tempdir().expect("a folder");
    let (history, notices) = open(dir.path(), quick());
    record(&history, 1..=1);
    history.record(closed(1)); // A record is never changed.
    record(&history, 2..=2);
    assert!(!history.flush(SOON), "one of them is unsaved");
    assert_eq!(history.unsaved().records, 1);
    assert!(notices.try_iter().any(|notice| matches!(notice, Notice::Failing { .. })));
    assert_eq!(saved_in(dir.path()), [2, 1]);
}

#[test]
fn a_damaged_file_is_kept_aside_and_what_can_be_read_goes_on() {
    let dir = tempfile::tempdir().expect("a folder");
    let (history, _notices) = open(dir.path(), quick());
    record(&history, 1..=12);
    history.record(event(1, EventKind::LockedOut(DistrictIx(0))));
    assert!(history.flush(SOON));
    drop(history);
    let path = dir.path().join("history.db");
    let bytes = fs::metadata(&path).expect("the file").len();
    // The last pages: samples and events, written last.
    let mut file = fs::OpenOptions::new().write(true).open(&path).expect("the file");
    file.seek(SeekFrom::Start(bytes - 5 * 4096)).expect("a place");
    file.write_all(&[0xA5; 5 * 4096]).expect("damage");
    drop(file);

    let (history, notices) = open(dir.path(), quick());
    let Opened::Replaced { kept, .. } = history.opened() else { panic!("{:?}", history.opened()) };
    assert!(kept.is_file());
    let remembered = history.remembered();
    assert_eq!(remembered.next_fault, 13, "fault numbers go on");
    assert_eq!(remembered.locked_out.len(), 1, "a lock-out holds");
    record(&history, 13..=13);
    assert_eq!(next(&notices), Notice::Saved(FaultNumber(13)));
}

#[test]
fn damage_while_running_is_told_and_ends_in_a_new_file() {
    let dir = tempfile::tempdir().expect("a folder");
    let (history, notices) = open(dir.path(), quick());
    record(&history, 1..=1);
    assert_eq!(next(&notices), Notice::Saved(FaultNumber(1)));
    // Another program's commit empties the writer's cache, so that it reads the damage.
    let path = dir.path().join("history.db");
    let other = Connection::open(&path).expect("it opens");
    other.execute("INSERT INTO run(started_us, layout) VALUES (0, '')", []).expect("written");
    other.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).expect("all in the file");
    drop(other);
    let bytes = fs::metadata(&path).expect("the file").len();
    let mut file = fs::OpenOptions::new().write(true).open(&path).expect("the file");
    file.seek(SeekFrom::Start(4096)).expect("a place");
    file.write_all(&vec![0xA5; bytes as usize - 4096]).expect("damage");
    drop(file);
    record(&history, 2..=40);
    let mut saved = Vec::new();
    let mut failed = false;
    while saved.last() != Some(&40) {
        match next(&notices) {
            Notice::Saved(FaultNumber(number)) => saved.push(number),
            Notice::Failing { .. } => failed = true,
            Notice::Working { .. } => {}
        }
    }
    assert!(failed);
    drop(history);
    assert!(saved_in(dir.path()).contains(&40));
}

#[test]
fn a_history_that_could_not_be_opened_counts_everything_as_unsaved() {
    let dir = tempfile::tempdir().expect("a folder");
    let in_the_way = dir.path().join("file");
    fs::write(&in_the_way, "no folder").expect("written");
    let failed = History::open(
        &in_the_way,
        support::names(),
        quick(),
        (wiring::units::Mono::START, support::UTC),
        |_| {},
    );
    assert!(failed.is_err());
    let none = History::none();
    record(&none, 1..=2);
    assert_eq!((none.unsaved().records, none.unsaved().states), (2, 2));
    assert!(!none.flush(Duration::ZERO));
}
