//! Time from a sensor's message to the order that answers it, by way of this crate, beside the bare round trip of the same
//! broker in the same run: `cargo run --release -p links --example echo_latency -- [COUNT] [PER_SECOND] [PORT]`.
//!
//! Without PORT a mosquitto of its own is started on a free port of the loopback. The three figures are of
//! the same messages, one after the other: sensor → broker → sensor (echo), and sensor → broker → links → broker → sensor,
//! where the "supervisor" orders a cut for every reading and does nothing else, with QoS 0 and QoS 1 readings. Orders are
//! QoS 1 as always.

#[path = "../tests/support/broker.rs"]
#[allow(dead_code, reason = "a part of it is used here")]
mod broker;
#[path = "../tests/support/layout.rs"]
mod layout;

/// What `broker` expects beside it.
mod bench {
    use std::time::Duration;

    pub(crate) const PATIENCE: Duration = Duration::from_secs(15);
}

use std::{
    io::Write,
    sync::Arc,
    time::{Duration, Instant},
};

use broker::{Mosquitto, Peer, at, free_port, mqtt};
use links::{Options, Tick};
use rumqttc::QoS;
use supervision::{
    cause::Cause,
    input::{Input, OrderId},
    output::{Action, Order},
};

const READING: &str = "checkrail/yard/reading/district/quarry/current";

#[tokio::main]
async fn main() {
    let mut arguments = std::env::args().skip(1).map(|it| it.parse::<u32>().expect("a number"));
    let count = arguments.next().unwrap_or(2000);
    let per_second = arguments.next().unwrap_or(200).max(1);
    let port = arguments.next().map(|it| u16::try_from(it).expect("a port"));
    let own = match port {
        Some(_) => None,
        None => Some(Mosquitto::start(free_port()).await.expect("mosquitto is installed")),
    };
    let port = port.or(own.as_ref().map(|it| it.port)).expect("one of them");
    let pause = Duration::from_secs(1) / per_second;
    let mut out = std::io::stdout().lock();
    for (name, qos) in [("QoS 0", QoS::AtMostOnce), ("QoS 1", QoS::AtLeastOnce)] {
        let mut peer = Peer::connect(port, "echo", &["echo"]).await;
        let bare = measure(&mut peer, "echo", qos, count, pause).await;
        drop(peer);
        let cut = through_links(port, qos, count, pause).await;
        writeln!(out, "{name} bare echo        {}", figures(bare)).expect("written");
        writeln!(out, "{name} reading to order {}", figures(cut)).expect("written");
    }
}

/// The same round trip by way of this crate.
async fn through_links(port: u16, qos: QoS, count: u32, pause: Duration) -> Vec<Duration> {
    let (channels, tick) = (layout::channels(), Tick::new());
    let power = channels.find("district/quarry/power").expect("a channel");
    let options = Options { run: 1, version: "0".to_owned() };
    let (links, mut arrivals) = links::start(&mqtt(at(port)), Arc::clone(&channels), tick, options)
        .await
        .expect("good settings");
    while !links.status()[0].up {
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    let links = Arc::new(links);
    let answering = Arc::clone(&links);
    let answer = tokio::spawn(async move {
        let mut id = 0;
        while let Some(arrived) = arrivals.recv().await {
            if let Input::Reading(_) = arrived.input {
                id += 1;
                let (action, cause) = (Action::Cut, Cause::Operator);
                let order = Order {
                    id: OrderId(id),
                    channel: power,
                    action,
                    cause,
                    fault: None,
                    attempt: 1,
                };
                answering.order(&order);
            }
        }
    });
    let mut peer = Peer::connect(port, "sensor", &["checkrail/-/order/#"]).await;
    let times = measure(&mut peer, READING, qos, count, pause).await;
    answer.abort();
    times
}

async fn measure(
    peer: &mut Peer,
    topic: &str,
    qos: QoS,
    count: u32,
    pause: Duration,
) -> Vec<Duration> {
    let mut times = Vec::new();
    for number in 0..count {
        while peer.messages.try_recv().is_ok() {}
        let payload = format!(r#"{{"v":2.31,"n":{number},"ms":{},"b":"9c41"}}"#, number * 5);
        let sent = Instant::now();
        peer.client.publish(topic, qos, false, payload).await.expect("room");
        let heard = tokio::time::timeout(Duration::from_secs(5), peer.messages.recv()).await;
        heard.expect("an answer").expect("connected");
        times.push(sent.elapsed());
        tokio::time::sleep(pause.saturating_sub(sent.elapsed())).await;
    }
    times
}

fn figures(mut times: Vec<Duration>) -> String {
    times.sort_unstable();
    let at = |share: usize| times[(times.len() - 1) * share / 1000].as_micros();
    let most = times.last().expect("some").as_micros();
    format!("n {:>5}  p50 {:>6} us  p99 {:>6} us  max {most:>6} us", times.len(), at(500), at(990))
}
