//! The built daemon against a real broker: readings in, the district cut, the alarm published, the fault on disk.

mod support;

use std::time::Duration;

use serde_json::{Value, json};
use support::{
    broker::Broker,
    checkrail,
    daemon::Daemon,
    node::{Heard, PATIENCE},
    session::{Session, layout},
    text,
};
use tokio::time::Instant;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_short_is_cut_announced_recorded_and_restored() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(folder.path());
    let daemon = Daemon::run(folder.path(), &layout(broker.port));
    let mut session = Session::start(broker.port).await;
    let order = session.short().await;
    assert_eq!(order.body["op"], "cut");
    assert_eq!(order.body["cause"], "short-circuit");
    assert!(!order.retained, "an order is never retained");
    let proved = session
        .until("the proved cut", |heard| {
            heard.topic == "checkrail/-/state/district/east/power" && heard.body["v"] == "cut"
        })
        .await;
    assert!(proved.body["t"].is_number(), "{proved:?}");
    // The record closes three seconds after the trigger; then it is on disk and on the page.
    let found = fault_of(&daemon, &mut session).await;
    assert_eq!(found["district"], "east");
    assert_eq!(found["cause"], "short-circuit");
    let data = daemon.data.to_str().expect("a path").to_owned();
    let list = checkrail(&["faults", "list", "--data", &data]);
    assert!(text(&list).contains("east"), "{}", text(&list));
    let shown = text(&checkrail(&["faults", "show", "1", "--data", &data]));
    assert!(shown.contains("district/east/power") || shown.contains("district east"), "{shown}");
    restore(&daemon, &mut session).await;
    drop(session);
    daemon.kill();
}

async fn fault_of(daemon: &Daemon, session: &mut Session) -> Value {
    let limit = Instant::now() + PATIENCE;
    while Instant::now() < limit {
        session.measure_for(Duration::from_millis(200)).await;
        let faults = daemon.json("/api/v1/faults");
        let first = faults["faults"][0].clone();
        if first["complete"] == json!(true) {
            return first;
        }
    }
    panic!("the fault is not on disk");
}

async fn restore(daemon: &Daemon, session: &mut Session) {
    let token = daemon.token.clone();
    let body = r#"{"district":"east","confirm":true}"#;
    let (status, answer) = daemon.http("POST", "/api/v1/restore", None, body);
    assert_eq!(status, 401, "nobody acts without the token: {answer}");
    session.measure_for(Duration::from_secs(3)).await;
    let (status, answer) = daemon.http("POST", "/api/v1/restore", Some(&token), body);
    assert_eq!(status, 409, "the latched cause is acknowledged first: {answer}");
    for alarm in daemon.json("/api/v1/alarms")["alarms"].as_array().expect("a list") {
        let one = json!({"alarm": alarm["alarm"], "subject": alarm["subject"]}).to_string();
        let (status, answer) = daemon.http("POST", "/api/v1/acknowledge", Some(&token), &one);
        assert!(matches!(status, 200 | 204 | 409), "{one}: {status} {answer}");
    }
    session.measure_for(Duration::from_millis(200)).await;
    let (status, answer) = daemon.http("POST", "/api/v1/restore", Some(&token), body);
    assert!(matches!(status, 200 | 204), "{status} {answer}");
    let order = session
        .until("the order to switch on", |heard| {
            heard.topic == "checkrail/crew/order/district/east/power" && heard.body["op"] == "on"
        })
        .await;
    assert!(!order.retained);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn without_a_broker_it_starts_says_so_and_finds_it_later() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut broker = Broker::start(folder.path());
    broker.kill();
    let daemon = Daemon::run(folder.path(), &layout(broker.port));
    let (_, health) = daemon.http("GET", "/health", None, "");
    assert!(health.contains("mqtt"), "{health}");
    broker.restart();
    let mut session = Session::start(broker.port).await;
    session.short().await;
    // A broker that forgets everything and comes back is subscribed to again.
    broker.restart();
    let mut session = Session::start(broker.port).await;
    let heard = session
        .until("the state after a restart of the broker", |heard| {
            heard.topic == "checkrail/-/state/district/east/power"
        })
        .await;
    assert_ne!(heard.body["v"], "on", "what was cut stays cut");
}

