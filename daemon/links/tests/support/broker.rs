//! A broker of the machine's own, and a node played by a test.

use std::{
    net::TcpListener,
    path::Path,
    process::{Child, Command, Stdio},
    time::Duration,
};

use rumqttc::{AsyncClient, Event, MqttOptions, NetworkOptions, Packet, Publish, QoS};
use tokio::sync::mpsc;
use wiring::links::{BrokerAddress, LinkSettings, MqttSettings, MqttVersion};

use super::bench::PATIENCE;

/// A port of the loopback that nobody uses now.
pub(crate) fn free_port() -> u16 {
    let probe = TcpListener::bind("127.0.0.1:0").expect("a free port");
    probe.local_addr().expect("its address").port()
}

/// A mosquitto of the test's own, ended with it.
pub(crate) struct Mosquitto {
    child: Child,
    pub(crate) port: u16,
    _directory: tempfile::TempDir,
}

impl Mosquitto {
    /// None where the machine has none: the test then says so and tests the embedded broker only.
    pub(crate) async fn start(port: u16) -> Option<Self> {
        let plain = format!("listener {port} 127.0.0.1\nallow_anonymous true\n");
        Self::start_with(port, &plain).await
    }

    /// With a listener of the test's own words.
    pub(crate) async fn start_with(port: u16, listener: &str) -> Option<Self> {
        let text = format!(
            "{listener}persistence false\nset_tcp_nodelay true\nlog_dest none\nuser root\n"
        );
        Self::start_exactly(port, &text).await
    }

    /// With a whole configuration; `port` is one that it listens on.
    pub(crate) async fn start_exactly(port: u16, text: &str) -> Option<Self> {
        let program = ["/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto", "/usr/bin/mosquitto"];
        let program = program.into_iter().find(|it| Path::new(it).exists())?;
        let directory = tempfile::tempdir().expect("a directory");
        let config = directory.path().join("mosquitto.conf");
        std::fs::write(&config, text).expect("its configuration");
        let child = Command::new(program)
            .arg("-c")
            .arg(&config)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto starts");
        listening(port).await;
        Some(Self { child, port, _directory: directory })
    }

    pub(crate) fn kill(mut self) {
        self.end();
    }

    fn end(&mut self) {
        // It may have ended by itself.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        self.end();
    }
}

/// Waits until somebody listens on a port.
pub(crate) async fn listening(port: u16) {
    let connected = async {
        while tokio::net::TcpStream::connect(("127.0.0.1", port)).await.is_err() {
            tokio::task::yield_now().await;
        }
    };
    tokio::time::timeout(PATIENCE, connected).await.expect("somebody listens");
}

/// Settings of the MQTT link alone.
pub(crate) fn mqtt(broker: BrokerAddress) -> LinkSettings {
    let mqtt = MqttSettings {
        name: "mqtt".to_owned(),
        version: MqttVersion::default(),
        broker,
        root: "checkrail".to_owned(),
        client_id: "checkrail".to_owned(),
        user: None,
        password_file: None,
        ca_file: None,
        client_certificate: None,
        map: Vec::new(),
        out: Vec::new(),
    };
    LinkSettings { mqtt: Some(mqtt), ..LinkSettings::default() }
}

pub(crate) fn at(port: u16) -> BrokerAddress {
    BrokerAddress::External { host: "127.0.0.1".to_owned(), port, tls: false }
}

/// A node, or anybody else on the broker, played by a test.
pub(crate) struct Peer {
    pub(crate) client: AsyncClient,
    pub(crate) messages: mpsc::UnboundedReceiver<Publish>,
}

impl Peer {
    /// Connects and subscribes; returns when the broker has confirmed both.
    pub(crate) async fn connect(port: u16, name: &str, filters: &[&str]) -> Self {
        let mut options = MqttOptions::new(name, "127.0.0.1", port);
        options.set_keep_alive(Duration::from_secs(5));
        let (client, mut events) = AsyncClient::new(options, 64);
        let mut network = NetworkOptions::new();
        network.set_tcp_nodelay(true);
        events.set_network_options(network);
        for filter in filters {
            client.subscribe(*filter, QoS::AtLeastOnce).await.expect("room");
        }
        let (sender, messages) = mpsc::unbounded_channel();
        let (ready_sender, mut ready) = mpsc::channel(64);
        tokio::spawn(async move {
            while let Ok(event) = events.poll().await {
                match event {
                    Event::Incoming(Packet::Publish(message)) => {
                        let _ = sender.send(message);
                    }
                    Event::Incoming(Packet::ConnAck(_) | Packet::SubAck(_)) => {
                        let _ = ready_sender.send(()).await;
                    }
                    _ => {}
                }
            }
        });
        for _ in 0..=filters.len() {
            let confirmed = tokio::time::timeout(PATIENCE, ready.recv()).await;
            confirmed.expect("in time").expect("connected");
        }
        Self { client, messages }
    }

    pub(crate) async fn says(&self, topic: &str, payload: &str, retain: bool) {
        let topic = format!("checkrail/{topic}");
        self.client.publish(topic, QoS::AtLeastOnce, retain, payload).await.expect("room");
    }

    /// The next message on a topic that ends so: topic, JSON, retained.
    pub(crate) async fn hears(&mut self, topic: &str) -> (serde_json::Value, bool) {
        let heard = async {
            loop {
                let message = self.messages.recv().await.expect("connected");
                if message.topic.ends_with(topic) {
                    let json = serde_json::from_slice(&message.payload);
                    return (json.unwrap_or_default(), message.retain);
                }
            }
        };
        tokio::time::timeout(PATIENCE, heard).await.unwrap_or_else(|_| panic!("nothing on {topic}"))
    }
}
