//! What MQTT 5 adds to the link, against a real mosquitto: orders that expire at the broker, and reason codes, by which an
//! order that the broker refused, or that nobody listens for, counts as not sent.

#[allow(dead_code)]
#[path = "support/bench.rs"]
mod bench;
#[allow(dead_code)]
#[path = "support/broker.rs"]
mod broker;
#[path = "support/layout.rs"]
mod layout;

use bench::{Bench, PATIENCE};
use broker::{Mosquitto, Peer, at, free_port, mqtt};
use rumqttc::v5::{
    AsyncClient, Event, MqttOptions,
    mqttbytes::{QoS, v5::Packet},
};
use supervision::{
    input::{Input, LinkReport, Quality},
    output::Action,
};
use wiring::links::{LinkSettings, MqttVersion};

const POWER: &str = "district/quarry/power";
const BIRTH: &str = r#"{"id":"yard","boot":"9c41","permit_ms":3000,"channels":{
    "district/quarry/current":{"hz":100},"district/quarry/power":{"out":true}}}"#;

fn settings(port: u16, version: MqttVersion) -> LinkSettings {
    let mut settings = mqtt(at(port));
    settings.mqtt.as_mut().expect("the link").version = version;
    settings
}

/// Subscribes as a client of version 5 and tells the expiry of the first message, in seconds.
async fn expiry_of(port: u16, topic: &'static str, cause: impl AsyncFnOnce()) -> Option<u32> {
    let (client, mut events) = AsyncClient::new(MqttOptions::new("five", "127.0.0.1", port), 8);
    client.subscribe(topic, QoS::AtLeastOnce).await.expect("room");
    let heard = async {
        let mut cause = Some(cause);
        loop {
            match events.poll().await.expect("connected") {
                Event::Incoming(Packet::SubAck(_)) => {
                    cause.take().expect("one subscription")().await;
                }
                Event::Incoming(Packet::Publish(it)) => {
                    return it.properties.and_then(|it| it.message_expiry_interval);
                }
                _ => {}
            }
        }
    };
    tokio::time::timeout(PATIENCE, heard).await.expect("a message")
}

#[tokio::test]
async fn readings_come_and_orders_go_and_expire_at_the_broker() {
    let Some(mosquitto) = Mosquitto::start(free_port()).await else { return };
    let port = mosquitto.port;
    let mut bench = Bench::start(&settings(port, MqttVersion::V5)).await;
    bench.until_up(true).await;
    let node = Peer::connect(port, "yard", &[]).await;
    node.says("yard/birth", BIRTH, true).await;
    bench.until_report(|it| matches!(it, LinkReport::Born { .. })).await;
    let reading = r#"{"v":2.31,"n":1,"ms":10,"b":"9c41"}"#;
    node.says("yard/reading/district/quarry/current", reading, false).await;
    let quality = |input: &Input| match input {
        Input::Reading(it) => Some(it.quality),
        _ => None,
    };
    assert_eq!(bench.until(quality).await, Quality::Good);
    let order = async || bench.order(7, POWER, Action::Cut);
    let left = expiry_of(port, "checkrail/yard/order/#", order).await;
    assert!(matches!(left, Some(1..=2)), "an order expires: {left:?}");
    bench.links.stop().await;
}

/// Under 3.1.1 the broker acknowledges what it throws away: only the measured current tells.
#[tokio::test]
async fn a_refused_order_counts_as_not_sent_under_5_and_cannot_be_known_under_3() {
    let directory = tempfile::tempdir().expect("a directory");
    let rules = directory.path().join("rules");
    std::fs::write(&rules, "topic readwrite checkrail/+/birth\ntopic read checkrail/#\n")
        .expect("written");
    let port = free_port();
    let listener =
        format!("listener {port} 127.0.0.1\nallow_anonymous true\nacl_file {}\n", rules.display());
    let Some(_mosquitto) = Mosquitto::start_with(port, &listener).await else { return };
    let node = Peer::connect(port, "yard", &["checkrail/yard/order/#"]).await;
    node.says("yard/birth", BIRTH, true).await;
    for (version, known) in [(MqttVersion::V5, true), (MqttVersion::V3, false)] {
        let mut bench = Bench::start(&settings(port, version)).await;
        bench.until_report(|it| matches!(it, LinkReport::Born { .. })).await;
        bench.until_up(true).await;
        bench.order(7, POWER, Action::On);
        let refused = |input: &Input| match input {
            Input::Link(LinkReport::NotSent { order }) if order.0 == 7 => Some(true),
            // The node never answers what it never got.
            Input::Link(LinkReport::Refused { order, .. }) if order.0 == 7 => Some(false),
            _ => None,
        };
        assert_eq!(bench.until(refused).await, known, "{version:?}");
        bench.links.stop().await;
    }
}

#[tokio::test]
async fn an_order_that_nobody_listens_for_counts_as_not_sent() {
    let Some(mosquitto) = Mosquitto::start(free_port()).await else { return };
    let mut bench = Bench::start(&settings(mosquitto.port, MqttVersion::V5)).await;
    bench.until_up(true).await;
    bench.order(9, POWER, Action::Cut);
    bench.until_report(|it| matches!(it, LinkReport::NotSent { order } if order.0 == 9)).await;
    bench.links.stop().await;
}

#[tokio::test]
async fn a_restarted_broker_is_subscribed_again() {
    let port = free_port();
    let Some(mosquitto) = Mosquitto::start(port).await else { return };
    let mut bench = Bench::start(&settings(port, MqttVersion::V5)).await;
    bench.until_up(true).await;
    mosquitto.kill();
    bench.until_up(false).await;
    let _mosquitto = Mosquitto::start(port).await.expect("it was there before");
    bench.until_up(true).await;
    let node = Peer::connect(port, "yard", &[]).await;
    node.says("yard/birth", BIRTH, false).await;
    bench.until_report(|it| matches!(it, LinkReport::Born { .. })).await;
    bench.links.stop().await;
}
