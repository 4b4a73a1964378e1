//! The MQTT link against a real mosquitto and against the embedded broker.

#[path = "support/bench.rs"]
mod bench;
#[path = "support/broker.rs"]
mod broker;
#[path = "support/layout.rs"]
mod layout;

use std::time::Duration;

use bench::{Bench, PATIENCE};
use broker::{Mosquitto, Peer, at, free_port, mqtt};
use links::AlarmMessage;
use serde_json::json;
use supervision::{
    input::{Input, LinkReport, Quality, Reading, Value},
    output::{Action, PowerState, StateValue},
};
use wiring::{
    links::{BrokerAddress, MqttVersion},
    units::Microamps,
};

const POWER: &str = "district/quarry/power";
const BIRTH: &str = r#"{"id":"yard","boot":"9c41","permit_ms":3000,"channels":{
    "district/quarry/current":{"hz":100},"district/quarry/power":{"out":true,"arm":true}}}"#;

/// Runs a test against both brokers; each gets its bench and the port of its broker.
async fn against_both<F: Future<Output = ()>>(test: impl Fn(Bench, u16) -> F) {
    let embedded = BrokerAddress::Embedded { listen: "127.0.0.1:0".to_owned() };
    let bench = Bench::start(&mqtt(embedded)).await;
    let port = bench.links.embedded_broker().expect("the embedded broker").port();
    bench.until_up(true).await;
    test(bench, port).await;
    let Some(mosquitto) = Mosquitto::start(free_port()).await else { return };
    let bench = Bench::start(&mqtt(at(mosquitto.port))).await;
    bench.until_up(true).await;
    test(bench, mosquitto.port).await;
}

#[tokio::test]
async fn readings_come_orders_go_and_answers_return() {
    against_both(|mut bench, port| async move {
        let mut node = Peer::connect(port, "yard", &["checkrail/yard/order/#"]).await;
        node.says("yard/birth", BIRTH, true).await;
        bench.until_report(|it| matches!(it, LinkReport::Born { permit: true, .. })).await;
        let reading = r#"{"v":2.31,"n":1,"ms":10,"b":"9c41"}"#;
        node.says("yard/reading/district/quarry/current", reading, false).await;
        let got = bench
            .until(|input| match input {
                Input::Reading(Reading { value, quality, .. }) => Some((*value, *quality)),
                _ => None,
            })
            .await;
        assert_eq!(got, (Value::Current(Microamps(2_310_000)), Quality::Good));
        bench.order(7, POWER, Action::Cut);
        let (order, retained) = node.hears("order/district/quarry/power").await;
        assert_eq!(order["op"], "cut");
        assert!(!retained);
        // Whoever subscribes later must not get it: the broker would mark it as retained.
        let mut later = Peer::connect(port, "later", &["checkrail/yard/#"]).await;
        later.says("yard/marker", "{}", false).await;
        let mut heard = Vec::new();
        while !heard.last().is_some_and(|it: &String| it.ends_with("marker")) {
            let message = tokio::time::timeout(PATIENCE, later.messages.recv()).await;
            heard.push(message.expect("in time").expect("connected").topic);
        }
        assert!(!heard.iter().any(|it| it.contains("/order/")), "{heard:?}");
        let ack = json!({ "id": order["id"], "r": "ok" }).to_string();
        node.says("yard/ack/district/quarry/power", &ack, false).await;
        bench
            .until_report(|it| matches!(it, LinkReport::Acknowledged { order } if order.0 == 7))
            .await;
        bench.links.stop().await;
    })
    .await;
}

