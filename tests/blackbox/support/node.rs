//! A node of the test's own: what a sensor and actuator node says and hears over MQTT.

use std::time::Duration;

use rumqttc::{AsyncClient, Event, LastWill, MqttOptions, NetworkOptions, Packet, QoS};
use serde_json::{Map, Value, json};
use tokio::{sync::mpsc, task::JoinHandle, time::timeout};

/// How long a test waits for something that must come.
pub const PATIENCE: Duration = Duration::from_secs(20);

/// A message that arrived.
#[derive(Clone, Debug)]
pub struct Heard {
    /// Topic.
    pub topic: String,
    /// Payload as JSON; null when it is none.
    pub body: Value,
    /// The retain flag.
    pub retained: bool,
}

/// A connected node.
pub struct Node {
    name: String,
    boot: String,
    client: AsyncClient,
    task: JoinHandle<()>,
    heard: mpsc::UnboundedReceiver<Heard>,
    /// Number of the newest set; a test that adds to it leaves a gap.
    pub number: u32,
}

impl Node {
    /// Connects and subscribes to its own orders and to all that Checkrail publishes.
    pub async fn connect(name: &str, port: u16) -> Self {
        let mut options = MqttOptions::new(name, "127.0.0.1", port);
        options.set_max_packet_size(1024 * 1024, 1024 * 1024);
        let will = format!("checkrail/{name}/health");
        options.set_last_will(LastWill::new(will, r#"{"up":false}"#, QoS::AtLeastOnce, true));
        let (client, mut eventloop) = AsyncClient::new(options, 1024);
        let mut network = NetworkOptions::new();
        network.set_tcp_nodelay(true);
        eventloop.set_network_options(network);
        let (sender, heard) = mpsc::unbounded_channel();
        let (ready, connected) = tokio::sync::oneshot::channel();
        let mut ready = Some(ready);
        let filters = [format!("checkrail/{name}/#"), "checkrail/-/#".to_owned()];
        let ours = client.clone();
        let task = tokio::spawn(async move {
            loop {
                match eventloop.poll().await {
                    Ok(Event::Incoming(Packet::ConnAck(_))) => {
                        for filter in &filters {
                            let _ = ours.try_subscribe(filter, QoS::AtLeastOnce);
                        }
                    }
                    Ok(Event::Incoming(Packet::SubAck(_))) => {
                        if let Some(ready) = ready.take() {
                            let _ = ready.send(());
                        }
                    }
                    Ok(Event::Incoming(Packet::Publish(publish))) => {
                        let body = serde_json::from_slice(&publish.payload).unwrap_or(Value::Null);
                        let heard = Heard { topic: publish.topic, body, retained: publish.retain };
                        if sender.send(heard).is_err() {
                            return;
                        }
                    }
                    Ok(_) => {}
                    // Until the broker is there: bounded by the test's own patience.
                    Err(_) => tokio::time::sleep(Duration::from_millis(20)).await,
                }
            }
        });
        timeout(PATIENCE, connected).await.expect("a broker").expect("a connection");
        Self { name: name.to_owned(), boot: "9c41".to_owned(), client, task, heard, number: 0 }
    }

    /// Announces inputs with their rate, and outputs without `arm`.
    pub async fn birth(&self, inputs: &[(&str, f64)], outputs: &[&str]) {
        let mut channels = Map::new();
        for (name, hz) in inputs {
            channels.insert((*name).to_owned(), json!({"hz": hz}));
        }
        for name in outputs {
            channels.insert((*name).to_owned(), json!({"out": true}));
        }
        let body =
            json!({"id": self.name, "boot": self.boot, "permit_ms": 3000, "channels": channels});
        self.publish("birth", true, &body.to_string()).await;
    }

    /// Publishes one set of readings, numbered and stamped.
    pub async fn measure(&mut self, ms: u64, values: &[(&str, Value)]) {
        self.number += 1;
        let set: Map<String, Value> =
            values.iter().map(|(name, value)| ((*name).to_owned(), value.clone())).collect();
        let body = json!({"b": self.boot, "n": self.number, "ms": ms, "v": set});
        self.publish("set", false, &body.to_string()).await;
    }

    /// Publishes anything on a branch of its own.
    pub async fn publish(&self, branch: &str, retained: bool, body: &str) {
        self.publish_at(&format!("checkrail/{}/{branch}", self.name), retained, body).await;
    }

    /// Publishes anything anywhere.
    pub async fn publish_at(&self, topic: &str, retained: bool, body: impl Into<Vec<u8>>) {
        self.client
            .publish(topic, QoS::AtLeastOnce, retained, body)
            .await
            .expect("the client takes it");
    }

    /// Subscribes to more; what is said from then on is heard.
    pub async fn also_hear(&self, filter: &str) {
        self.client.subscribe(filter, QoS::AtLeastOnce).await.expect("the client takes it");
    }

    /// The next message that `wanted` picks; panics when none comes.
    pub async fn hear(&mut self, what: &str, wanted: impl Fn(&Heard) -> bool) -> Heard {
        let waited = timeout(PATIENCE, async {
            loop {
                let heard = self.heard.recv().await.expect("the node lives");
                if wanted(&heard) {
                    return heard;
                }
            }
        });
        waited.await.unwrap_or_else(|_| panic!("never heard: {what}"))
    }

    /// What has arrived up to now and was not looked at.
    pub fn rest(&mut self) -> Vec<Heard> {
        std::iter::from_fn(|| self.heard.try_recv().ok()).collect()
    }

    /// Waits until Checkrail says that it is up.
    pub async fn hear_daemon(&mut self) {
        self.hear("the daemon", |heard| {
            heard.topic == "checkrail/-/daemon" && heard.body["up"] == json!(true)
        })
        .await;
    }
}

impl Drop for Node {
    fn drop(&mut self) {
        self.task.abort();
    }
}
