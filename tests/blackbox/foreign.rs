//! The built daemon with devices that speak their own way: CBOR with time and number, plain text, bare words; a foreign
//! relay that is cut, and proved by the current that the layout file names.

mod support;

use std::{fmt::Write as _, time::Duration};

use serde_json::json;
use support::{
    broker::Broker,
    daemon::Daemon,
    fixture,
    node::{Heard, Node, PATIENCE},
};
use tokio::time::{Instant, interval};

const TABLE: &str = r#"
[[links.mqtt.map]]
topic = "shed/+/telemetry"
channel = "district/{1}/current"
encoding = "cbor"
pointer = "/ma"
scale = 0.001
range = [0, 10]
time = "/ts"
seq = "/n"
[[links.mqtt.map]]
topic = "shed/+/text"
channel = "district/{1}/feedback"
regex = 'RELAY=(ON|OFF);'
values = { ON = "on", OFF = "off" }
[[links.mqtt.map]]
topic = "shed/points"
channel = "machine/T1/position"
pointer = ""
values = { "0" = "normal", "1" = "reverse" }
other = "unknown"
[[links.mqtt.out]]
channel = "district/east/power"
topic = "shed/east/relay"
off = '{"relay":0}'
on = '{"relay":1}'
deadman = "external"
proof = { channel = "district/east/current", below = 0.05, within = "800ms" }
"#;

fn layout(port: u16) -> String {
    let mut layout =
        std::fs::read_to_string(fixture("layouts/two-districts.toml")).expect("fixture");
    write!(layout, "\n[links.mqtt]\nbroker = \"mqtt://127.0.0.1:{port}\"\n{TABLE}").expect("text");
    layout
}

/// A device that knows nothing of Checkrail, over the connection of a node.
struct Shed {
    node: Node,
    started: Instant,
    number: u32,
    milliamps: u16,
}

impl Shed {
    /// `{"ts": …, "n": …, "ma": …}` in CBOR (RFC 8949, section 3), written by hand.
    fn telemetry(&mut self) -> Vec<u8> {
        let ms = u32::try_from(self.started.elapsed().as_millis()).expect("a short test");
        self.number += 1;
        let mut bytes = vec![0xa3, 0x62, b't', b's', 0x1a];
        bytes.extend(ms.to_be_bytes());
        bytes.extend([0x61, b'n', 0x1a]);
        bytes.extend(self.number.to_be_bytes());
        bytes.extend([0x62, b'm', b'a', 0x19]);
        bytes.extend(self.milliamps.to_be_bytes());
        bytes
    }

    /// Measures 50 times a second until `wanted` picks a message.
    async fn until(&mut self, what: &str, wanted: impl Fn(&Heard) -> bool) -> Heard {
        let (mut step, limit) = (interval(Duration::from_millis(20)), Instant::now() + PATIENCE);
        while Instant::now() < limit {
            step.tick().await;
            let telemetry = self.telemetry();
            self.node.publish_at("shed/east/telemetry", false, telemetry).await;
            if let Some(heard) = self.node.rest().into_iter().find(&wanted) {
                return heard;
            }
        }
        panic!("never heard: {what}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn devices_of_others_are_measured_cut_and_proved() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(folder.path());
    let daemon = Daemon::run(folder.path(), &layout(broker.port));
    let mut node = Node::connect("shed", broker.port).await;
    node.hear_daemon().await;
    node.also_hear("shed/#").await;
    let mut shed = Shed { node, started: Instant::now(), number: 0, milliamps: 400 };
    shed.node.publish_at("shed/east/text", false, "T=21;RELAY=ON;").await;
    shed.node.publish_at("shed/points", false, "1").await;
    shed.node.publish_at("shed/east/telemetry", false, vec![0xff]).await;
    shed.until("power is on", |heard| {
        heard.topic == "checkrail/-/state/district/east/power" && heard.body["v"] == "on"
    })
    .await;
    let is_reverse = || daemon.json("/api/v1/state").to_string().contains("\"reverse\"");
    let pace = Instant::now() + Duration::from_millis(600);
    shed.until("the turnout lies", |_| pace <= Instant::now() && is_reverse()).await;
    shed.milliamps = 5000;
    let order = shed.until("the order", |heard| heard.topic == "shed/east/relay").await;
    assert_eq!((order.body, order.retained), (json!({ "relay": 0 }), false));
    shed.milliamps = 10;
    shed.node.publish_at("shed/east/text", false, "T=21;RELAY=OFF;").await;
    shed.until("the proved cut", |heard| {
        heard.topic == "checkrail/-/state/district/east/power" && heard.body["v"] == "cut"
    })
    .await;
    // The page's view comes a moment after the message.
    let alarms = || daemon.json("/api/v1/alarms").to_string();
    shed.until("the alarm", |_| alarms().contains("short-circuit")).await;
    assert!(!alarms().contains("cut-failed"), "{}", alarms());
}
