//! MQTT over TLS with a private certificate authority, passwords, client certificates and access rules, in both versions of
//! MQTT, against a real mosquitto that is set up by the very files of `deploy/mosquitto`. Where the machine has no
//! `mosquitto`, `openssl` or `mosquitto_passwd`, the tests say so and end.

#[allow(dead_code, reason = "a part of it is used here")]
#[path = "support/bench.rs"]
mod bench;
#[allow(dead_code, reason = "a part of it is used here")]
#[path = "support/broker.rs"]
mod broker;
#[path = "support/layout.rs"]
mod layout;

use std::{os::unix::fs::PermissionsExt, path::Path, process::Command};

use bench::{Bench, PATIENCE};
use broker::{Mosquitto, free_port, mqtt};
use supervision::{
    input::LinkReport,
    output::{Action, PowerState, StateValue},
};
use wiring::links::{BrokerAddress, LinkSettings, MqttSettings, MqttVersion};

const DEPLOY: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../deploy/mosquitto");
const VERSIONS: [MqttVersion; 2] = [MqttVersion::V3, MqttVersion::V5];

/// Runs a program in a directory; false when it is missing or fails.
fn run(directory: &Path, program: &str, arguments: &str) -> bool {
    let output = Command::new(program).args(arguments.split(' ')).current_dir(directory).output();
    output.is_ok_and(|it| it.status.success())
}

/// A club's broker, set up as `deploy/mosquitto` says, on ports of its own.
struct Club {
    directory: tempfile::TempDir,
    passwords: u16,
    certificates: u16,
    _mosquitto: Mosquitto,
}

impl Club {
    async fn start() -> Option<Self> {
        let directory = tempfile::tempdir().expect("a directory");
        let path = directory.path();
        let certificates = format!("{DEPLOY}/certificates");
        let prepared = run(path, &certificates, "checkrail 127.0.0.1 checkrail yard")
            && run(path, &certificates, "stranger 127.0.0.1 checkrail")
            && run(path, "mosquitto_passwd", "-c -b checkrail.passwords checkrail valley")
            && run(path, "mosquitto_passwd", "-b checkrail.passwords yard coal");
        if !prepared {
            tracing::warn!("not run: needs openssl and mosquitto_passwd");
            return None;
        }
        std::fs::copy(format!("{DEPLOY}/checkrail.acl"), path.join("checkrail.acl"))
            .expect("the access rules");
        let (plain, by_certificate) = (free_port(), free_port());
        let text = std::fs::read_to_string(format!("{DEPLOY}/checkrail.conf")).expect("the file");
        let text = text
            .replace("/etc/mosquitto/", &format!("{}/", path.display()))
            .replace("listener 8883", &format!("listener {plain} 127.0.0.1"))
            .replace("listener 8884", &format!("listener {by_certificate} 127.0.0.1"));
        let text = format!("{text}log_dest none\nuser root\n");
        let mosquitto = Mosquitto::start_exactly(plain, &text).await?;
        let (passwords, certificates) = (plain, by_certificate);
        Some(Self { directory, passwords, certificates, _mosquitto: mosquitto })
    }

    fn file(&self, name: &str) -> String {
        self.directory.path().join(name).to_string_lossy().into_owned()
    }

    /// The link with a user and the password in a file.
    fn by_password(&self, version: MqttVersion, password: &str) -> MqttSettings {
        let file = self.directory.path().join(format!("secret-{password}"));
        std::fs::write(&file, format!("{password}\n")).expect("written");
        MqttSettings {
            user: Some("checkrail".to_owned()),
            password_file: Some(file.to_string_lossy().into_owned()),
            ..self.link(version, self.passwords)
        }
    }

    /// The link with a certificate of an authority.
    fn by_certificate(&self, version: MqttVersion, authority: &str) -> MqttSettings {
        let file = |ending: &str| self.file(&format!("{authority}/checkrail.{ending}"));
        MqttSettings {
            client_certificate: Some((file("pem"), file("key"))),
            ..self.link(version, self.certificates)
        }
    }

    fn link(&self, version: MqttVersion, port: u16) -> MqttSettings {
        let host = "127.0.0.1".to_owned();
        let broker = BrokerAddress::External { host, port, tls: true };
        let link = mqtt(broker).mqtt.expect("the link");
        MqttSettings { version, ca_file: Some(self.file("checkrail/ca.pem")), ..link }
    }
}

fn only(link: MqttSettings) -> LinkSettings {
    LinkSettings { mqtt: Some(link), ..LinkSettings::default() }
}

/// Starts the links and waits until they say why they are not connected.
async fn trouble(link: MqttSettings) -> String {
    let bench = Bench::start(&only(link)).await;
    let said = async {
        loop {
            let status = bench.links.status().remove(0);
            assert!(!status.up, "connected in spite of all");
            if !status.trouble.is_empty() {
                return status.trouble;
            }
            tokio::task::yield_now().await;
        }
    };
    tokio::time::timeout(PATIENCE, said).await.expect("what is wrong")
}

