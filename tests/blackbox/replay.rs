//! `checkrail replay --lockstep`: another program closes the loop through it.

mod support;

use serde_json::json;
use support::{CHECKRAIL, Lockstep, checkrail, fixture, orders, raised, text};

/// A quiet layout up to `until`, with one locomotive in e1: 0.4 A.
fn quiet(replay: &mut Lockstep, until_ms: u32) {
    for machine in ["T1", "T2", "T3"] {
        let caused = replay.send(0.0, &format!("machine/{machine}/position"), "normal");
        assert!(orders(&caused).is_empty());
    }
    for district in ["east", "west"] {
        replay.send(0.0, &format!("district/{district}/feedback"), "on");
    }
    for step in 0..=until_ms / 10 {
        let t = f64::from(step) / 100.0;
        running(replay, t, 0.4);
    }
}

/// One round of readings with `east` amperes in the east.
fn running(replay: &mut Lockstep, t: f64, east: f64) -> Vec<serde_json::Value> {
    let mut caused = replay.send(t, "district/east/current", east);
    caused.extend(replay.send(t, "block/e1/current", east));
    caused.extend(replay.send(t, "block/e2/current", 0.0));
    caused.extend(replay.send(t, "district/west/current", 0.0));
    caused.extend(replay.send(t, "block/w1/current", 0.0));
    caused.extend(replay.send(t, "booster/main/current", east));
    caused
}

#[test]
fn a_short_is_cut_in_its_own_district_within_the_withstand_of_a_contact() {
    let mut replay = Lockstep::start(&fixture("layouts/two-districts.toml"));
    quiet(&mut replay, 1000);
    let mut cut = None;
    let mut t = 1.01;
    while cut.is_none() && t < 1.5 {
        let caused = running(&mut replay, t, 5.0);
        cut = orders(&caused).into_iter().next();
        t += 0.01;
    }
    let (at, channel, value, cause) = cut.expect("a cut is ordered");
    assert_eq!((channel.as_str(), value.as_str()), ("district/east/power", "cut"));
    assert_eq!(cause, "short-circuit");
    assert!(at - 1.01 <= 0.040, "ordered at {at} s after an onset at 1.01 s");
    // The actuator opens 15 ms later; current and feedback prove it, and nothing else is cut.
    replay.send(t + 0.015, "district/east/feedback", "off");
    for step in 2..600 {
        running(&mut replay, t + f64::from(step) / 100.0, 0.0);
    }
    let said = replay.end();
    let all = orders(&said);
    assert_eq!(all.len(), 1, "one order does it: {all:?}");
    assert!(raised(&said).contains(&("short-circuit".into(), "district/east".into())));
    let faults: Vec<_> = said
        .iter()
        .filter(|line| line.get("fault").is_some() && line.get("suspects").is_some())
        .collect();
    assert_eq!(faults.len(), 1);
    assert_eq!(faults[0]["district"], "east");
    let shares: f64 = faults[0]["suspects"]
        .as_array()
        .expect("suspects")
        .iter()
        .map(|suspect| suspect["share"].as_f64().expect("share"))
        .sum();
    assert!((shares - 1.0).abs() < 1e-6, "shares add to {shares}");
}

#[test]
fn a_cut_that_does_not_cut_takes_the_booster() {
    let mut replay = Lockstep::start(&fixture("layouts/two-districts.toml"));
    quiet(&mut replay, 1000);
    for step in 1..100 {
        running(&mut replay, 1.0 + f64::from(step) / 100.0, 5.0);
    }
    let all = orders(&replay.said);
    assert_eq!(all[0].1, "district/east/power");
    let booster = all.iter().find(|order| order.1 == "booster/main/power");
    let booster = booster.expect("the booster goes when the district does not");
    assert_eq!((booster.2.as_str(), booster.3.as_str()), ("cut", "cut-failed"));
    assert!(raised(&replay.said).iter().any(|(kind, _)| kind == "cut-failed"));
}

#[test]
fn one_locomotive_starting_or_one_bad_sample_cuts_nothing() {
    let mut replay = Lockstep::start(&fixture("layouts/two-districts.toml"));
    quiet(&mut replay, 1000);
    for step in 1..200 {
        let amps = if step == 50 { 8.0 } else { 1.1 };
        running(&mut replay, 1.0 + f64::from(step) / 100.0, amps);
    }
    let said = replay.end();
    assert!(orders(&said).is_empty(), "{:?}", orders(&said));
}