/// Tried again after 0.2, 0.6 and 1.4 s: that none of them is told takes as long to see.
const TRIES: Duration = Duration::from_secs(2);

#[test]
fn a_broker_that_is_away_is_one_warning_with_its_address() {
    let folder = tempfile::tempdir().expect("a folder");
    // No program of a test is given a port so low.
    let nobody = 1;
    let daemon = Daemon::run(folder.path(), &layout(nobody));
    let later = daemon.says_within(TRIES);
    let said = [&daemon.start[..], &later].concat();
    let warned: Vec<&String> = said.iter().filter(|it| it.contains("MQTT broker")).collect();
    let [warning] = warned[..] else { panic!("one, not {warned:#?}") };
    assert!(warning.contains("WARN") && warning.contains("127.0.0.1:1\""), "{warning}");
    daemon.kill();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_daemons_share_a_broker_under_roots_of_their_own() {
    let folders = [tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder")];
    let broker = Broker::start(folders[0].path());
    let north = Daemon::run(folders[0].path(), &layout(broker.port));
    let own = "root = \"south\"\nclient-id = \"south\"\n";
    let south = Daemon::run(folders[1].path(), &format!("{}{own}", layout(broker.port)));
    let mut session = Session::start(broker.port).await;
    session.short().await;
    assert_eq!(fault_of(&north, &mut session).await["district"], "east");
    assert_eq!(south.json("/api/v1/faults")["faults"], json!([]), "not its layout");
    for daemon in [north, south] {
        let (_, health) = daemon.http("GET", "/health", None, "");
        assert!(health.contains("\"status\":\"ok\""), "both are connected: {health}");
        daemon.kill();
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn rubbish_on_every_topic_harms_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(folder.path());
    let daemon = Daemon::run(folder.path(), &layout(broker.port));
    let mut session = Session::start(broker.port).await;
    for (topic, body) in [
        ("checkrail/crew/reading/district/east/current", "NaN"),
        ("checkrail/crew/reading/district/east/current", "inf"),
        ("checkrail/crew/reading/district/east/current", "9e99"),
        ("checkrail/crew/reading/district/east/current", "{\"v\":\"a lot\"}"),
        ("checkrail/crew/reading/district/nowhere/current", "9"),
        ("checkrail/crew/set", "{\"v\":{\"district/east/current\":"),
        ("checkrail/crew/set", "[]"),
        ("checkrail/crew/birth", "{\"id\":7}"),
        ("checkrail/crew/health", "\u{0}\u{1}\u{2}"),
        ("checkrail/crew/ack/district/east/power", "null"),
        ("checkrail/-/ask/cut/", "{}"),
        ("checkrail/-/order/district/east/power", "on"),
        ("checkrail", "x"),
    ] {
        session.node.publish_at(topic, false, body).await;
    }
    session.measure_for(Duration::from_secs(2)).await;
    // Whoever misspells a topic looks at the daemon's terminal first.
    let told = daemon.says("district/nowhere/current");
    assert!(told.contains("ReadingBad") && told.contains("is no input of the layout"), "{told}");
    let state = daemon.json("/api/v1/state");
    let link = &state["links"][0];
    assert!(link["unusable"].as_u64() >= Some(6), "{link}");
    let last = &link["last_unusable"];
    assert!(last["text"].as_str().is_some_and(|it| it.contains(": ")), "{link}");
    let ago = state["t"].as_i64().zip(last["at"].as_i64()).map(|(now, at)| now - at);
    assert!(ago.is_some_and(|ms| (0..20_000).contains(&ms)), "{link} at {}", state["t"]);
    let orders: Vec<Heard> = session
        .node
        .rest()
        .into_iter()
        .filter(|heard| heard.topic.contains("/order/") && !heard.topic.starts_with("checkrail/-/"))
        .collect();
    assert!(orders.is_empty(), "{orders:?}");
    let (status, body) = daemon.http("GET", "/health", None, "");
    assert_eq!(status, 200, "{body}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stop_cuts_and_proves_and_a_kill_loses_nothing_that_was_saved() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(folder.path());
    let daemon = Daemon::run(folder.path(), &layout(broker.port));
    let mut session = Session::start(broker.port).await;
    session.short().await;
    fault_of(&daemon, &mut session).await;
    daemon.kill();
    let daemon = Daemon::run(folder.path(), &layout(broker.port));
    let faults = daemon.json("/api/v1/faults");
    assert_eq!(faults["faults"].as_array().map(Vec::len), Some(1), "{faults}");
    let mut session = Session::start(broker.port).await;
    session.measure_for(Duration::from_millis(500)).await;
    let state = daemon.json("/api/v1/state");
    let east = &state["districts"][0];
    assert_eq!(east["locked_out"], json!(true), "locked out stays locked out: {east}");
    let stop = tokio::task::spawn_blocking(move || daemon.terminate());
    let order = session
        .until("the cut of the stop", |heard| {
            heard.topic == "checkrail/crew/order/district/west/power"
        })
        .await;
    assert_eq!((&order.body["op"], &order.body["cause"]), (&json!("cut"), &json!("shutdown")));
    let ms = session.ms();
    session.node.measure(ms, &[("district/west/feedback", json!("off"))]).await;
    session.measure_for(Duration::from_millis(1500)).await;
    let status = stop.await.expect("it ends");
    assert!(matches!(status.code(), Some(0 | 3)), "{status}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_end_of_its_own_connections_is_no_trouble() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(folder.path());
    let daemon = Daemon::run(folder.path(), &layout(broker.port));
    let _session = Session::start(broker.port).await;
    let stop = tokio::task::spawn_blocking(move || daemon.last_words());
    let rest = stop.await.expect("it ends");
    assert!(rest.contains("Stopped") && !rest.contains("not connected"), "{rest}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn health_counts_what_is_silent_and_stays_well() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(folder.path());
    let daemon = Daemon::run(folder.path(), &layout(broker.port));
    let mut session = Session::start(broker.port).await;
    let health = || {
        let asked = checkrail(&["health", "--at", &daemon.address]);
        (asked.status.code(), text(&asked))
    };
    let limit = Instant::now() + PATIENCE;
    while health() != (Some(0), "ok\n".to_owned()) {
        assert!(Instant::now() < limit, "all is measured: {:?}", health());
        session.measure_for(Duration::from_millis(200)).await;
    }
    // The node stays and its sensors say nothing more.
    let limit = Instant::now() + PATIENCE;
    loop {
        let (code, said) = health();
        assert_eq!(code, Some(0), "no restart would mend it: {said}");
        if said.starts_with("ok; 2 districts not protected, ") && said.ends_with(" silent\n") {
            break;
        }
        assert!(Instant::now() < limit, "{said}");
    }
    drop(session);
    daemon.kill();
}

/// Behind this nobody stands: setpriority(2).
const LAST: i32 = 19;

/// The standing (nice value, proc_pid_stat(5)) of each thread of the process, by name.
fn standings(daemon: &Daemon) -> Vec<(String, i32)> {
    let tasks = std::fs::read_dir(format!("/proc/{}/task", daemon.pid())).expect("its threads");
    let stats = tasks.filter_map(|it| std::fs::read_to_string(it.ok()?.path().join("stat")).ok());
    let one = |stat: String| {
        let (head, tail) = stat.rsplit_once(") ").expect("name in brackets");
        let name = head.split_once('(').expect("name in brackets").1.to_owned();
        let nice = tail.split(' ').nth(16).and_then(|it| it.parse().ok()).expect("a nice value");
        (name, nice)
    };
    stats.map(one).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn pages_and_history_give_way_to_the_thread_that_protects() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(folder.path());
    let daemon = Daemon::run(folder.path(), &layout(broker.port));
    let limit = Instant::now() + PATIENCE;
    let mut found = standings(&daemon);
    let own = found.iter().find(|(name, _)| name == "checkrail").expect("the first thread").1;
    let stands_back = |found: &[(String, i32)], part: &str| {
        let mut those = found.iter().filter(|(name, _)| name == part).peekable();
        those.peek().is_some() && those.all(|(_, nice)| *nice == (own + 10).min(LAST))
    };
    let pages = |found: &[(String, i32)]| found.iter().filter(|it| it.0 == "pages").count();
    while !(stands_back(&found, "history") && stands_back(&found, "pages") && 2 < pages(&found)) {
        assert!(Instant::now() < limit, "{found:?}");
        // Answered with a thread of the pages that one of theirs has started.
        daemon.json("/api/v1/faults");
        found = standings(&daemon);
    }
    daemon.kill();
}
