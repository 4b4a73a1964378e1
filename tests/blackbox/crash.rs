//! The built daemon when the worst comes: killed again and again, stopped for a while, its broker paused, its settings
//! changed under it, its disk full, its file descriptors used up.

mod support;

use std::{net::TcpStream, path::Path, process::Command, time::Duration};

use nix::sys::signal::Signal;
use serde_json::{Value, json};
use support::{
    broker::Broker,
    daemon::Daemon,
    node::{Heard, PATIENCE},
    session::{Session, layout},
};
use tokio::time::Instant;

fn east(daemon: &Daemon) -> Value {
    daemon.json("/api/v1/state")["districts"][0].clone()
}

fn faults(daemon: &Daemon) -> Vec<u64> {
    let faults = daemon.json("/api/v1/faults");
    let list = faults["faults"].as_array().cloned().unwrap_or_default();
    list.iter().filter_map(|it| it["fault"].as_u64()).collect()
}

/// Goes on measuring until `holds`.
async fn until(session: &mut Session, what: &str, mut holds: impl FnMut() -> bool) {
    let limit = Instant::now() + PATIENCE;
    while Instant::now() < limit {
        session.measure_for(Duration::from_millis(100)).await;
        if holds() {
            return;
        }
    }
    panic!("never: {what}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_again_and_again_during_faults_it_forgets_nothing_it_announced() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(folder.path());
    let mut seen: Vec<u64> = Vec::new();
    for round in 0..4 {
        let daemon = Daemon::run(folder.path(), &layout(broker.port));
        let known = faults(&daemon);
        assert!(seen.iter().all(|it| known.contains(it)), "round {round}: {seen:?} in {known:?}");
        assert_eq!(round > 0, east(&daemon)["locked_out"] == json!(true), "round {round}");
        let mut session = Session::start(broker.port).await;
        if round == 0 {
            session.short().await;
            until(&mut session, "the fault is listed", || !faults(&daemon).is_empty()).await;
            let locked = || east(&daemon)["locked_out"] == json!(true);
            until(&mut session, "the east is locked out", locked).await;
        } else {
            session.east = 0.0;
            session.measure_for(Duration::from_millis(150 * round)).await;
        }
        let on = session.node.rest().into_iter().find(|it| {
            it.topic.ends_with("/order/district/east/power") && it.body["op"] == json!("on")
        });
        assert!(on.is_none(), "nobody switches it on: {on:?}");
        seen = faults(&daemon);
        // In the middle of whatever it does, the window of the record included.
        daemon.kill();
    }
    assert!(!seen.is_empty());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn told_to_stop_while_a_record_is_open_it_saves_what_there_is() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(folder.path());
    let daemon = Daemon::run(folder.path(), &layout(broker.port));
    let mut session = Session::start(broker.port).await;
    session.short().await;
    // The record's window is open for three seconds from here; the stop waits for two at most.
    let stop = tokio::task::spawn_blocking(move || daemon.terminate());
    session
        .until("the cut of the stop", |heard| {
            heard.topic == "checkrail/crew/order/district/west/power"
        })
        .await;
    let ms = session.ms();
    session.node.measure(ms, &[("district/west/feedback", json!("off"))]).await;
    while !stop.is_finished() {
        session.measure_for(Duration::from_millis(50)).await;
    }
    let status = stop.await.expect("it ends");
    assert!(matches!(status.code(), Some(0 | 3)), "{status}");
    let daemon = Daemon::run(folder.path(), &layout(broker.port));
    let fault = daemon.json("/api/v1/faults/1");
    assert_eq!(fault["district"], json!("east"), "{fault}");
    assert_eq!(fault["complete"], json!(true), "the record is there: {fault}");
    assert_eq!(fault["cut_short"], json!(true), "and says that its end is missing: {fault}");
    assert_eq!(east(&daemon)["locked_out"], json!(true));
    daemon.kill();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn settings_are_taken_over_on_a_hangup_and_bad_ones_are_not() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(folder.path());
    let text = layout(broker.port);
    let daemon = Daemon::run(folder.path(), &text);
    let path = folder.path().join("layout.toml");
    let change = |text: &str| {
        std::fs::write(&path, text).expect("written");
        daemon.signal(Signal::SIGHUP);
    };
    let mut session = Session::start(broker.port).await;
    session.measure_for(Duration::from_millis(400)).await;
    change("schema = 1\n[layout]\nname = 7\n");
    daemon.says("SettingsRefused");
    change(&text.replacen("[district.west]", "[district.vest]", 1).replace("\"west\"", "\"vest\""));
    let line = daemon.says("SettingsRefused");
    assert!(line.contains("district.west") && line.contains("restart"), "{line}");
    change(&format!("{text}\n[protection]\nshort-step = \"4.9 A\"\nhalf-short-after = \"60 s\"\n"));
    daemon.says("SettingsTakenOver");
    session.measure_for(Duration::from_millis(400)).await;
    assert_eq!(east(&daemon)["power"], json!("on"), "supervision went on");
    // With the settings of the start this would be a short within 20 ms.
    session.east = 2.9;
    session.measure_for(Duration::from_millis(300)).await;
    assert_eq!(east(&daemon)["power"], json!("on"), "the new step is in force");
    session.east = 0.4;
    session.measure_for(Duration::from_millis(300)).await;
    change(&text);
    daemon.says("SettingsTakenOver");
    session.short().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn name_and_token_are_taken_over_while_supervision_goes_on() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(folder.path());
    let text = layout(broker.port);
    let daemon = Daemon::run(folder.path(), &text);
    let token = folder.path().join("token");
    let change = |text: &str| {
        std::fs::write(folder.path().join("layout.toml"), text).expect("written");
        daemon.signal(Signal::SIGHUP);
    };
    let mut session = Session::start(broker.port).await;
    session.measure_for(Duration::from_millis(400)).await;
    let hold =
        |token: &str| daemon.http("POST", "/api/v1/hold", Some(token), r#"{"district":"west"}"#).0;
    assert_eq!(hold(&daemon.token), 200);
    let renamed = text.replacen("Fernhollow junction", "Fernhollow yard", 1);
    assert_ne!(renamed, text);
    let renamed =
        format!("{renamed}\n[dashboard]\noperator-token-file = \"{}\"\n", token.display());
    change(&renamed);
    assert!(daemon.says("SettingsRefused").contains("token"), "there is no such file yet");
    assert_eq!(daemon.json("/api/v1/state")["layout"]["name"], json!("Fernhollow junction"));
    std::fs::write(&token, "another-token\n").expect("written");
    change(&renamed);
    daemon.says("SettingsTakenOver");
    assert_eq!(daemon.json("/api/v1/state")["layout"]["name"], json!("Fernhollow yard"));
    assert_eq!(hold(&daemon.token), 401, "the old token opens nothing any more");
    assert_eq!(hold("another-token"), 200);
    session.measure_for(Duration::from_millis(200)).await;
    assert_eq!(east(&daemon)["power"], json!("on"), "supervision went on");
    session.short().await;
    daemon.kill();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn without_file_descriptors_it_cuts_all_the_same() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(folder.path());
    let daemon = Daemon::run(folder.path(), &layout(broker.port));
    let mut session = Session::start(broker.port).await;
    session.measure_for(Duration::from_millis(300)).await;
    let open = std::fs::read_dir(format!("/proc/{}/fd", daemon.pid())).expect("a process").count();
    let limited = Command::new("prlimit")
        .args(["--pid", &daemon.pid().to_string(), &format!("--nofile={open}:")])
        .status();
    assert!(limited.is_ok_and(|it| it.success()), "prlimit is part of every Debian");
    let clients: Vec<_> = (0..20).map(|_| TcpStream::connect(&daemon.address)).collect();
    let order = session.short().await;
    assert_eq!(order.body["op"], "cut");
    drop(clients);
    let raised = format!("--nofile={}:", open + 200);
    let args = ["--pid", &daemon.pid().to_string(), &raised];
    assert!(Command::new("prlimit").args(args).status().is_ok_and(|it| it.success()));
    until(&mut session, "the fault is listed", || !faults(&daemon).is_empty()).await;
}

/// A file system of a megabyte, where this machine lets us have one.
struct Small<'a>(&'a Path);

impl<'a> Small<'a> {
    fn mount(at: &'a Path) -> Option<Self> {
        std::fs::create_dir_all(at).expect("a folder");
        let mut mount = Command::new("mount");
        let mount = mount.args(["-t", "tmpfs", "-o", "size=1m", "none"]).arg(at);
        mount.output().is_ok_and(|it| it.status.success()).then_some(Self(at))
    }
}

impl Drop for Small<'_> {
    fn drop(&mut self) {
        // Lazily: the daemon may still be about to go.
        let _ = Command::new("umount").arg("-l").arg(self.0).status();
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn on_a_full_disk_it_cuts_says_so_and_saves_once_there_is_room() {
    let folder = tempfile::tempdir().expect("a folder");
    let data = folder.path().join("data");
    let small = Small::mount(&data);
    let broker = Broker::start(folder.path());
    let daemon = Daemon::run(folder.path(), &layout(broker.port));
    let mut session = Session::start(broker.port).await;
    session.measure_for(Duration::from_millis(300)).await;
    let ballast = data.join("ballast");
    if small.is_some() {
        // Whatever is left; the write that finds no room is the aim.
        let _ = std::fs::write(&ballast, vec![1; 2 << 20]);
    }
    let order = session.short().await;
    assert_eq!(order.body["op"], "cut", "a cut never waits for a disk");
    if small.is_some() {
        let failing = || daemon.json("/api/v1/alarms").to_string().contains("history-failing");
        until(&mut session, "the alarm that nothing is saved", failing).await;
        std::fs::remove_file(&ballast).expect("it is there");
    }
    let saved = || daemon.json("/api/v1/faults")["faults"][0]["complete"] == json!(true);
    until(&mut session, "the fault is saved", saved).await;
    daemon.kill();
}

/// Says of the east what is not so, for readings that wait: 0 A, and that its relay is off. Then 5 A again.
async fn lie_and_go_on(session: &mut Session) {
    session.east = 0.0;
    let ms = session.ms();
    session.node.measure(ms, &[("district/east/feedback", json!("off"))]).await;
    session.measure_for(Duration::from_millis(500)).await;
    session.east = 5.0;
    let ms = session.ms();
    session.node.measure(ms, &[("district/east/feedback", json!("on"))]).await;
    session.measure_for(Duration::from_millis(1000)).await;
}

/// An order to cut that nobody has obeyed: the current goes on.
async fn disobeyed(session: &mut Session) {
    session.measure_for(Duration::from_millis(400)).await;
    session.east = 5.0;
    let topic = "checkrail/crew/order/district/east/power";
    let order = session.until("the order", |heard| heard.topic == topic).await;
    assert_eq!(order.body["op"], "cut");
}

fn is_east_cut(heard: &Heard) -> bool {
    heard.topic == "checkrail/-/state/district/east/power" && heard.body["v"] == "cut"
}

fn is_order_on(heard: &Heard) -> bool {
    heard.topic.contains("/order/") && heard.body["op"] == "on"
}

/// After the pause: what waited proves nothing and restores nothing; what is measured then does.
async fn nothing_is_believed_late(session: &mut Session) {
    session.measure_for(Duration::from_millis(800)).await;
    let heard = session.node.rest();
    let wrong = heard.iter().find(|it| is_east_cut(it) || is_order_on(it));
    assert!(wrong.is_none(), "readings that waited were believed: {wrong:?}");
    session.east = 0.0;
    let ms = session.ms();
    session.node.measure(ms, &[("district/east/feedback", json!("off"))]).await;
    session.until("the proved cut", is_east_cut).await;
    session.measure_for(Duration::from_millis(300)).await;
    assert!(!session.node.rest().iter().any(is_order_on), "nothing restores itself");
}

/// links.md 5.4 and 5.6: a stopped daemon sends no permits, so that power falls; when it goes on, what waited is late.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn stopped_for_a_while_it_permits_nothing_and_believes_nothing_late() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(folder.path());
    let daemon = Daemon::run(folder.path(), &layout(broker.port));
    let mut session = Session::start(broker.port).await;
    let is_permit = |heard: &Heard| heard.topic == "checkrail/crew/permit";
    session.until("a permit", is_permit).await;
    daemon.signal(Signal::SIGSTOP);
    session.measure_for(Duration::from_millis(300)).await;
    session.node.rest();
    session.measure_for(Duration::from_millis(700)).await;
    assert!(!session.node.rest().iter().any(is_permit), "a stopped daemon permits nothing");
    daemon.signal(Signal::SIGCONT);
    session.until("a permit again", is_permit).await;
    disobeyed(&mut session).await;
    daemon.signal(Signal::SIGSTOP);
    lie_and_go_on(&mut session).await;
    session.node.rest();
    daemon.signal(Signal::SIGCONT);
    nothing_is_believed_late(&mut session).await;
}

/// links.md 5.6: a broker that stands still delivers all at once when it goes on.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_backlog_of_a_paused_broker_proves_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(folder.path());
    let daemon = Daemon::run(folder.path(), &layout(broker.port));
    let mut session = Session::start(broker.port).await;
    disobeyed(&mut session).await;
    broker.signal(Signal::SIGSTOP);
    lie_and_go_on(&mut session).await;
    let silent = || daemon.json("/api/v1/alarms").to_string().contains("reading-stale");
    until(&mut session, "the silence is told", silent).await;
    broker.signal(Signal::SIGCONT);
    nothing_is_believed_late(&mut session).await;
}
