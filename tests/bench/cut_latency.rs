//! From a sensor's message to the order that it causes, through a real broker on loopback, beside the floor: a bare
//! client that subscribes and publishes back through the same broker in the same run.
//!
//! `cargo bench --bench cut_latency` (needs mosquitto). Two thousand districts, each behind a booster of its own, short
//! one after the other, five milliseconds apart; every cut is decided by that district's second sample above pick-up.
//! Times are from the publish of the deciding message to the arrival of the order. All clients and the broker set
//! TCP_NODELAY. Between events the layout's other readings go on.

#![allow(clippy::print_stdout, reason = "a bench prints its table")]

use std::{
    collections::BTreeMap,
    fmt::Write as _,
    fs,
    net::TcpListener,
    path::Path,
    process::{Child, Command, Stdio},
    time::{Duration, Instant},
};

use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, NetworkOptions, Packet, QoS};
use serde_json::{Value, json};
use tokio::{sync::mpsc, time::sleep};

const EVENTS: usize = 2000;
const SPACING: Duration = Duration::from_millis(5);
const BOOT: &str = "9c41";

fn main() {
    let runtime =
        tokio::runtime::Builder::new_multi_thread().enable_all().build().expect("runtime");
    runtime.block_on(measure());
}

async fn measure() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(folder.path());
    let floor = echo(broker.port).await;
    let ours = cuts(broker.port, folder.path()).await;
    println!("{EVENTS} events, one every {} ms, QoS 0 readings\n", SPACING.as_millis());
    println!("{:<44} {:>9} {:>9} {:>9}", "microseconds", "p50", "p99", "max");
    let floor_p99 = report("bare echo: publish, broker, client, broker", &floor);
    let ours_p99 = report("Checkrail: reading, supervisor, order", &ours);
    println!("\np99 against the floor of this run: {:.2}", ours_p99 / floor_p99);
}

fn report(name: &str, times: &[Duration]) -> f64 {
    let mut micros: Vec<f64> = times.iter().map(|time| time.as_secs_f64() * 1e6).collect();
    micros.sort_by(f64::total_cmp);
    let at = |share: f64| micros[((micros.len() - 1) as f64 * share).round() as usize];
    println!("{name:<44} {:>9.0} {:>9.0} {:>9.0}", at(0.5), at(0.99), at(1.0));
    if times.len() < EVENTS {
        println!("  only {} of {EVENTS} arrived", times.len());
    }
    at(0.99)
}

/// A broker of the run's own, killed by its own handle.
struct Broker {
    child: Child,
    port: u16,
}

impl Broker {
    fn start(folder: &Path) -> Self {
        let port = free_port();
        let config = folder.join("broker.conf");
        let text = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\nmax_queued_messages 0\n"
        );
        fs::write(&config, text).expect("configuration written");
        let child = Command::new("mosquitto")
            .arg("-c")
            .arg(config)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto is installed");
        Self { child, port }
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").and_then(|it| it.local_addr()).expect("a free port").port()
}

async fn connect(id: &str, port: u16, filters: &[&str]) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new(id, "127.0.0.1", port);
    options.set_max_packet_size(1024 * 1024, 1024 * 1024);
    let (client, mut eventloop) = AsyncClient::new(options, 4096);
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    eventloop.set_network_options(network);
    let mut subscribed = 0;
    loop {
        match eventloop.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => {
                for filter in filters {
                    client.try_subscribe(*filter, QoS::AtLeastOnce).expect("room");
                }
                if filters.is_empty() {
                    return (client, eventloop);
                }
            }
            Ok(Event::Incoming(Packet::SubAck(_))) => {
                subscribed += 1;
                if subscribed == filters.len() {
                    return (client, eventloop);
                }
            }
            Ok(_) => {}
            Err(_) => sleep(Duration::from_millis(50)).await,
        }
    }
}

/// Polls a connection and hands every message to `heard`, with the instant of its arrival.
fn listen(mut eventloop: EventLoop) -> mpsc::UnboundedReceiver<(Instant, String, Vec<u8>)> {
    let (sender, receiver) = mpsc::unbounded_channel();
    tokio::spawn(async move {
        loop {
            match eventloop.poll().await {
                Ok(Event::Incoming(Packet::Publish(publish))) => {
                    let heard = (Instant::now(), publish.topic, publish.payload.to_vec());
                    if sender.send(heard).is_err() {
                        return;
                    }
                }
                Ok(_) => {}
                Err(_) => sleep(Duration::from_millis(50)).await,
            }
        }
    });
    receiver
}

async fn echo(port: u16) -> Vec<Duration> {
    let (back, mut eventloop) = connect("echo-back", port, &["floor/ask/#"]).await;
    tokio::spawn(async move {
        loop {
            match eventloop.poll().await {
                Ok(Event::Incoming(Packet::Publish(publish))) => {
                    let topic = publish.topic.replacen("ask", "answer", 1);
                    let _ = back.try_publish(topic, QoS::AtLeastOnce, false, publish.payload);
                }
                Ok(_) => {}
                Err(_) => sleep(Duration::from_millis(50)).await,
            }
        }
    });
    let (client, eventloop) = connect("echo-ask", port, &["floor/answer/#"]).await;
    let mut heard = listen(eventloop);
    let mut sent = BTreeMap::new();
    let mut times = Vec::new();
    for event in 0..EVENTS {
        sent.insert(format!("floor/answer/{event}"), Instant::now());
        let body = reading(5.0, event as u64).to_string();
        client
            .publish(format!("floor/ask/{event}"), QoS::AtMostOnce, false, body)
            .await
            .expect("sent");
        sleep(SPACING).await;
        while let Ok((at, topic, _)) = heard.try_recv() {
            times.extend(sent.remove(&topic).map(|sent| at - sent));
        }
    }
    while let Ok(Some((at, topic, _))) =
        tokio::time::timeout(Duration::from_secs(1), heard.recv()).await
    {
        times.extend(sent.remove(&topic).map(|sent| at - sent));
    }
    times
}

