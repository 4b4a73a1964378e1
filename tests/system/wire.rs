//! Everything between the plant's nodes and the supervisor: messages that get lost, late, repeated, out of order and
//! spoilt; a broker and nodes that restart; orders on the same ways; permits, without which nodes drop their outputs.

use std::collections::BTreeMap;

use simulator::{SimReading, World, random::Random};
use supervision::{
    input::{Input, LinkReport, OrderId, Quality},
    output::Order,
};
use wiring::{
    channel::ChannelTable,
    index::ChannelIx,
    units::{Micros, Mono},
};

use crate::trial::link::{self, Link};

/// Outputs fall so long after the last permit. links.md 5.4, MQTT.
const PERMIT: Micros = Micros::from_millis(3000);
/// Permits are sent this often.
const PERMIT_EVERY: Micros = Micros::from_millis(250);
/// Extra delay from which on a reading counts as late. links.md 5.1, MQTT.
const LATE: Micros = Micros::from_millis(500);

/// What happened to messages, counted.
#[derive(Clone, Copy, Debug, Default)]
pub struct Counts {
    pub carried: u64,
    pub lost: u64,
    pub late: u64,
    pub repeated: u64,
    pub spoilt: u64,
    pub orders_lost: u64,
    pub orders_refused: u64,
    pub permits_missed: u64,
    pub node_restarts: u64,
    pub broker_restarts: u64,
}

enum Message {
    Reading(SimReading),
    Report(LinkReport),
    Birth { node: usize, restarted: bool },
}

struct Node {
    outputs: Vec<ChannelIx>,
    down_until: Mono,
    reborn: bool,
    permitted: Mono,
    dropped: bool,
    /// Orders keep their order.
    latest_order: Mono,
}

pub struct Wire {
    link: Link,
    nodes: Vec<Node>,
    random: Random,
    /// Of how many messages one has some trouble; none: the wire is calm.
    pub trouble: Option<usize>,
    broker_down_until: Mono,
    broker_reborn: bool,
    to_daemon: BTreeMap<(Mono, u64), Message>,
    to_plant: BTreeMap<(Mono, u64), Order>,
    sent: u64,
    next_permit: Mono,
    pub counts: Counts,
}

impl Wire {
    pub fn new(world: &World, seed: u64) -> Self {
        let nodes = world.nodes().iter().map(|it| Node {
            outputs: it.channels.iter().filter(|it| it.output).map(|it| it.channel).collect(),
            down_until: Mono::START,
            reborn: false,
            permitted: Mono::START,
            dropped: false,
            latest_order: Mono::START,
        });
        Self {
            link: Link::new(world.nodes().len()),
            nodes: nodes.collect(),
            random: Random::new(seed, 0x3173),
            trouble: None,
            broker_down_until: Mono::START,
            broker_reborn: false,
            to_daemon: BTreeMap::new(),
            to_plant: BTreeMap::new(),
            sent: 0,
            next_permit: Mono::START,
            counts: Counts::default(),
        }
    }

    /// The daemon has started: it knows nobody, and retained births come to it.
    pub fn daemon_started(&mut self, now: Mono) {
        self.link = Link::new(self.nodes.len());
        self.to_daemon.clear();
        self.announce_all(now);
    }

    fn announce_all(&mut self, now: Mono) {
        for node in 0..self.nodes.len() {
            if self.nodes[node].down_until <= now && self.broker_down_until <= now {
                let at = now + Micros(1000 + self.random.below(100_000) as u64);
                self.post(at, Message::Birth { node, restarted: false });
            }
        }
    }

    fn post(&mut self, at: Mono, message: Message) {
        self.sent += 1;
        self.to_daemon.insert((at, self.sent), message);
    }

    pub fn is_broker_up(&self, now: Mono) -> bool {
        self.broker_down_until <= now
    }

    /// Messages under way.
    pub fn under_way(&self) -> usize {
        self.to_daemon.len() + self.to_plant.len()
    }

    /// The broker goes away for a while, with everything it carries.
    pub fn stop_broker(&mut self, now: Mono, span: Micros) {
        self.counts.broker_restarts += 1;
        self.broker_down_until = now + span;
        self.broker_reborn = true;
        self.to_daemon.clear();
    }

    /// A node restarts: its outputs fall at once.
    pub fn restart_node(&mut self, node: usize, world: &mut World, now: Mono, span: Micros) {
        self.counts.node_restarts += 1;
        self.nodes[node].down_until = now + span;
        self.nodes[node].reborn = true;
        self.drop_outputs(node, world, now);
        self.to_plant.retain(|_, order| !self.nodes[node].outputs.contains(&order.channel));
    }

    fn drop_outputs(&mut self, node: usize, world: &mut World, now: Mono) {
        self.nodes[node].dropped = true;
        for channel in &self.nodes[node].outputs {
            world.order(*channel, "cut", now);
        }
    }

    pub fn nodes(&self) -> usize {
        self.nodes.len()
    }

    /// One message in so many has this trouble.
    fn happens(&mut self, weight: usize) -> bool {
        self.trouble.is_some_and(|of| self.random.below(of) < weight)
    }

