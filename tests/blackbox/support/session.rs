//! A crew with a node of its own: measures two districts, shorts one, obeys.

use std::{fmt::Write as _, time::Duration};

use serde_json::json;
use tokio::time::{Instant, interval};

use super::{
    fixture,
    node::{Heard, Node, PATIENCE},
};

const INPUTS: [(&str, f64); 6] = [
    ("district/east/current", 50.0),
    ("district/west/current", 50.0),
    ("booster/main/current", 50.0),
    ("block/e1/current", 50.0),
    ("block/e2/current", 50.0),
    ("block/w1/current", 50.0),
];

const OUTPUTS: [&str; 3] = ["district/east/power", "district/west/power", "booster/main/power"];

pub fn layout(port: u16) -> String {
    let mut layout =
        std::fs::read_to_string(fixture("layouts/two-districts.toml")).expect("fixture");
    write!(layout, "\n[links.mqtt]\nbroker = \"mqtt://127.0.0.1:{port}\"\n").expect("text");
    layout
}

/// A simulated crew: publishes every 10 ms, until `until` hears what it waits for.
pub struct Session {
    pub node: Node,
    started: Instant,
    pub east: f64,
}

impl Session {
    pub async fn start(port: u16) -> Self {
        let mut node = Node::connect("crew", port).await;
        node.hear_daemon().await;
        let mut inputs = INPUTS.to_vec();
        inputs.extend([("district/east/feedback", 0.0), ("district/west/feedback", 0.0)]);
        inputs.extend(["T1", "T2", "T3"].map(|it| match it {
            "T1" => ("machine/T1/position", 0.0),
            "T2" => ("machine/T2/position", 0.0),
            _ => ("machine/T3/position", 0.0),
        }));
        node.birth(&inputs, &OUTPUTS).await;
        let mut session = Self { node, started: Instant::now(), east: 0.4 };
        let ms = session.ms();
        session
            .node
            .measure(
                ms,
                &[
                    ("district/east/feedback", json!("on")),
                    ("district/west/feedback", json!("on")),
                    ("machine/T1/position", json!("normal")),
                    ("machine/T2/position", json!("normal")),
                    ("machine/T3/position", json!("normal")),
                ],
            )
            .await;
        session
    }

    pub fn ms(&self) -> u64 {
        u64::try_from(self.started.elapsed().as_millis()).unwrap_or(0)
    }

    pub async fn measure(&mut self) {
        let east = self.east;
        let ms = self.ms();
        self.node
            .measure(
                ms,
                &[
                    ("district/east/current", json!(east)),
                    ("block/e1/current", json!(east)),
                    ("block/e2/current", json!(0.0)),
                    ("district/west/current", json!(0.0)),
                    ("block/w1/current", json!(0.0)),
                    ("booster/main/current", json!(east)),
                ],
            )
            .await;
    }

    /// Goes on measuring until a message that `wanted` picks arrives.
    pub async fn until(&mut self, what: &str, wanted: impl Fn(&Heard) -> bool) -> Heard {
        let mut step = interval(Duration::from_millis(10));
        let limit = Instant::now() + PATIENCE;
        while Instant::now() < limit {
            step.tick().await;
            self.measure().await;
            if let Some(heard) = self.node.rest().into_iter().find(&wanted) {
                return heard;
            }
        }
        panic!("never heard: {what}");
    }

    pub async fn measure_for(&mut self, span: Duration) {
        let mut step = interval(Duration::from_millis(10));
        let limit = Instant::now() + span;
        while Instant::now() < limit {
            step.tick().await;
            self.measure().await;
        }
    }

    /// A short in the east, and the cut that it causes.
    pub async fn short(&mut self) -> Heard {
        self.measure_for(Duration::from_millis(600)).await;
        self.east = 5.0;
        let order = self
            .until("the order", |heard| heard.topic == "checkrail/crew/order/district/east/power")
            .await;
        let (id, ms) = (order.body["id"].clone(), self.ms());
        let ack = json!({"id": id, "r": "ok"}).to_string();
        self.node.publish("ack/district/east/power", false, &ack).await;
        self.east = 0.0;
        self.node.measure(ms, &[("district/east/feedback", json!("off"))]).await;
        order
    }
}