#[tokio::test]
async fn the_broker_is_reached_by_password_or_certificate_and_no_other_is_trusted() {
    let Some(club) = Club::start().await else { return };
    for version in VERSIONS {
        for link in [club.by_password(version, "valley"), club.by_certificate(version, "checkrail")]
        {
            let bench = Bench::start(&only(link)).await;
            bench.until_up(true).await;
            bench.links.stop().await;
        }
        let mut impostor = club.by_password(version, "valley");
        impostor.ca_file = Some(club.file("stranger/ca.pem"));
        let said = trouble(impostor).await;
        assert!(said.contains("certificate"), "{version:?}: {said}");
        let said = trouble(club.by_password(version, "wrong")).await;
        assert!(said.contains("efuse") && !said.contains("certificate"), "{version:?}: {said}");
        // A certificate of another authority, and none at all: TLS 1.3 tells of it on the first read.
        trouble(club.by_certificate(version, "stranger")).await;
        trouble(club.link(version, club.certificates)).await;
    }
}

/// With the access rules of `deploy`, Checkrail is refused nothing that it does.
#[tokio::test]
async fn checkrail_may_do_all_that_it_does_and_a_node_hears_its_orders() {
    let Some(club) = Club::start().await else { return };
    for version in VERSIONS {
        let mut bench = Bench::start(&only(club.by_password(version, "valley"))).await;
        bench.until_up(true).await;
        let mut node = Yard::connect(&club).await;
        node.says("checkrail/yard/birth", YARD).await;
        bench.until_report(|it| matches!(it, LinkReport::Born { .. })).await;
        let power = bench.channels.find("district/quarry/power").expect("power");
        bench.links.publish_state(power, StateValue::Power(PowerState::On));
        node.hears("checkrail/-/state/district/quarry/power").await;
        bench.order(7, "district/quarry/power", Action::On);
        node.hears("checkrail/yard/permit").await;
        node.hears("checkrail/yard/order/district/quarry/power").await;
        bench.links.cut_everything().await;
        node.hears("checkrail/-/cut").await;
        let unusable = bench.links.status()[0].unusable;
        assert_eq!(unusable, 0, "{version:?}: nothing was refused");
        bench.links.stop().await;
    }
}

const YARD: &str = r#"{"id":"yard","boot":"9c41","permit_ms":3000,"channels":{
    "district/quarry/current":{"hz":100},"district/quarry/power":{"out":true}}}"#;

/// The node `yard`, known by its certificate.
struct Yard {
    client: rumqttc::AsyncClient,
    messages: tokio::sync::mpsc::UnboundedReceiver<String>,
}

impl Yard {
    async fn connect(club: &Club) -> Self {
        use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS, TlsConfiguration, Transport};
        let read = |name: &str| std::fs::read(club.file(name)).expect("a file");
        let mut options = MqttOptions::new("yard", "127.0.0.1", club.certificates);
        options.set_transport(Transport::tls_with_config(TlsConfiguration::Simple {
            ca: read("checkrail/ca.pem"),
            alpn: None,
            client_auth: Some((read("checkrail/yard.pem"), read("checkrail/yard.key"))),
        }));
        let (client, mut events) = AsyncClient::new(options, 16);
        for filter in ["checkrail/yard/#", "checkrail/-/#"] {
            client.subscribe(filter, QoS::AtLeastOnce).await.expect("room");
        }
        let (sender, messages) = tokio::sync::mpsc::unbounded_channel();
        let (ready_sender, mut ready) = tokio::sync::mpsc::channel(4);
        tokio::spawn(async move {
            while let Ok(event) = events.poll().await {
                match event {
                    Event::Incoming(Packet::Publish(it)) => drop(sender.send(it.topic)),
                    Event::Incoming(Packet::SubAck(_)) => drop(ready_sender.try_send(())),
                    _ => {}
                }
            }
        });
        for _ in 0..2 {
            tokio::time::timeout(PATIENCE, ready.recv()).await.expect("in time").expect("there");
        }
        Self { client, messages }
    }

    async fn says(&self, topic: &str, payload: &str) {
        let qos = rumqttc::QoS::AtLeastOnce;
        self.client.publish(topic, qos, false, payload).await.expect("room");
    }

    async fn hears(&mut self, wanted: &str) {
        let heard = async { while self.messages.recv().await.expect("connected") != wanted {} };
        let heard = tokio::time::timeout(PATIENCE, heard).await;
        heard.unwrap_or_else(|_| panic!("nothing on {wanted}"));
    }
}

#[tokio::test]
async fn mistakes_of_encryption_are_named_before_anything_starts() {
    let directory = tempfile::tempdir().expect("a directory");
    let secret = directory.path().join("secret");
    std::fs::write(&secret, "x").expect("written");
    std::fs::set_permissions(&secret, PermissionsExt::from_mode(0o600)).expect("its mode");
    let secret = secret.to_string_lossy().into_owned();
    let broker = BrokerAddress::External { host: "127.0.0.1".to_owned(), port: 1, tls: true };
    let good = MqttSettings {
        ca_file: Some(secret.clone()),
        user: Some("checkrail".to_owned()),
        password_file: Some(secret.clone()),
        ..mqtt(broker).mqtt.expect("the link")
    };
    let no_such = Some("no-such-file".to_owned());
    let cases = [
        (MqttSettings { ca_file: no_such.clone(), ..good.clone() }, "no-such-file"),
        (MqttSettings { password_file: no_such, ..good.clone() }, "no-such-file"),
        (
            MqttSettings { client_certificate: Some((secret, "no-key".to_owned())), ..good },
            "no-key",
        ),
    ];
    for (link, want) in cases {
        let options = links::Options { run: 1, version: String::new() };
        let started =
            links::start(&only(link), layout::channels(), links::Tick::new(), options).await;
        let error = started.expect_err("a mistake").to_string();
        assert!(error.contains(want), "{error}");
    }
}