    /// A node sends a reading.
    pub fn send(&mut self, reading: SimReading, now: Mono) {
        if now < self.broker_down_until || now < self.nodes[reading.node].down_until {
            return;
        }
        if self.happens(2) {
            self.counts.lost += 1;
            return;
        }
        self.counts.carried += 1;
        let mut delay = Micros(500 + self.random.below(4000) as u64);
        if self.happens(2) {
            self.counts.late += 1;
            delay = Micros(20_000 + self.random.below(2_500_000) as u64);
        }
        let at = reading.at.max(now) + delay;
        if self.happens(1) {
            self.counts.spoilt += 1;
            let source = "a node".to_owned();
            let what = "a message that is none".to_owned();
            self.post(at, Message::Report(LinkReport::Unusable { source, what }));
            return;
        }
        if self.happens(1) {
            self.counts.repeated += 1;
            let again = at + Micros(self.random.below(300_000) as u64);
            self.post(again, Message::Reading(reading));
        }
        self.post(at, Message::Reading(reading));
    }

    /// The daemon sends an order.
    pub fn order(&mut self, order: Order, now: Mono) {
        let id = order.id;
        if now < self.broker_down_until {
            self.post(now, Message::Report(LinkReport::NotSent { order: id }));
            return;
        }
        let node = self.nodes.iter().position(|it| it.outputs.contains(&order.channel));
        let Some(node) = node else { return };
        if now < self.nodes[node].down_until || self.happens(4) {
            self.counts.orders_lost += 1;
            return;
        }
        let delay = Micros(5000 + self.random.below(10_000) as u64);
        let delay = if self.happens(4) { Micros(delay.0 * 20) } else { delay };
        let at = (now + delay).max(self.nodes[node].latest_order);
        self.nodes[node].latest_order = at;
        if self.happens(2) {
            self.counts.orders_refused += 1;
            let reason = "no".to_owned();
            self.post(at, Message::Report(LinkReport::Refused { order: id, reason }));
            return;
        }
        self.answer(id, at + Micros::from_millis(3));
        self.sent += 1;
        self.to_plant.insert((at, self.sent), order);
    }

    fn answer(&mut self, order: OrderId, at: Mono) {
        self.post(at, Message::Report(LinkReport::Acknowledged { order }));
    }

    /// Orders that arrive up to `to`, permits, and what restarts.
    pub fn advance(&mut self, world: &mut World, to: Mono, daemon_lives: bool) {
        while let Some(entry) = self.to_plant.first_entry().filter(|it| it.key().0 <= to) {
            let ((at, _), order) = entry.remove_entry();
            world.order(order.channel, order.action.word(), at);
        }
        if std::mem::take(&mut self.broker_reborn) {
            if self.is_broker_up(to) {
                self.announce_all(to);
            } else {
                self.broker_reborn = true;
            }
        }
        for node in 0..self.nodes.len() {
            if self.nodes[node].reborn && self.nodes[node].down_until <= to && self.is_broker_up(to)
            {
                self.nodes[node].reborn = false;
                self.post(to, Message::Birth { node, restarted: true });
            }
        }
        if self.next_permit <= to {
            self.next_permit = to + PERMIT_EVERY;
            self.permit(world, to, daemon_lives);
        }
    }

    fn permit(&mut self, world: &mut World, now: Mono, daemon_lives: bool) {
        for node in 0..self.nodes.len() {
            let heard = daemon_lives
                && self.is_broker_up(now)
                && self.nodes[node].down_until <= now
                && !self.happens(2);
            if heard {
                self.nodes[node].permitted = now;
                self.nodes[node].dropped = false;
            } else if !self.nodes[node].dropped && PERMIT <= now.since(self.nodes[node].permitted) {
                self.counts.permits_missed += 1;
                self.drop_outputs(node, world, now);
            }
        }
    }

    /// What reaches the daemon up to `to`, in order, each with its instant.
    pub fn arrivals(
        &mut self,
        world: &World,
        channels: &ChannelTable,
        to: Mono,
    ) -> Vec<(Mono, Input)> {
        let mut inputs = Vec::new();
        while let Some(entry) = self.to_daemon.first_entry().filter(|it| it.key().0 <= to) {
            let ((at, _), message) = entry.remove_entry();
            match message {
                Message::Report(report) => inputs.push((at, Input::Link(report))),
                Message::Birth { node, restarted } => {
                    self.link.born(node, at);
                    inputs.push((at, birth(node, world, restarted)));
                }
                Message::Reading(reading) => {
                    let late = LATE < at.since(reading.at);
                    let heard = SimReading { at, ..reading };
                    let came = self.link.reading(&heard, channels);
                    inputs.extend(came.map(|input| (at, if late { aged(input) } else { input })));
                }
            }
        }
        inputs.extend(self.link.silences(to).into_iter().map(|it| (to, it)));
        inputs
    }
}

fn aged(input: Input) -> Input {
    match input {
        Input::Reading(mut reading) if reading.quality == Quality::Good => {
            reading.quality = Quality::Late;
            Input::Reading(reading)
        }
        Input::Reading(_) | Input::Link(_) | Input::Operator(_) | Input::Tick => input,
    }
}

fn birth(node: usize, world: &World, again: bool) -> Input {
    let mut input = link::birth(node, &world.nodes()[node]);
    if let Input::Link(LinkReport::Born { restarted, .. }) = &mut input {
        *restarted = again;
    }
    input
}