#[tokio::test]
async fn a_restore_takes_permit_arm_token_and_on() {
    against_both(|mut bench, port| async move {
        let filters = ["checkrail/yard/order/#", "checkrail/yard/permit"];
        let mut node = Peer::connect(port, "yard", &filters).await;
        node.says("yard/birth", BIRTH, true).await;
        bench.until_report(|it| matches!(it, LinkReport::Born { .. })).await;
        bench.order(8, POWER, Action::On);
        let (permit, retained) = node.hears("yard/permit").await;
        assert_eq!((permit, retained), (json!({ "b": "9c41", "ms": 3000 }), false));
        let (arm, _) = node.hears(POWER).await;
        assert_eq!(arm["op"], "arm");
        let token = json!({ "id": arm["id"], "r": "tok", "tok": "7c21" }).to_string();
        node.says("yard/ack/district/quarry/power", &token, false).await;
        let (on, _) = node.hears(POWER).await;
        assert_eq!((&on["op"], &on["tok"]), (&json!("on"), &json!("7c21")));
        assert_ne!(on["id"], arm["id"]);
        let ok = json!({ "id": on["id"], "r": "ok" }).to_string();
        node.says("yard/ack/district/quarry/power", &ok, false).await;
        bench
            .until_report(|it| matches!(it, LinkReport::Acknowledged { order } if order.0 == 8))
            .await;
        bench.links.stop().await;
    })
    .await;
}