fn reading(amps: f64, number: u64) -> Value {
    json!({"v": amps, "n": number, "ms": number, "b": BOOT})
}

fn layout(port: u16) -> String {
    let mut text = format!(
        "schema = 1\n[layout]\nname = \"Two thousand districts\"\n[links.mqtt]\nbroker = \"mqtt://127.0.0.1:{port}\"\n"
    );
    for at in 0..EVENTS {
        let _ = write!(
            text,
            "[booster.b{at}]\nvolts = \"15 V\"\nlimit = \"5 A\"\n[district.d{at}]\nbooster = \"b{at}\"\ncut = true\n\
             breaker = {{ kind = \"electronic\", trip = \"3 A\", delay = \"200 ms\" }}\n"
        );
    }
    text
}

/// What the bench node does next with one district.
#[derive(Clone, Copy)]
struct Step {
    district: usize,
    amps: f64,
    decides: bool,
}

/// Each district: three quiet samples, then two at 5 A, 25 ms apart; the second decides.
fn schedule() -> Vec<(Duration, Step)> {
    let mut steps = Vec::new();
    for district in 0..EVENTS {
        let start = SPACING * district as u32;
        for (at, amps, decides) in
            [(0, 0.3, false), (10, 0.3, false), (20, 0.3, false), (30, 5.0, false), (55, 5.0, true)]
        {
            steps.push((start + Duration::from_millis(at), Step { district, amps, decides }));
        }
        // After the cut: nothing flows, in two samples.
        for at in [85, 95, 105] {
            steps.push((
                start + Duration::from_millis(at),
                Step { district, amps: 0.0, decides: false },
            ));
        }
    }
    steps.sort_by_key(|(at, _)| *at);
    steps
}

async fn cuts(port: u16, folder: &Path) -> Vec<Duration> {
    let path = folder.join("layout.toml");
    fs::write(&path, layout(port)).expect("layout written");
    let mut daemon = Command::new(env!("CARGO_BIN_EXE_checkrail"))
        .arg("run")
        .arg(&path)
        .args(["--listen", "127.0.0.1:0", "--data"])
        .arg(folder.join("data"))
        .env("CHECKRAIL_LOG", "error")
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    let times = drive(port).await;
    let _ = daemon.kill();
    let _ = daemon.wait();
    times
}

async fn drive(port: u16) -> Vec<Duration> {
    let filters = ["checkrail/bench/order/#", "checkrail/-/daemon"];
    let (client, eventloop) = connect("bench", port, &filters).await;
    let mut heard = listen(eventloop);
    while let Some((_, topic, body)) = heard.recv().await {
        if topic.ends_with("/daemon") && String::from_utf8_lossy(&body).contains("true") {
            break;
        }
    }
    let mut channels = serde_json::Map::new();
    for at in 0..EVENTS {
        channels.insert(format!("district/d{at}/current"), json!({"hz": 20}));
        channels.insert(format!("district/d{at}/power"), json!({"out": true}));
    }
    let birth = json!({"id": "bench", "boot": BOOT, "permit_ms": 3000, "channels": channels});
    client
        .publish("checkrail/bench/birth", QoS::AtLeastOnce, true, birth.to_string())
        .await
        .expect("sent");
    sleep(Duration::from_millis(500)).await;
    let mut sent: Vec<Option<Instant>> = vec![None; EVENTS];
    let mut times = Vec::new();
    let start = Instant::now();
    let mut number = 0_u64;
    for (at, step) in schedule() {
        tokio::time::sleep_until((start + at).into()).await;
        number += 1;
        let topic = format!("checkrail/bench/reading/district/d{}/current", step.district);
        if step.decides {
            sent[step.district] = Some(Instant::now());
        }
        let body = reading(step.amps, number).to_string();
        client.publish(topic, QoS::AtMostOnce, false, body).await.expect("sent");
        while let Ok(message) = heard.try_recv() {
            take(&message, &mut sent, &mut times);
        }
    }
    while let Ok(Some(message)) = tokio::time::timeout(Duration::from_secs(1), heard.recv()).await {
        take(&message, &mut sent, &mut times);
    }
    times
}

/// The first order for a district ends its measurement.
fn take(
    (at, topic, _): &(Instant, String, Vec<u8>),
    sent: &mut [Option<Instant>],
    times: &mut Vec<Duration>,
) {
    let district = topic
        .strip_prefix("checkrail/bench/order/district/d")
        .and_then(|rest| rest.strip_suffix("/power"))
        .and_then(|number| number.parse::<usize>().ok());
    if let Some(sent) = district.and_then(|district| sent[district].take()) {
        times.push(at.saturating_duration_since(sent));
    }
}
