//! `checkrail listen` against a real broker and played nodes on every kind of link: what is live, silent, unknown and
//! malformed, a missing broker, and a running daemon that is not disturbed.

mod support;

use std::{
    fmt::Write as _,
    net::TcpListener,
    process::{Child, Command, Output, Stdio},
    time::Duration,
};

use serde_json::{Value, json};
use support::{
    CHECKRAIL,
    adapter::Adapter,
    broker::{Broker, free_port},
    checkrail,
    daemon::Daemon,
    fixture,
    node::Node,
    pty::Pty,
    text, wired,
};

fn layout(mqtt: &str) -> String {
    let mut layout =
        std::fs::read_to_string(fixture("layouts/two-districts.toml")).expect("fixture");
    write!(layout, "\n[links.mqtt]\n{mqtt}\n").expect("text");
    layout
}

fn at(port: u16) -> String {
    layout(&format!("broker = \"mqtt://127.0.0.1:{port}\""))
}

/// A listener at work; its output is read at its end.
struct Listener(Child);

impl Listener {
    fn start(folder: &std::path::Path, layout: &str, args: &[&str]) -> Self {
        let path = folder.join("listened.toml");
        std::fs::write(&path, layout).expect("layout written");
        let mut command = Command::new(CHECKRAIL);
        command.arg("listen").arg(path).args(args);
        command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        Self(command.spawn().expect("the program starts"))
    }

    async fn end(self) -> Output {
        let ended = tokio::task::spawn_blocking(move || self.0.wait_with_output());
        ended.await.expect("waited for").expect("it ends")
    }
}

fn lines(output: &Output) -> Vec<Value> {
    text(output).lines().map(|line| serde_json::from_str(line).expect("JSON")).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn it_shows_what_is_live_silent_unknown_and_malformed() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(folder.path());
    let mut node = Node::connect("crew", broker.port).await;
    let inputs = [("district/east/current", 50.0), ("district/west/current", 50.0)];
    node.birth(&inputs, &["district/east/power"]).await;
    let args = ["--seconds", "4", "--format", "json"];
    let listener = Listener::start(folder.path(), &at(broker.port), &args);
    let mut beat = tokio::time::interval(Duration::from_millis(20));
    for ms in 0..190_u64 {
        beat.tick().await;
        node.measure(ms * 20, &[("district/east/current", json!(0.812))]).await;
        match ms {
            100 => node.number += 3,
            110 => node.publish("reading/district/nowhere/current", false, "1").await,
            120 => node.publish("set", false, "{\"v\":").await,
            130 => node.publish("sets", false, "{}").await,
            _ => {}
        }
    }
    let output = listener.end().await;
    let said = lines(&output);
    let find = |key: &str, value: &str| {
        let found = said.iter().rev().find(|it| it[key] == value);
        found.unwrap_or_else(|| panic!("{key} {value}: {}", text(&output))).clone()
    };
    let east = find("channel", "district/east/current");
    assert_eq!((&east["quality"], &east["node"]), (&json!("good"), &json!("crew")));
    let rate = east["hz"].as_f64().expect("a rate");
    assert!((20.0..=60.0).contains(&rate), "{east}");
    assert_eq!(find("event", "born")["node"], "crew");
    assert_eq!(find("link", "mqtt")["up"], true);
    for (source, what) in [
        ("checkrail/crew/reading/district/nowhere/current", "no input of the layout"),
        ("checkrail/crew/set", "not JSON"),
        ("checkrail/crew/sets", "no rule names"),
    ] {
        let bad = find("unusable", source);
        assert!(bad["what"].as_str().is_some_and(|it| it.contains(what)), "{bad}");
    }
    let summary = &said.last().expect("a sum")["summary"];
    assert_eq!(summary["never-seen"], json!(["district/west/current"]));
    assert_eq!((&summary["missing"], &summary["unusable"]), (&json!(3), &json!(3)));
    assert_eq!(output.status.code(), Some(1), "something is to be mended");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_running_daemon_is_not_disturbed() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(folder.path());
    let daemon = Daemon::run(folder.path(), &at(broker.port));
    let mut node = Node::connect("crew", broker.port).await;
    node.hear_daemon().await;
    node.rest();
    let output = Listener::start(folder.path(), &at(broker.port), &["--seconds", "2"]).end().await;
    assert!(text(&output).contains("0 live channels"), "{}", text(&output));
    // A client of the same name would have thrown the daemon out: its last will and its return would be heard.
    let heard = node.rest();
    let ours = heard.iter().filter(|it| {
        it.topic.contains("/order/")
            || it.topic.ends_with("/permit")
            || it.topic.ends_with("/cut")
            || it.topic.ends_with("/daemon")
    });
    assert_eq!(ours.count(), 0, "the listener said something: {heard:?}");
    daemon.kill();
}

