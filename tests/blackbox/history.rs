//! A history that cannot be opened at the start: told as an alarm, supervision runs, opening is tried again.

mod support;

use std::{
    fs,
    os::unix::fs::PermissionsExt,
    path::Path,
    time::{Duration, Instant},
};

use serde_json::Value;
use support::{checkrail, daemon::Daemon, fixture, text};

/// Longer than the pauses between the first few tries.
const PATIENCE: Duration = Duration::from_secs(20);

fn layout() -> String {
    fs::read_to_string(fixture("layouts/two-districts.toml")).expect("fixture")
}

/// The alarm about the history, where it is not normal.
fn alarm(daemon: &Daemon) -> Option<Value> {
    let answer = daemon.json("/api/v1/alarms");
    let alarms = answer["alarms"].as_array().cloned().unwrap_or_default();
    alarms.into_iter().find(|it| it["alarm"] == "history-failing")
}

/// What was said of the history as an error.
fn errors(said: &[String]) -> Vec<&str> {
    let lines = said.iter().flat_map(|it| it.lines());
    lines.filter(|it| it.contains(" ERROR ") && it.contains("istory")).collect()
}

/// Asks again and again until it is so.
fn await_that(what: &str, mut is_so: impl FnMut() -> bool) {
    let until = Instant::now() + PATIENCE;
    while !is_so() {
        assert!(Instant::now() < until, "{what}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// Breaks the history, starts the daemon, mends it, and looks at what was kept.
fn check(spoil: impl FnOnce(&Path), mend: impl FnOnce(&Path)) {
    let folder = tempfile::tempdir().expect("a folder");
    let data = folder.path().join("data");
    spoil(&data);
    let daemon = Daemon::run(folder.path(), &layout());
    await_that("the alarm is raised", || alarm(&daemon).is_some());
    let said = alarm(&daemon).map(|it| it["text"].to_string()).unwrap_or_default();
    assert!(said.contains("nothing is lost so far"), "{said}");
    assert_eq!(daemon.http("GET", "/api/v1/state", None, "").0, 200, "supervision runs");
    let stood = alarm(&daemon).map(|it| it["state"].clone());
    mend(&data);
    await_that("the alarm's condition goes", || {
        alarm(&daemon).map(|it| it["state"].clone()) != stood
    });
    let (status, body) = daemon.http("GET", "/api/v1/faults", None, "");
    assert_eq!(status, 200, "{body}");
    let said = [daemon.start.join("\n"), daemon.last_words()];
    assert_eq!(errors(&said).len(), 1, "one event, one line: {said:#?}");
    // The alarm itself was announced before there was a history, and is in it.
    let out = checkrail(&["report", "--format", "json", "--data", &data.display().to_string()]);
    let report: Value = serde_json::from_str(&text(&out)).expect("a report");
    assert!(report["alarms"].to_string().contains("history-failing"), "{report}");
}

#[test]
fn a_folder_in_the_place_of_the_file_is_told_and_awaited() {
    check(
        |data| fs::create_dir_all(data.join("history.db")).expect("a folder"),
        |data| fs::remove_dir(data.join("history.db")).expect("removed"),
    );
}

#[test]
fn a_file_in_the_place_of_the_data_folder_is_told_and_awaited() {
    check(
        |data| fs::write(data, "no folder").expect("written"),
        |data| fs::remove_file(data).expect("removed"),
    );
}

#[test]
fn a_folder_without_the_right_to_write_is_told_and_awaited() {
    let rights = |data: &Path, mode: u32| {
        fs::set_permissions(data, fs::Permissions::from_mode(mode)).expect("set");
    };
    let probe = tempfile::tempdir().expect("a folder");
    rights(probe.path(), 0o500);
    if fs::write(probe.path().join("probe"), "").is_ok() {
        // Rights do not bind this user; the other cases cover the way of it.
        return;
    }
    check(
        |data| {
            fs::create_dir_all(data).expect("a folder");
            rights(data, 0o500);
        },
        |data| rights(data, 0o700),
    );
}

#[test]
fn a_file_that_another_program_has_locked_is_told_and_awaited() {
    let other = std::cell::Cell::new(None);
    check(
        |data| {
            fs::create_dir_all(data).expect("a folder");
            let db = rusqlite::Connection::open(data.join("history.db")).expect("it opens");
            db.execute_batch("BEGIN EXCLUSIVE").expect("locked");
            other.set(Some(db));
        },
        |_| drop(other.take()),
    );
}

#[test]
fn a_file_that_is_locked_later_is_told_in_one_line() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::run(folder.path(), &layout());
    let db = rusqlite::Connection::open(daemon.data.join("history.db")).expect("it opens");
    db.busy_timeout(PATIENCE).expect("set");
    db.execute_batch("BEGIN IMMEDIATE").expect("locked");
    let cut = r#"{"district":"east"}"#;
    let (status, body) = daemon.http("POST", "/api/v1/cut", Some(&daemon.token), cut);
    assert!(status < 300, "{status} {body}");
    await_that("the alarm is raised", || alarm(&daemon).is_some());
    drop(db);
    let said = [daemon.start.join("\n"), daemon.last_words()];
    let errors = errors(&said);
    let [line] = errors[..] else { panic!("one event, one line: {errors:#?}") };
    assert!(line.contains("database is locked") && line.contains("goes on"), "{line}");
}

#[test]
fn a_file_of_other_bytes_is_set_aside_and_told() {
    let folder = tempfile::tempdir().expect("a folder");
    let data = folder.path().join("data");
    fs::create_dir_all(&data).expect("a folder");
    fs::write(data.join("history.db"), vec![0xA5; 40_000]).expect("written");
    let daemon = Daemon::run(folder.path(), &layout());
    await_that("the alarm is raised", || alarm(&daemon).is_some());
    let said = [daemon.start.join("\n"), daemon.last_words()];
    let errors = errors(&said);
    assert!(matches!(errors[..], [one] if one.contains("damaged")), "{errors:#?}");
    let names = fs::read_dir(&data).expect("the folder").filter_map(Result::ok);
    let names: Vec<String> = names.map(|it| it.file_name().display().to_string()).collect();
    assert!(names.iter().any(|it| it.starts_with("history.damaged-")), "{names:?}");
    let out = checkrail(&["report", "--format", "json", "--data", &data.display().to_string()]);
    assert!(text(&out).contains("history-failing"), "{out:?}");
}

#[test]
fn what_was_locked_out_stays_so_though_the_history_cannot_be_written() {
    let folder = tempfile::tempdir().expect("a folder");
    let data = folder.path().join("data");
    Daemon::run(folder.path(), &layout()).terminate();
    let db = rusqlite::Connection::open(data.join("history.db")).expect("it opens");
    db.execute_batch(
        "INSERT OR REPLACE INTO lock_out(district, fault, utc_us) VALUES ('district/east', NULL, 1); \
         BEGIN IMMEDIATE",
    )
    .expect("locked");
    let daemon = Daemon::run(folder.path(), &layout());
    await_that("the alarm is raised", || alarm(&daemon).is_some());
    let state = daemon.json("/api/v1/state");
    let districts = state["districts"].as_array().cloned().unwrap_or_default();
    let east = districts.iter().find(|it| it["id"] == "east").expect("the east");
    assert_eq!(east["locked_out"], true, "{east}");
}
