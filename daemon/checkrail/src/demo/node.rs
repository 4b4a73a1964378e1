//! A simulated node: what a microcontroller under the table would do, over the same MQTT that a real one uses. It
//! publishes what its sensors measure, obeys orders, and lets power fall when its permit runs out.

use std::{
    collections::BTreeMap,
    time::{Duration, Instant},
};

use rumqttc::{AsyncClient, Event, LastWill, MqttOptions, NetworkOptions, Packet, Publish, QoS};
use serde_json::{Map, Value as Json, json};
use simulator::{Node as Plan, SimReading, SimValue};
use tokio::{sync::mpsc, task::JoinHandle};
use wiring::{channel::ChannelTable, index::ChannelIx};

use super::plant::NodeClock;

/// How long a permit holds, as the node announces it.
const PERMIT_MS: u64 = 3000;

/// How long a token for switching on holds.
const TOKEN_FOR: Duration = Duration::from_secs(2);

/// Messages that may wait for the broker.
const MOST_WAITING: usize = 1024;

/// Something the node was told.
#[derive(Debug)]
pub struct Told {
    /// The node's place in the world.
    pub node: usize,
    /// What.
    pub what: Message,
}

/// A message to a node.
#[derive(Debug)]
pub enum Message {
    /// It is connected, for the first time or again.
    Connected,
    /// An order for one of its outputs.
    Order {
        /// The channel's name.
        channel: String,
        /// The payload.
        body: Json,
    },
    /// Power may stay on for so long.
    Permit {
        /// The boot that it is for.
        boot: String,
        /// Unit: ms.
        ms: u64,
    },
    /// Everything off.
    CutAll,
}

/// A change that the node makes to the plant.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Switch {
    /// The output.
    pub channel: ChannelIx,
    /// `on cut normal reverse`.
    pub word: &'static str,
}

/// One node.
pub struct Node {
    plan: Plan,
    root: String,
    client: AsyncClient,
    task: JoinHandle<()>,
    started: Instant,
    permit_until: Instant,
    next_health: Instant,
    /// Outputs that are on, and so want a permit.
    on: BTreeMap<ChannelIx, bool>,
    tokens: BTreeMap<ChannelIx, (String, Instant)>,
    tokens_made: u32,
    /// Last value of every channel that is sent on change: sent again after each connection.
    discrete: BTreeMap<ChannelIx, &'static str>,
    last_number: u64,
}