#[test]
fn a_missing_broker_and_adapter_are_told_with_what_to_do() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("layout.toml");
    let adapter = format!("tcp = \"127.0.0.1:{}\"\nnode-id = \"03.00.12.34.56.01\"", free_port());
    let both = format!("{}[links.lcc.club]\n{adapter}\n", at(free_port()));
    std::fs::write(&path, both).expect("written");
    let path = path.to_str().expect("a path");
    let output = checkrail(&["listen", path, "--seconds", "4"]);
    let errors = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(errors.contains("link mqtt") && errors.contains("is the broker running"), "{errors}");
    assert!(errors.contains("link club") && errors.contains("adapter listen there"), "{errors}");
    assert!(text(&output).contains("down: "), "{}", text(&output));
    assert_eq!(output.status.code(), Some(1));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_layouts_own_broker_is_brought_or_shared() {
    let folder = tempfile::tempdir().expect("a folder");
    let port = free_port();
    let own = layout(&format!("embedded = \"127.0.0.1:{port}\""));
    let args = ["--seconds", "2"];
    let alone = Listener::start(folder.path(), &own, &args).end().await;
    let said = String::from_utf8_lossy(&alone.stderr).into_owned();
    assert!(said.contains("no broker runs") && said.contains("before `checkrail run`"), "{said}");
    assert_eq!(alone.status.code(), Some(0), "nothing to mend: {}", text(&alone));
    let daemon = Daemon::run(folder.path(), &own);
    let beside = Listener::start(folder.path(), &own, &args).end().await;
    let said = String::from_utf8_lossy(&beside.stderr).into_owned();
    assert!(said.contains("listening at the broker that runs"), "{said}");
    assert_eq!(beside.status.code(), Some(0), "{}", text(&beside));
    daemon.kill();
}

#[test]
fn a_layout_without_links_is_told() {
    let path = fixture("layouts/two-districts.toml");
    let output = checkrail(&["listen", path.to_str().expect("a path"), "--seconds", "1"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("names no link"));
}

/// A listener alone on a wire, to its end.
async fn on_a_wire(link: &str, seconds: &str) -> Vec<Value> {
    let folder = tempfile::tempdir().expect("a folder");
    let mut text = std::fs::read_to_string(fixture("layouts/two-districts.toml")).expect("fixture");
    write!(text, "\n{link}").expect("text");
    let args = ["--seconds", seconds, "--format", "json"];
    let output = Listener::start(folder.path(), &text, &args).end().await;
    let errors = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(1), "something is to be mended: {errors}");
    lines(&output)
}

/// The last line with this in it.
fn last<'s>(said: &'s [Value], key: &str, value: &str) -> &'s Value {
    let found = said.iter().rev().find(|it| it[key] == value);
    found.unwrap_or_else(|| panic!("{key} {value}: {said:#?}"))
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_node_on_a_serial_line_is_shown_with_what_nobody_can_use() {
    let line = Pty::open();
    wired::line_node(line.copy());
    let link = format!("[links.serial.bench]\ndevice = \"{}\"\n", line.device);
    let said = on_a_wire(&link, "4").await;
    assert_eq!(last(&said, "link", "bench")["up"], true);
    let born = last(&said, "event", "born");
    assert_eq!((&born["node"], &born["transport"]), (&json!("bench"), &json!("serial")));
    // On a busy machine one or the other is late.
    let mut east = said.iter().filter(|it| it["channel"] == "district/east/current");
    assert!(east.any(|it| it["quality"] == "good" && it["value"] == 0.812), "{said:#?}");
    assert_eq!(last(&said, "channel", "machine/T1/position")["value"], "normal");
    let unusable: Vec<_> = said.iter().filter(|it| it.get("unusable").is_some()).collect();
    assert!(!unusable.is_empty(), "channel 7 is none of its table: {said:#?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn modbus_units_are_asked_and_what_they_refuse_is_told() {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = listener.local_addr().expect("its address");
    wired::modbus_gateway(listener);
    let unit = |address: u8, label: &str, points: &str| {
        format!(
            "[[links.modbus.shed.unit]]\naddress = {address}\nlabel = \"{label}\"\npoints = [{points}]\n"
        )
    };
    let point = |channel: &str, at: u16| {
        format!("{{ channel = \"{channel}\", fn = 4, addr = {at}, scale = 0.001 }},")
    };
    let link = format!("[links.modbus.shed]\ntcp = \"{address}\"\n")
        + &unit(1, "meter", &(point("district/east/current", 2) + &point("block/e1/current", 40)))
        + &unit(2, "nobody", &point("district/west/current", 0));
    let said = on_a_wire(&link, "4").await;
    assert_eq!(last(&said, "link", "shed")["up"], true);
    let born = said.iter().filter(|it| it["event"] == "born");
    assert!(born.clone().any(|it| it["node"] == "meter"), "{:?}", born.collect::<Vec<_>>());
    let east = last(&said, "channel", "district/east/current");
    assert_eq!((&east["quality"], &east["value"]), (&json!("good"), &json!(0.812)));
    let refused = last(&said, "unusable", "meter (shed 1)");
    let what = refused["what"].as_str().unwrap_or_default();
    assert!(what.contains("function 4 at 40") && what.contains("illegal"), "{refused}");
    let summary = &said.last().expect("a sum")["summary"];
    assert_eq!(summary["nodes-lost"], json!(["nobody"]), "{summary}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn events_of_an_lcc_bus_are_heard_without_a_word() {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = listener.local_addr().expect("its address");
    let link = format!(
        "[links.lcc.club]\ntcp = \"{address}\"\nnode-id = \"03.00.12.34.56.01\"\n[[links.lcc.club.in]]\n\
         event = \"05.01.01.01.22.00.00.11\"\nchannel = \"machine/T1/position\"\nvalue = \"reverse\"\n"
    );
    let bus = std::thread::spawn(move || {
        let (mut adapter, stream) = Adapter::accept(&listener);
        adapter.says(":X107012C5N050101012200;\n:X195B42C5N0501010122000011;\njunk:X195B4;\n");
        (adapter, stream)
    });
    let said = on_a_wire(&link, "3").await;
    assert_eq!(last(&said, "link", "club")["up"], true);
    let position = last(&said, "channel", "machine/T1/position");
    assert_eq!(position["value"], "reverse");
    let (adapter, _stream) = bus.join().expect("a connection");
    assert_eq!(
        *adapter.said.lock().expect("whole"),
        "",
        "a listener has no alias and says nothing"
    );
}