#[test]
fn a_bad_line_is_named_and_harms_nothing() {
    let mut replay = Lockstep::start(&fixture("layouts/two-districts.toml"));
    quiet(&mut replay, 200);
    for line in [
        "",
        "not json",
        "{\"t\":0.3}",
        "{\"t\":-1,\"channel\":\"district/east/current\",\"value\":5}",
        "{\"t\":0.3,\"channel\":\"district/nowhere/current\",\"value\":5}",
        "{\"t\":0.3,\"channel\":\"district/east/current\",\"value\":\"NaN\"}",
        "{\"t\":0.3,\"channel\":\"district/east/current\",\"value\":[9,9]}",
        "{\"t\":0.3,\"channel\":\"district/east/current\",\"value\":1e308}",
        "{\"t\":0.3,\"channel\":\"district/east/power\",\"value\":\"on\"}",
        "{\"t\":0.31,\"channel\":\"machine/T1/position\",\"value\":\"sideways\"}",
    ] {
        let caused = replay.send_line(line);
        assert!(orders(&caused).is_empty(), "{line}");
    }
    let said = replay.end();
    assert!(raised(&said).iter().any(|(kind, _)| kind == "reading-bad"), "{:?}", raised(&said));
}

#[test]
fn the_same_journal_gives_the_same_words_in_one_piece_and_in_lockstep() {
    let mut replay = Lockstep::start(&fixture("layouts/two-districts.toml"));
    let mut lines = Vec::new();
    for step in 0..300 {
        let t = f64::from(step) / 100.0;
        let amps = if step > 100 { 5.0 } else { 0.4 };
        let line = json!({"t": t, "channel": "district/east/current", "value": amps}).to_string();
        replay.send_line(&line);
        lines.push(line);
    }
    let stepwise = replay.end();
    let folder = tempfile::tempdir().expect("a folder");
    let journal = folder.path().join("session.jsonl");
    std::fs::write(&journal, lines.join("\n")).expect("written");
    let layout = fixture("layouts/two-districts.toml");
    let output = checkrail(&["replay", layout.to_str().unwrap(), journal.to_str().unwrap()]);
    assert!(output.status.success());
    let whole: Vec<serde_json::Value> = text(&output)
        .lines()
        .map(|line| serde_json::from_str(line).expect("nothing but JSON lines"))
        .collect();
    assert_eq!(stepwise, whole);
    assert!(!whole.is_empty());
}

#[test]
fn a_broken_layout_is_refused_and_a_missing_journal_named() {
    let layout = fixture("layouts/two-districts.toml");
    let layout = layout.to_str().unwrap();
    let missing = checkrail(&["replay", layout, "/nonexistent.jsonl"]);
    assert_eq!(missing.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&missing.stderr).contains("/nonexistent.jsonl"));
    let folder = tempfile::tempdir().expect("a folder");
    let broken = folder.path().join("broken.toml");
    let text = std::fs::read_to_string(layout).unwrap().replace("block = \"e1\"", "block = \"e9\"");
    std::fs::write(&broken, text).unwrap();
    let refused = checkrail(&["replay", broken.to_str().unwrap(), "-"]);
    assert_eq!(refused.status.code(), Some(1), "{CHECKRAIL}");
    assert!(refused.stdout.is_empty(), "nothing but JSON lines goes to standard output");
    assert!(String::from_utf8_lossy(&refused.stderr).contains("e9"));
}

/// The truth that `simulate` writes beside a journal, or a page: nothing is replayed, and nothing is as if it had been.
#[test]
fn a_file_without_a_line_of_a_journal_is_refused_and_the_journal_is_named() {
    let folder = tempfile::tempdir().expect("a folder");
    let truth = folder.path().join("try.truth.jsonl");
    let line = "{\"t\":1.0,\"truth\":\"train-moved\",\"subject\":\"block/w1\"}\n";
    std::fs::write(&truth, line.repeat(40)).expect("written");
    let layout = fixture("layouts/two-districts.toml");
    let output = checkrail(&["replay", layout.to_str().unwrap(), truth.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(2));
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(told.lines().last().is_some_and(|it| it.ends_with("try.jsonl")), "{told}");
    let complaints = told.lines().filter(|it| it.starts_with("journal line")).count();
    assert!((1..15).contains(&complaints), "{told}");
}