impl Node {
    /// Connects a node to the broker at `host:port`; what it is told arrives at `told`.
    #[must_use]
    pub fn connect(
        place: usize,
        plan: Plan,
        root: &str,
        (host, port): (&str, u16),
        channels: &ChannelTable,
        told: mpsc::UnboundedSender<Told>,
    ) -> Self {
        let now = Instant::now();
        let mut options = MqttOptions::new(format!("demo-{}", plan.id), host, port);
        options.set_keep_alive(Duration::from_secs(5));
        options.set_max_packet_size(256 * 1024, 256 * 1024);
        let health = format!("{root}/{}/health", plan.id);
        options.set_last_will(LastWill::new(health, r#"{"up":false}"#, QoS::AtLeastOnce, true));
        let (client, mut eventloop) = AsyncClient::new(options, MOST_WAITING);
        let mut network = NetworkOptions::new();
        network.set_tcp_nodelay(true);
        eventloop.set_network_options(network);
        let filters = [
            format!("{root}/{}/order/#", plan.id),
            format!("{root}/{}/permit", plan.id),
            format!("{root}/-/cut"),
        ];
        let birth = birth(&plan, channels);
        let birth_topic = format!("{root}/{}/birth", plan.id);
        let ours = client.clone();
        let task = tokio::spawn(async move {
            loop {
                match eventloop.poll().await {
                    Ok(Event::Incoming(Packet::ConnAck(_))) => {
                        for filter in &filters {
                            let _ = ours.try_subscribe(filter, QoS::AtLeastOnce);
                        }
                        let body = birth.to_string();
                        let _ = ours.try_publish(&birth_topic, QoS::AtLeastOnce, true, body);
                        let _ = told.send(Told { node: place, what: Message::Connected });
                    }
                    Ok(Event::Incoming(Packet::Publish(publish))) => {
                        if let Some(what) = understand(&publish) {
                            let _ = told.send(Told { node: place, what });
                        }
                    }
                    Ok(_) => {}
                    Err(_) => tokio::time::sleep(Duration::from_millis(300)).await,
                }
            }
        });
        let on = plan
            .channels
            .iter()
            .filter(|it| it.output && channels.name(it.channel).ends_with("/power"))
            .map(|it| (it.channel, true))
            .collect();
        Self {
            plan,
            root: root.to_owned(),
            client,
            task,
            started: now,
            permit_until: now + Duration::from_millis(PERMIT_MS),
            next_health: now,
            on,
            tokens: BTreeMap::new(),
            tokens_made: 0,
            discrete: BTreeMap::new(),
            last_number: 0,
        }
    }

    /// Ends the connection without a word, as a pulled plug does.
    pub fn disconnect(&self) {
        self.task.abort();
    }

    /// Acts on a message; returns what it does to the plant.
    pub fn hear(&mut self, message: Message, channels: &ChannelTable) -> Vec<Switch> {
        match message {
            Message::Connected => {
                self.say_discrete_again(channels);
                Vec::new()
            }
            Message::Permit { boot, ms } => {
                if boot == self.plan.boot {
                    self.permit_until = Instant::now() + Duration::from_millis(ms.min(PERMIT_MS));
                }
                Vec::new()
            }
            Message::CutAll => self.all_off(),
            Message::Order { channel, body } => {
                channels.find(&channel).map_or_else(Vec::new, |it| self.obey(it, &channel, &body))
            }
        }
    }

    /// What the passing of time does: a permit that ran out, and the sign of life.
    pub fn pass(&mut self, now: Instant) -> Vec<Switch> {
        if self.next_health <= now {
            self.next_health = now + Duration::from_secs(1);
            let left = self.permit_until.saturating_duration_since(now).as_millis();
            let body =
                json!({"up": true, "boot": self.plan.boot, "ms": self.ms(), "permit": left as u64});
            self.publish("health", QoS::AtLeastOnce, true, &body);
        }
        if self.permit_until <= now { self.all_off() } else { Vec::new() }
    }

    /// Publishes what the sensors measured since the last time.
    pub fn measure(&mut self, readings: &[SimReading], channels: &ChannelTable, clock: NodeClock) {
        let mut set: Map<String, Json> = Map::new();
        let (mut number, mut ms) = (0, 0);
        for reading in readings {
            if let SimValue::Word(word) = reading.value {
                self.discrete.insert(reading.channel, word);
            }
            let name = channels.name(reading.channel);
            // A re-sent or overtaken reading goes by itself, with the number it had.
            let old = reading.number <= self.last_number;
            let measured = clock.at(reading.node_ms);
            let later = measured != ms;
            if !set.is_empty() && (later || old || set.contains_key(name)) {
                self.send_set(number, ms, std::mem::take(&mut set));
            }
            (number, ms) = (reading.number, measured);
            self.last_number = self.last_number.max(number);
            set.insert(name.to_owned(), value(reading.value));
            if old {
                self.send_set(number, ms, std::mem::take(&mut set));
            }
        }
        if !set.is_empty() {
            self.send_set(number, ms, set);
        }
    }

    fn send_set(&self, number: u64, ms: u64, set: Map<String, Json>) {
        let body = json!({"b": self.plan.boot, "n": number, "ms": ms, "v": set});
        self.publish("set", QoS::AtMostOnce, false, &body);
    }

    fn say_discrete_again(&mut self, channels: &ChannelTable) {
        let set: Map<String, Json> = self
            .discrete
            .iter()
            .map(|(channel, word)| (channels.name(*channel).to_owned(), json!(word)))
            .collect();
        if !set.is_empty() {
            self.last_number += 1;
            self.send_set(self.last_number, self.ms(), set);
        }
    }

    fn obey(&mut self, channel: ChannelIx, name: &str, body: &Json) -> Vec<Switch> {
        let id = body["id"].as_str().unwrap_or_default().to_owned();
        let switch = |word| vec![Switch { channel, word }];
        match body["op"].as_str() {
            Some("cut") => {
                self.on.insert(channel, false);
                self.acknowledge(name, &json!({"id": id, "r": "ok"}));
                switch("cut")
            }
            Some("arm") => {
                self.tokens_made += 1;
                let token = format!("{:04X}", self.tokens_made.wrapping_mul(0x9E37) & 0xFFFF);
                self.tokens.insert(channel, (token.clone(), Instant::now() + TOKEN_FOR));
                self.acknowledge(name, &json!({"id": id, "r": "tok", "tok": token}));
                Vec::new()
            }
            Some("on") => {
                let token = self.tokens.remove(&channel);
                let good = token.is_some_and(|(token, until)| {
                    Instant::now() < until && body["tok"].as_str() == Some(&token)
                });
                if !good || self.permit_until <= Instant::now() {
                    self.acknowledge(name, &json!({"id": id, "r": "no", "why": "token"}));
                    return Vec::new();
                }
                self.on.insert(channel, true);
                self.acknowledge(name, &json!({"id": id, "r": "ok"}));
                switch("on")
            }
            Some("throw") => {
                let word = match body["to"].as_str() {
                    Some("normal") => "normal",
                    Some("reverse") => "reverse",
                    Some(_) | None => {
                        self.acknowledge(name, &json!({"id": id, "r": "no", "why": "to"}));
                        return Vec::new();
                    }
                };
                self.acknowledge(name, &json!({"id": id, "r": "ok"}));
                switch(word)
            }
            Some(_) | None => {
                self.acknowledge(name, &json!({"id": id, "r": "no", "why": "op"}));
                Vec::new()
            }
        }
    }

    fn all_off(&mut self) -> Vec<Switch> {
        let mut done = Vec::new();
        for (channel, on) in &mut self.on {
            if std::mem::take(on) {
                done.push(Switch { channel: *channel, word: "cut" });
            }
        }
        done
    }

    fn acknowledge(&self, channel: &str, body: &Json) {
        self.publish(&format!("ack/{channel}"), QoS::AtLeastOnce, false, body);
    }

    fn publish(&self, branch: &str, qos: QoS, retained: bool, body: &Json) {
        let topic = format!("{}/{}/{branch}", self.root, self.plan.id);
        // A full queue means that the broker is away: a sensor node drops what it cannot send.
        let _ = self.client.try_publish(topic, qos, retained, body.to_string());
    }

    fn ms(&self) -> u64 {
        u64::try_from(self.started.elapsed().as_millis()).unwrap_or(u64::MAX)
    }
}

fn birth(plan: &Plan, channels: &ChannelTable) -> Json {
    let mut announced = Map::new();
    for it in &plan.channels {
        let mut about = Map::new();
        if let Some(hz) = it.hz {
            about.insert("hz".to_owned(), json!(hz));
        }
        if let Some(ms) = it.avg_ms {
            about.insert("avg_ms".to_owned(), json!(ms));
        }
        if it.output {
            about.insert("out".to_owned(), json!(true));
            if channels.name(it.channel).ends_with("/power") {
                about.insert("arm".to_owned(), json!(true));
            }
        }
        announced.insert(channels.name(it.channel).to_owned(), Json::Object(about));
    }
    json!({"id": plan.id, "boot": plan.boot, "permit_ms": PERMIT_MS, "channels": announced})
}

fn value(value: SimValue) -> Json {
    match value {
        SimValue::Number(number) => json!(number),
        SimValue::Word(word) => json!(word),
        SimValue::Invalid(why) => json!({"v": null, "e": why}),
    }
}

/// An order that carries the retain flag is an old one: a node ignores it.
fn understand(publish: &Publish) -> Option<Message> {
    if publish.retain {
        return None;
    }
    let mut parts = publish.topic.splitn(4, '/').skip(1);
    let (owner, branch) = (parts.next()?, parts.next()?);
    if owner == "-" {
        return (branch == "cut").then_some(Message::CutAll);
    }
    let body: Json = serde_json::from_slice(&publish.payload).ok()?;
    match branch {
        "order" => Some(Message::Order { channel: parts.next()?.to_owned(), body }),
        "permit" => {
            Some(Message::Permit { boot: body["b"].as_str()?.to_owned(), ms: body["ms"].as_u64()? })
        }
        _ => None,
    }
}