#[tokio::test]
async fn permits_end_when_the_supervisor_stops_ticking() {
    against_both(|mut bench, port| async move {
        let mut node = Peer::connect(port, "yard", &["checkrail/yard/permit"]).await;
        node.says("yard/birth", BIRTH, true).await;
        bench.until_report(|it| matches!(it, LinkReport::Born { .. })).await;
        let power = bench.channels.find(POWER).expect("power");
        bench.links.power_wanted(power, true);
        let beating = async {
            loop {
                bench.tick.beat();
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
        };
        let three = async {
            for _ in 0..3 {
                node.hears("yard/permit").await;
            }
        };
        tokio::select! { () = beating => {}, () = three => {} }
        // One more may be under way; after it there is none for longer than three of their periods.
        let more = async { while node.messages.recv().await.is_some() {} };
        let waited = tokio::time::timeout(Duration::from_millis(400), more).await;
        assert!(waited.is_err(), "the peer was disconnected");
        let late = tokio::time::timeout(Duration::from_millis(800), node.messages.recv()).await;
        assert!(late.is_err(), "a permit without a supervisor: {late:?}");
        bench.links.stop().await;
    })
    .await;
}

#[tokio::test]
async fn states_and_alarms_stand_for_newcomers_and_vanish_when_normal() {
    against_both(|bench, port| async move {
        let power = bench.channels.find(POWER).expect("power");
        let mut first = Peer::connect(port, "first", &["checkrail/-/#"]).await;
        first.says("-/state/district/gone/power", r#"{"v":"on"}"#, true).await;
        bench.links.publish_state(power, StateValue::Power(PowerState::On));
        let alarm = AlarmMessage {
            state: "raised".to_owned(),
            priority: "high".to_owned(),
            text: "5.2 A".to_owned(),
        };
        bench.links.publish_alarm("short-circuit", "district/quarry", Some(&alarm));
        bench.links.publish_alarm("power-cut", "district/quarry", Some(&alarm));
        first.hears("-/alarm/power-cut/district/quarry").await;
        bench.links.publish_alarm("power-cut", "district/quarry", None);
        let (end, _) = first.hears("-/alarm/power-cut/district/quarry").await;
        assert!(end.is_null());
        let mut second = Peer::connect(port, "second", &["checkrail/-/#"]).await;
        let mut standing = std::collections::BTreeMap::new();
        while standing.len() < 3 {
            let message = tokio::time::timeout(PATIENCE, second.messages.recv()).await;
            let message = message.expect("in time").expect("connected");
            if message.retain {
                let json: serde_json::Value =
                    serde_json::from_slice(&message.payload).unwrap_or_default();
                standing.insert(message.topic, json);
            }
            standing.remove("checkrail/-/state/district/gone/power");
        }
        assert_eq!(standing["checkrail/-/state/district/quarry/power"]["v"], "on");
        assert_eq!(standing["checkrail/-/alarm/short-circuit/district/quarry"]["text"], "5.2 A");
        assert_eq!(standing["checkrail/-/daemon"]["up"], true);
        assert_eq!(standing["checkrail/-/daemon"]["version"], "0.0.0");
        bench.links.stop().await;
        let (down, _) = second.hears("-/daemon").await;
        assert_eq!(down["up"], false);
    })
    .await;
}

/// Ids that the layout file lost: whoever comes later must not find them. What is in use stays.
#[tokio::test]
async fn what_an_earlier_run_left_is_cleared() {
    let gone = ["-/state/district/gone/power", "-/alarm/short-circuit/district/gone"];
    for version in [MqttVersion::V3, MqttVersion::V5] {
        let Some(mosquitto) = Mosquitto::start(free_port()).await else { return };
        let filters = ["checkrail/-/state/#", "checkrail/-/alarm/#"];
        let mut peer = Peer::connect(mosquitto.port, "peer", &filters).await;
        for topic in gone {
            peer.says(topic, r#"{"v":"on"}"#, true).await;
            peer.hears(topic).await;
        }
        let mut settings = mqtt(at(mosquitto.port));
        settings.mqtt.as_mut().expect("the link").version = version;
        let bench = Bench::start(&settings).await;
        let power = bench.channels.find(POWER).expect("power");
        bench.links.publish_state(power, StateValue::Power(PowerState::On));
        for topic in gone {
            let (cleared, _) = peer.hears(topic).await;
            assert!(cleared.is_null(), "{version:?} {topic}");
        }
        let mut later = Peer::connect(mosquitto.port, "later", &filters).await;
        let first = tokio::time::timeout(PATIENCE, later.messages.recv()).await;
        let first = first.expect("in time").expect("connected");
        assert_eq!(
            (first.topic.strip_prefix("checkrail/-/state/"), first.retain),
            (Some(POWER), true)
        );
        bench.links.stop().await;
    }
}

#[tokio::test]
async fn stopping_cuts_everything_three_times() {
    against_both(|bench, port| async move {
        let mut node = Peer::connect(port, "yard", &["checkrail/-/cut"]).await;
        bench.links.stop().await;
        for _ in 0..3 {
            let (cut, retained) = node.hears("-/cut").await;
            assert_eq!((&cut["op"], retained), (&json!("cut"), false));
        }
    })
    .await;
}

#[tokio::test]
async fn a_restarted_broker_is_subscribed_again_and_gets_the_cut_but_no_restore() {
    let port = free_port();
    let Some(mosquitto) = Mosquitto::start(port).await else { return };
    let mut bench = Bench::start(&mqtt(at(port))).await;
    bench.until_up(true).await;
    mosquitto.kill();
    bench.until_up(false).await;
    bench.order(7, POWER, Action::Cut);
    bench.until_report(|it| matches!(it, LinkReport::NotSent { order } if order.0 == 7)).await;
    bench.order(8, "district/yard/power", Action::On);
    bench.until_report(|it| matches!(it, LinkReport::NotSent { order } if order.0 == 8)).await;
    let _mosquitto = Mosquitto::start(port).await.expect("it was there before");
    let mut node = Peer::connect(port, "yard", &["checkrail/-/order/#", "checkrail/-/probe"]).await;
    bench.until_up(true).await;
    let (order, retained) = node.hears(POWER).await;
    assert_eq!((&order["op"], retained), (&json!("cut"), false));
    // Orders go in order: a restore kept from the outage would come before what follows.
    let yard = bench.channels.find(POWER).expect("power");
    bench.links.publish_state(yard, StateValue::Power(PowerState::Cut));
    bench.order(9, "booster/main/power", Action::Cut);
    let next = loop {
        let message = tokio::time::timeout(PATIENCE, node.messages.recv()).await;
        let topic = message.expect("in time").expect("connected").topic;
        if !topic.ends_with(POWER) {
            break topic;
        }
    };
    assert_eq!(next, "checkrail/-/order/booster/main/power");
    // Nor does the forgotten restore bring a permit.
    let other = BIRTH.replace("district/quarry/power", "district/yard/power");
    let mut permits = Peer::connect(port, "permits", &["checkrail/yard/permit"]).await;
    node.says("yard/birth", &other, false).await;
    bench.until_report(|it| matches!(it, LinkReport::Born { .. })).await;
    let tick = bench.tick.clone();
    let beating = tokio::spawn(async move {
        loop {
            tick.beat();
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    });
    let permit = tokio::time::timeout(Duration::from_millis(600), permits.messages.recv()).await;
    assert!(permit.is_err(), "a permit without a restore: {permit:?}");
    beating.abort();
    node.says("yard/reading/district/quarry/current", "1.5", false).await;
    let quality = bench
        .until(|input| match input {
            Input::Reading(reading) => Some(reading.quality),
            _ => None,
        })
        .await;
    assert_eq!(quality, Quality::Bare);
    bench.links.stop().await;
}

#[tokio::test]
async fn a_missing_broker_is_said_and_awaited() {
    let port = free_port();
    let mut bench = Bench::start(&mqtt(at(port))).await;
    bench.order(7, POWER, Action::Cut);
    bench.until_report(|it| matches!(it, LinkReport::NotSent { order } if order.0 == 7)).await;
    let said = async {
        while bench.links.status()[0].trouble.is_empty() {
            tokio::task::yield_now().await;
        }
    };
    tokio::time::timeout(PATIENCE, said).await.expect("what is wrong");
    if let Some(_mosquitto) = Mosquitto::start(port).await {
        bench.until_up(true).await;
        bench.links.stop().await;
    }
}

#[tokio::test]
async fn a_killed_program_leaves_its_last_will() {
    let Some(mosquitto) = Mosquitto::start(free_port()).await else { return };
    let mut peer = Peer::connect(mosquitto.port, "peer", &["checkrail/-/daemon"]).await;
    let bench = Bench::start(&mqtt(at(mosquitto.port))).await;
    let (up, _) = peer.hears("-/daemon").await;
    assert_eq!(up["up"], true);
    // Dropped, not stopped: the sockets close without a goodbye, as when a process dies.
    drop(bench);
    let (down, _) = peer.hears("-/daemon").await;
    assert_eq!(down["up"], false);
}

#[tokio::test]
async fn a_taken_port_of_the_embedded_broker_is_an_error_that_names_it() {
    let taken = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    let listen = taken.local_addr().expect("its address").to_string();
    let settings = mqtt(BrokerAddress::Embedded { listen: listen.clone() });
    let options = links::Options { run: 1, version: String::new() };
    let channels = layout::channels();
    let error = links::start(&settings, channels, links::Tick::new(), options).await;
    let error = error.expect_err("the port is taken").to_string();
    assert!(error.contains(&listen), "{error}");
}

#[tokio::test]
async fn an_embedded_broker_with_a_password_takes_nobody_without_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("password");
    std::fs::write(&file, "ballast\n").expect("written");
    let mut settings = mqtt(BrokerAddress::Embedded { listen: "127.0.0.1:0".to_owned() });
    let own = settings.mqtt.as_mut().expect("the link");
    own.user = Some("crew".to_owned());
    own.password_file = Some(file.to_string_lossy().into_owned());
    let bench = Bench::start(&settings).await;
    bench.until_up(true).await;
    let port = bench.links.embedded_broker().expect("the embedded broker").port();
    assert!(taken(port, Some(("crew", "ballast"))).await, "by the password");
    for login in [None, Some(("crew", "sleepers")), Some(("crew", "")), Some(("yard", "ballast"))] {
        assert!(!taken(port, login).await, "by {login:?}");
    }
    bench.links.stop().await;
}

/// Whether the broker takes a client that says this.
async fn taken(port: u16, login: Option<(&str, &str)>) -> bool {
    let mut options = rumqttc::MqttOptions::new("somebody", "127.0.0.1", port);
    if let Some((user, password)) = login {
        options.set_credentials(user, password);
    }
    let (_client, mut events) = rumqttc::AsyncClient::new(options, 8);
    let answer = tokio::time::timeout(PATIENCE, events.poll()).await.expect("an answer");
    matches!(answer, Ok(rumqttc::Event::Incoming(rumqttc::Packet::ConnAck(_))))
}

#[tokio::test]
async fn a_birth_of_a_hundred_kilobytes_is_read() {
    let Some(mosquitto) = Mosquitto::start(free_port()).await else { return };
    let mut bench = Bench::start(&mqtt(at(mosquitto.port))).await;
    bench.until_up(true).await;
    let peer = Peer::connect(mosquitto.port, "yard", &[]).await;
    let padding = "x".repeat(9_000);
    let birth = json!({ "boot": "1", "note": padding, "channels": {} }).to_string();
    peer.says("small/birth", &birth, false).await;
    bench.until_report(|it| matches!(it, LinkReport::Born { .. })).await;
    let mut large = MqttPeer::connect(mosquitto.port).await;
    let birth = json!({ "boot": "1", "note": "x".repeat(100_000), "channels": {} }).to_string();
    large.publish("checkrail/large/birth", &birth).await;
    bench.until_report(|it| matches!(it, LinkReport::Born { name, .. } if name == "large")).await;
    bench.links.stop().await;
}

/// A peer that may send large packets.
struct MqttPeer {
    client: rumqttc::AsyncClient,
}

impl MqttPeer {
    async fn connect(port: u16) -> Self {
        let mut options = rumqttc::MqttOptions::new("large", "127.0.0.1", port);
        options.set_max_packet_size(256 * 1024, 256 * 1024);
        let (client, mut events) = rumqttc::AsyncClient::new(options, 8);
        tokio::spawn(async move { while events.poll().await.is_ok() {} });
        Self { client }
    }

    async fn publish(&mut self, topic: &str, payload: &str) {
        let qos = rumqttc::QoS::AtLeastOnce;
        self.client.publish(topic, qos, false, payload).await.expect("room");
    }
}

/// Nodes of two brokers: each is heard, ordered and answered at its own, and one name at both is two nodes.
#[tokio::test]
async fn two_brokers_have_their_own_nodes_and_both_hear_the_states() {
    let Some(club) = Mosquitto::start(free_port()).await else { return };
    let mut settings = mqtt(BrokerAddress::Embedded { listen: "127.0.0.1:0".to_owned() });
    let mut second = mqtt(at(club.port)).mqtt.expect("the link");
    second.name = "club".to_owned();
    settings.mqtt_also.push(second);
    let mut bench = Bench::start(&settings).await;
    let port = bench.links.embedded_broker().expect("the embedded broker").port();
    bench.until_up(true).await;
    let filters = ["checkrail/+/order/#", "checkrail/-/state/#"];
    let mut here = Peer::connect(port, "yard", &filters).await;
    let mut there = Peer::connect(club.port, "yard", &filters).await;
    let other = BIRTH.replace("district/quarry/power", "district/yard/power");
    here.says("yard/birth", BIRTH, false).await;
    let name = |input: &Input| match input {
        Input::Link(LinkReport::Born { name, node, .. }) => Some((name.clone(), *node)),
        _ => None,
    };
    let (first, number) = bench.until(name).await;
    there.says("yard/birth", &other, false).await;
    let (second, further) = bench.until(name).await;
    assert_eq!((&*first, &*second), ("yard", "club.yard"));
    assert_ne!(number, further, "one name at two brokers is two nodes");
    for (id, channel, node) in [(7, POWER, &mut here), (8, "district/yard/power", &mut there)] {
        bench.order(id, channel, Action::Cut);
        let (order, _) = node.hears(&format!("yard/order/{channel}")).await;
        assert_eq!(order["op"], "cut");
    }
    let power = bench.channels.find(POWER).expect("power");
    bench.links.publish_state(power, StateValue::Power(PowerState::Cut));
    for node in [&mut here, &mut there] {
        let topic = loop {
            let message = tokio::time::timeout(PATIENCE, node.messages.recv()).await;
            let topic = message.expect("in time").expect("connected").topic;
            assert!(!topic.starts_with("checkrail/-/order/"), "nobody else is asked: {topic}");
            if topic.starts_with("checkrail/-/state/") {
                break topic;
            }
        };
        assert_eq!(topic, "checkrail/-/state/district/quarry/power");
    }
    bench.links.stop().await;
}
