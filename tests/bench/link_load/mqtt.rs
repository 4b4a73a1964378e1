//! MQTT: through mosquitto, and through the broker that Checkrail brings.

use std::{
    collections::BTreeMap,
    fs,
    net::TcpListener,
    path::Path,
    process::{Child, Command, Stdio},
    time::{Duration, Instant},
};

use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, NetworkOptions, Packet, QoS};
use serde_json::json;
use tokio::{
    sync::mpsc,
    task::JoinHandle,
    time::{interval, sleep, sleep_until, timeout},
};

use super::{BOOT, CHANNELS, Daemon, EVENTS, HERTZ, NODES, Run, SPACING, layout, schedule};

type Heard = mpsc::UnboundedReceiver<(Instant, String, Vec<u8>)>;

pub(crate) async fn mosquitto() -> Run {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(folder.path());
    let floor = echo(broker.port).await;
    let links = format!("[links.mqtt]\nbroker = \"mqtt://127.0.0.1:{}\"", broker.port);
    let daemon = Daemon::run(folder.path(), &layout(&links));
    let (ours, processor) = cuts(broker.port, &daemon).await;
    Run { floor, ours, processor }
}

/// The bare echo goes through the same broker, in the program that stands by.
pub(crate) async fn embedded() -> Run {
    let folder = tempfile::tempdir().expect("a folder");
    let port = free_port();
    let links = format!("[links.mqtt]\nembedded = \"127.0.0.1:{port}\"");
    let daemon = Daemon::run(folder.path(), &layout(&links));
    let floor = echo(port).await;
    let (ours, processor) = cuts(port, &daemon).await;
    Run { floor, ours, processor }
}

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

/// Polls a connection and hands every message on, with the instant of its arrival.
fn listen(mut eventloop: EventLoop) -> Heard {
    let (sender, receiver) = mpsc::unbounded_channel();
    tokio::spawn(async move {
        loop {
            match eventloop.poll().await {
                Ok(Event::Incoming(Packet::Publish(it))) => {
                    let heard = (Instant::now(), it.topic, it.payload.to_vec());
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

/// The nodes that go on measuring while others are shorted.
async fn background(port: u16, root: &str) -> JoinHandle<()> {
    let (client, eventloop) = connect(&format!("rest-{root}"), port, &[]).await;
    let heard = listen(eventloop);
    for node in 0..NODES {
        let channels: BTreeMap<String, _> =
            names(node).map(|name| (name, json!({ "hz": HERTZ }))).collect();
        let birth = json!({ "id": format!("n{node}"), "boot": BOOT, "channels": channels });
        let topic = format!("{root}/n{node}/birth");
        client.publish(topic, QoS::AtLeastOnce, false, birth.to_string()).await.expect("sent");
    }
    let root = root.to_owned();
    tokio::spawn(async move {
        let _heard = heard;
        let mut beat = interval(Duration::from_secs(1) / HERTZ);
        for number in 0_u32.. {
            beat.tick().await;
            for node in 0..NODES {
                let values: BTreeMap<String, f64> =
                    names(node).map(|name| (name, f64::from(number % 7) / 100.0)).collect();
                let set =
                    json!({ "b": BOOT, "n": number, "ms": number * (1000 / HERTZ), "v": values });
                let topic = format!("{root}/n{node}/set");
                let sent = client.publish(topic, QoS::AtMostOnce, false, set.to_string()).await;
                if sent.is_err() {
                    return;
                }
            }
        }
    })
}

fn names(node: usize) -> impl Iterator<Item = String> {
    (0..CHANNELS).map(move |channel| format!("block/n{node}c{channel}/current"))
}

/// A client that hears the background too, and publishes every question back.
async fn echo(port: u16) -> Vec<Duration> {
    let (back, mut eventloop) = connect("echo-back", port, &["floor/#"]).await;
    let answering = tokio::spawn(async move {
        loop {
            match eventloop.poll().await {
                Ok(Event::Incoming(Packet::Publish(it))) if it.topic.starts_with("floor/ask") => {
                    let topic = it.topic.replacen("floor/ask", "answer", 1);
                    let _ = back.try_publish(topic, QoS::AtLeastOnce, false, it.payload);
                }
                Ok(_) => {}
                Err(_) => sleep(Duration::from_millis(50)).await,
            }
        }
    });
    let background = background(port, "floor").await;
    let (client, eventloop) = connect("echo-ask", port, &["answer/#"]).await;
    let mut heard = listen(eventloop);
    let mut times = Vec::new();
    for event in 0..EVENTS {
        let sent = Instant::now();
        let body = json!({ "v": 5.0, "n": event, "ms": event, "b": BOOT }).to_string();
        let topic = format!("floor/ask/{event}");
        client.publish(topic, QoS::AtMostOnce, false, body).await.expect("sent");
        if let Ok(Some((at, _, _))) = timeout(Duration::from_secs(1), heard.recv()).await {
            times.push(at - sent);
        }
        sleep(SPACING).await;
    }
    background.abort();
    answering.abort();
    times
}

async fn cuts(port: u16, daemon: &Daemon) -> (Vec<Duration>, f64) {
    let (client, eventloop) = connect("bench", port, &["checkrail/bench/order/#"]).await;
    let mut heard = listen(eventloop);
    // Asked for once somebody listens: it stands already, and comes at once.
    client.subscribe("checkrail/-/daemon", QoS::AtLeastOnce).await.expect("sent");
    while let Some((_, topic, body)) = heard.recv().await {
        if topic.ends_with("/daemon") && String::from_utf8_lossy(&body).contains("true") {
            break;
        }
    }
    let mut channels = serde_json::Map::new();
    for at in 0..EVENTS {
        channels.insert(format!("district/d{at}/current"), json!({ "hz": 20 }));
        channels.insert(format!("district/d{at}/power"), json!({ "out": true }));
    }
    let birth = json!({ "id": "bench", "boot": BOOT, "permit_ms": 3000, "channels": channels });
    let (topic, qos) = ("checkrail/bench/birth", QoS::AtLeastOnce);
    client.publish(topic, qos, true, birth.to_string()).await.expect("sent");
    let background = background(port, "checkrail").await;
    sleep(Duration::from_secs(1)).await;
    let processor = daemon.processor();
    let mut sent: Vec<Option<Instant>> = vec![None; EVENTS];
    let mut times = Vec::new();
    let start = Instant::now();
    for (number, (at, step)) in schedule().into_iter().enumerate() {
        sleep_until((start + at).into()).await;
        let topic = format!("checkrail/bench/reading/district/d{}/current", step.district);
        if step.decides {
            sent[step.district] = Some(Instant::now());
        }
        let amps = f64::from(step.milliamps) / 1e3;
        let body = json!({ "v": amps, "n": number, "ms": at.as_millis(), "b": BOOT }).to_string();
        client.publish(topic, QoS::AtMostOnce, false, body).await.expect("sent");
        while let Ok(message) = heard.try_recv() {
            take(&message, &mut sent, &mut times);
        }
    }
    let share = processor.share();
    background.abort();
    while let Ok(Some(message)) = timeout(Duration::from_secs(1), heard.recv()).await {
        take(&message, &mut sent, &mut times);
    }
    (times, share)
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
