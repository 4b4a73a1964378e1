//! What comes in by MQTT: a message becomes inputs for the supervisor and news for the order desk. No I/O.

use std::{
    collections::BTreeMap,
    sync::Arc,
    time::{Duration, Instant},
};

use supervision::input::{
    Act, Announced, Feed, Input, LinkReport, NodeIx, OperatorRequest, Quality, Reading, RequestId,
    Transport, Value,
};
use wiring::{
    channel::{ChannelTable, Object, Quantity},
    index::{BoosterIx, ChannelIx, DistrictIx},
    units::Micros,
};

use super::{
    map::Mapping,
    payload::{self, Ack, Stamp},
    topics::{Heard, Topics},
};
use crate::{
    delay::DelayEstimate,
    links::Manner,
    nodes::NodeNumbers,
    numbering::Numbering,
    order_check::{InOrder, Newest},
    status::NodeStatus,
    unusable::{Unusable, printable},
};

/// A node that was silent for this long is lost.
pub(crate) const LOST_AFTER: Duration = Duration::from_millis(3500);
/// A reading later than this over the best line is late. Unit: ms.
const LATE_AFTER: u32 = 500;
/// Signs of life are passed on this often.
const TELL_ALIVE_EVERY: Duration = Duration::from_millis(250);
/// Readings a second that a node may announce.
const FASTEST_RATE: f64 = 100_000.0;
/// Our requests are numbered from here, so that they differ from those of the dashboard.
const FIRST_REQUEST: u64 = 1 << 62;

/// What the order desk is to know.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum News {
    /// A node announced these outputs.
    Outputs(Offer),
    /// It answered an order.
    Ack { node: String, channel: String, ack: Ack },
    /// A retained message of an earlier run.
    Leftover { topic: String },
}

/// What a node offers to the order desk.
#[derive(Clone, Debug, Eq, PartialEq)]
pub(crate) struct Offer {
    pub(crate) node: String,
    /// As in its birth, for permits.
    pub(crate) boot: String,
    pub(crate) permit_ms: Option<u32>,
    /// Outputs, and whether each wants to be armed.
    pub(crate) outputs: Vec<(ChannelIx, bool)>,
    /// The birth is new or differs, not only heard again.
    pub(crate) restarted: bool,
}

/// Counters.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct IntakeCounts {
    pub(crate) received: u64,
    pub(crate) out_of_order: u64,
    /// Messages missing between two numbers of a node.
    pub(crate) lost: u64,
}

/// How old a message is.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Age {
    /// As fresh as the line allows.
    Fresh,
    /// It waited somewhere.
    Late,
    /// Retained: as old as may be, and outside any order.
    Retained,
    /// Of a boot before the present one.
    BootBefore,
}

#[derive(Debug)]
struct Node {
    ix: NodeIx,
    boot: Option<u32>,
    /// Boots before this one: what still comes from them is old.
    boots_before: Vec<u32>,
    born: Option<Birth>,
    alive: bool,
    heard: Instant,
    told_alive: Option<Instant>,
    delay: Option<DelayEstimate>,
    numbering: Numbering,
}

#[derive(Clone, Debug)]
struct Birth {
    channels: Vec<Announced>,
    permit: bool,
}

/// Everything known from incoming messages.
#[derive(Debug)]
pub(crate) struct Intake {
    /// Put before the names of nodes of a further broker: a name on two brokers is two nodes.
    prefix: String,
    topics: Topics,
    channels: Arc<ChannelTable>,
    numbers: Arc<NodeNumbers>,
    mapping: Mapping,
    nodes: BTreeMap<String, Node>,
    newest: Vec<Newest>,
    unusable: Unusable,
    requests: u64,
    ready: Vec<Input>,
    news: Vec<News>,
    pub(crate) counts: IntakeCounts,
}

/// A message as it came.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Incoming<'a> {
    pub(crate) topic: &'a str,
    pub(crate) payload: &'a [u8],
    pub(crate) retained: bool,
    pub(crate) at: Instant,
}

impl Intake {
    /// `broker`: the name of the broker's table.
    pub(crate) fn new(
        broker: &str,
        topics: Topics,
        channels: Arc<ChannelTable>,
        numbers: Arc<NodeNumbers>,
        mapping: Mapping,
    ) -> Self {
        let newest = vec![Newest::default(); channels.len()];
        let prefix = if broker == "mqtt" { String::new() } else { format!("{broker}.") };
        Self {
            prefix,
            topics,
            channels,
            numbers,
            mapping,
            nodes: BTreeMap::new(),
            newest,
            unusable: Unusable::default(),
            requests: FIRST_REQUEST,
            ready: Vec::new(),
            news: Vec::new(),
            counts: IntakeCounts::default(),
        }
    }

    /// With the usual root, no foreign topics and numbers of its own.
    #[cfg(test)]
    pub(crate) fn for_tests(channels: Arc<ChannelTable>) -> Self {
        let numbers = Arc::new(NodeNumbers::default());
        Self::new("mqtt", Topics::new("checkrail"), channels, numbers, Mapping::default())
    }

    /// Every filter to subscribe to, and whether with QoS 1.
    pub(crate) fn filters(&self, manner: Manner) -> Vec<(String, bool)> {
        let mut filters = match manner {
            Manner::Supervising => self.topics.filters(),
            Manner::Listening => self.topics.listener_filters(),
        };
        filters.extend(self.mapping.filters().map(|filter| (filter.to_owned(), false)));
        filters
    }

    /// What the supervisor is to be told.
    pub(crate) fn take_ready(&mut self) -> Vec<Input> {
        std::mem::take(&mut self.ready)
    }

    /// What the order desk is to know.
    pub(crate) fn take_news(&mut self) -> Vec<News> {
        std::mem::take(&mut self.news)
    }

    /// Takes a message.
    pub(crate) fn handle(&mut self, message: Incoming) {
        self.counts.received += 1;
        let topics = self.topics.clone();
        match topics.hear(message.topic) {
            Heard::Reading { node, channel } => self.reading(node, channel, message),
            Heard::Set { node } => self.set(node, message),
            Heard::Birth { node } => self.birth(node, message),
            Heard::Health { node } => self.health(node, message),
            Heard::Ack { node, channel } => self.ack(node, channel, message),
            Heard::AskCut { who } => self.ask_cut(who, message),
            Heard::Ours if message.retained && !message.payload.is_empty() => {
                self.news.push(News::Leftover { topic: message.topic.to_owned() });
            }
            Heard::Ours => {}
            Heard::Foreign => self.foreign(message),
        }
    }

    fn reading(&mut self, node: &str, channel: &str, message: Incoming) {
        let Some((index, quantity)) = self.input_channel(channel) else {
            let what = format!("`{channel}` is no input of the layout");
            return self.unusable(message.topic, &what, message.at);
        };
        match payload::reading(quantity, message.payload) {
            Ok(read) => {
                let age = self.heard_from(node, read.stamp, message);
                self.pass_on(index, quantity, (read.value, read.stamp), age);
            }
            Err(why) => self.unusable(message.topic, &why.to_string(), message.at),
        }
    }

    fn set(&mut self, node: &str, message: Incoming) {
        let set = match payload::set(message.payload) {
            Ok(set) => set,
            Err(why) => return self.unusable(message.topic, &why.to_string(), message.at),
        };
        let age = self.heard_from(node, set.stamp, message);
        for name in set.names() {
            let source = || format!("{} {name}", message.topic);
            match self.input_channel(name).map(|(ix, q)| (ix, q, set.value(name, q))) {
                Some((index, quantity, Ok(value))) => {
                    self.pass_on(index, quantity, (value, set.stamp), age);
                }
                Some((_, _, Err(why))) => self.unusable(&source(), &why.to_string(), message.at),
                None => self.unusable(&source(), "is no input of the layout", message.at),
            }
        }
    }

    fn input_channel(&self, name: &str) -> Option<(ChannelIx, Quantity)> {
        let index = self.channels.find(name)?;
        let quantity = self.channels.channel(index).quantity;
        quantity.is_input().then_some((index, quantity))
    }

    /// Notes a sign of life and a boot; tells how old the message is, by its clock and its boot.
    fn heard_from(&mut self, name: &str, stamp: Stamp, message: Incoming) -> Age {
        if message.retained {
            return Age::Retained;
        }
        let Some(node) = node(&mut self.nodes, (&self.numbers, &self.prefix), name, message.at)
        else {
            self.unusable(message.topic, "is of one node too many", message.at);
            return Age::Late;
        };
        if stamp.boot.is_some_and(|boot| node.boots_before.contains(&boot)) {
            return Age::BootBefore;
        }
        if let (Some(boot), true) = (stamp.boot, stamp.boot != node.boot) {
            node.new_boot(boot);
            self.restarted(name);
        }
        let Some(node) = self.nodes.get_mut(name) else { return Age::Late };
        node.lives(message.at, &mut self.ready);
        self.counts.lost += stamp.number.map_or(0, |number| node.numbering.missing(number));
        let Some(ms) = stamp.ms else { return Age::Fresh };
        let delay = node.delay.get_or_insert_with(|| DelayEstimate::new(message.at, ms));
        let late = delay.extra(message.at, ms) > LATE_AFTER;
        if let Some(off) = delay.poll_skew() {
            self.ready.push(Input::Link(LinkReport::clock(node.ix, off)));
        }
        if late { Age::Late } else { Age::Fresh }
    }

    /// A node restarted without having said so by a new birth yet: what it measured is stale.
    fn restarted(&mut self, name: &str) {
        let Some(node) = self.nodes.get(name) else { return };
        if let Some(birth) = &node.born {
            self.ready.push(Input::Link(LinkReport::Born {
                node: node.ix,
                name: format!("{}{name}", self.prefix),
                transport: Transport::Mqtt,
                channels: birth.channels.clone(),
                permit: birth.permit,
                restarted: true,
            }));
        }
    }

    fn pass_on(
        &mut self,
        channel: ChannelIx,
        quantity: Quantity,
        (value, stamp): (Value, Stamp),
        age: Age,
    ) {
        let measured = matches!(quantity, Quantity::Current | Quantity::Voltage | Quantity::Peak);
        let Stamp { number, ms, boot } = stamp;
        let order = match age {
            Age::Retained => InOrder::Unnumbered,
            Age::BootBefore => InOrder::Old,
            Age::Fresh | Age::Late => self.newest[channel.at()].judge(boot, number, ms, measured),
        };
        self.counts.out_of_order += u64::from(matches!(order, InOrder::Again | InOrder::Old));
        let quality = match (order, age) {
            (InOrder::Again, _) => Quality::Resent,
            // An older state is no news: the latest wins. An older current may still be a warning.
            (InOrder::Old, _) if !measured => return,
            (InOrder::Old, _) | (_, Age::Late | Age::Retained | Age::BootBefore) => Quality::Late,
            (InOrder::Next, Age::Fresh) => Quality::Good,
            (InOrder::Unnumbered, Age::Fresh) => Quality::Bare,
        };
        let node_ms = ms;
        self.ready.push(Input::Reading(Reading { channel, value, quality, node_ms }));
    }

    fn birth(&mut self, name: &str, message: Incoming) {
        if message.payload.is_empty() {
            return;
        }
        let birth = match payload::birth(message.payload) {
            Ok(birth) => birth,
            Err(why) => return self.unusable(message.topic, &why.to_string(), message.at),
        };
        let (announced, outputs) = self.offered(&birth, message);
        let Some(node) = node(&mut self.nodes, (&self.numbers, &self.prefix), name, message.at)
        else {
            return self.unusable(message.topic, "is of one node too many", message.at);
        };
        let boot = birth.boot_number();
        let restarted = node.boot.is_some_and(|it| it != boot);
        if node.boot != Some(boot) {
            node.new_boot(boot);
        }
        let permit = birth.permit_ms.is_some_and(|ms| ms > 0);
        node.born = Some(Birth { channels: announced.clone(), permit });
        node.heard = message.at;
        // A retained birth says what there is, not that it lives now; silence will tell.
        node.alive = true;
        self.ready.push(Input::Link(LinkReport::Born {
            node: node.ix,
            name: format!("{}{name}", self.prefix),
            transport: Transport::Mqtt,
            channels: announced,
            permit,
            restarted,
        }));
        let (node, permit_ms) = (name.to_owned(), birth.permit_ms.filter(|ms| *ms > 0));
        let offer = Offer { node, boot: birth.boot, permit_ms, outputs, restarted };
        self.news.push(News::Outputs(offer));
    }

    /// Channels of a birth that the layout has.
    fn offered(
        &mut self,
        birth: &payload::Birth,
        message: Incoming,
    ) -> (Vec<Announced>, Vec<(ChannelIx, bool)>) {
        let mut announced = Vec::new();
        let mut outputs = Vec::new();
        for (name, offered) in &birth.channels {
            let found = self.channels.find(name).filter(|it| {
                let quantity = self.channels.channel(*it).quantity;
                if offered.out { quantity.is_order() } else { quantity.is_input() }
            });
            let Some(channel) = found else {
                let kind = if offered.out { "output" } else { "input" };
                let what =
                    format!("announces `{}`, which is no {kind} of the layout", printable(name));
                self.unusable(&format!("{} {name}", message.topic), &what, message.at);
                continue;
            };
            let rate = offered.hz.filter(|hz| hz.is_finite() && *hz > 0.0 && *hz <= FASTEST_RATE);
            let period = rate.map(|hz| Micros((1e6 / hz).round() as u64));
            announced.push(Announced {
                output: offered.out,
                averaging: offered.avg_ms.map(|ms| Micros::from_millis(u64::from(ms))),
                ..Announced::input(channel, period)
            });
            if offered.out {
                outputs.push((channel, offered.arm));
            }
        }
        (announced, outputs)
    }

    fn health(&mut self, name: &str, message: Incoming) {
        if message.payload.is_empty() {
            return;
        }
        let health = match payload::health(message.payload) {
            Ok(health) => health,
            Err(why) => return self.unusable(message.topic, &why.to_string(), message.at),
        };
        let stamp = Stamp { number: None, ms: health.ms, boot: health.boot_number() };
        if health.up {
            self.heard_from(name, stamp, message);
        } else if let Some(node) = self.nodes.get_mut(name) {
            // Bad news is believed even when it is retained.
            node.lost(&mut self.ready);
        }
    }

    fn ack(&mut self, node: &str, channel: &str, message: Incoming) {
        if message.retained {
            return;
        }
        match payload::ack(message.payload) {
            Ok(ack) => {
                self.heard_from(node, Stamp::default(), message);
                let (node, channel) = (node.to_owned(), channel.to_owned());
                self.news.push(News::Ack { node, channel, ack });
            }
            Err(why) => self.unusable(message.topic, &why.to_string(), message.at),
        }
    }

    /// A request to cut: `district/ID`, `booster/ID`, one of their power channels, or `all`; there is none to restore.
    fn ask_cut(&mut self, who: &str, message: Incoming) {
        let text = String::from_utf8_lossy(message.payload);
        let text = text.trim().trim_matches('"');
        let feeds = if message.retained { None } else { self.feeds(text) };
        let Some(feeds) = feeds else {
            let what = if message.retained {
                "is retained: a request must be fresh".to_owned()
            } else {
                format!("asks to cut `{}`, which is no district or booster", printable(text))
            };
            return self.unusable(message.topic, &what, message.at);
        };
        for feed in feeds {
            self.requests += 1;
            self.ready.push(Input::Operator(OperatorRequest {
                id: RequestId(self.requests),
                who: printable(who),
                act: Act::Cut(feed),
            }));
        }
    }

    fn feeds(&self, text: &str) -> Option<Vec<Feed>> {
        if matches!(text, "" | "all") {
            let powers = self.channels.iter().filter(|(_, it)| it.quantity == Quantity::Power);
            return Some(powers.filter_map(|(_, it)| feed(it.object)).collect());
        }
        let name = text.strip_suffix("/power").unwrap_or(text);
        let channel = self.channels.find(&format!("{name}/power"))?;
        Some(vec![feed(self.channels.channel(channel).object)?])
    }

    fn foreign(&mut self, message: Incoming) {
        let found = self.mapping.read(message.topic, message.payload, &self.channels);
        if found.is_empty() {
            // An empty retained message only clears a topic.
            if !message.payload.is_empty() {
                self.unusable(message.topic, "is a topic that no rule names", message.at);
            }
            return;
        }
        for read in found {
            match read {
                Ok((channel, value)) => {
                    let quality = if message.retained { Quality::Late } else { Quality::Bare };
                    let reading = Reading { channel, value, quality, node_ms: None };
                    self.ready.push(Input::Reading(reading));
                }
                Err(why) => self.unusable(message.topic, &why.to_string(), message.at),
            }
        }
    }

    /// Nodes that fell silent.
    pub(crate) fn handle_timeout(&mut self, now: Instant) {
        for node in self.nodes.values_mut() {
            if now.saturating_duration_since(node.heard) >= LOST_AFTER {
                node.lost(&mut self.ready);
            }
        }
    }

    /// A rule or a subscription failed.
    pub(crate) fn unusable(&mut self, source: &str, what: &str, at: Instant) {
        if let Some(report) = self.unusable.note(source, what, at) {
            self.ready.push(Input::Link(report));
        }
    }

    pub(crate) const fn unusable_total(&self) -> u64 {
        self.unusable.total()
    }

    /// Foreign topics that take orders for a channel.
    pub(crate) const fn mapping(&self) -> &Mapping {
        &self.mapping
    }

    pub(crate) fn node_statuses(&self) -> Vec<NodeStatus> {
        let born = self.nodes.iter().filter(|(_, node)| node.born.is_some());
        born.map(|(name, node)| NodeStatus {
            name: format!("{}{name}", self.prefix),
            alive: node.alive,
            trouble: String::new(),
        })
        .collect()
    }

    /// Largest extra delay of any node lately. Unit: ms.
    pub(crate) fn lag(&self) -> u32 {
        let delays = self.nodes.values().filter_map(|node| node.delay.as_ref());
        delays.map(DelayEstimate::largest).max().unwrap_or(0)
    }
}

impl Node {
    fn new_boot(&mut self, boot: u32) {
        if let Some(before) = self.boot.replace(boot) {
            if self.boots_before.len() >= 8 {
                self.boots_before.remove(0);
            }
            self.boots_before.push(before);
            self.boots_before.retain(|it| *it != boot);
        }
        self.delay = None;
        self.numbering = Numbering::default();
    }

    fn lives(&mut self, now: Instant, ready: &mut Vec<Input>) {
        self.heard = now;
        let was_lost = !std::mem::replace(&mut self.alive, true);
        let due = |told: Instant| now.saturating_duration_since(told) >= TELL_ALIVE_EVERY;
        if self.born.is_some() && (was_lost || self.told_alive.is_none_or(due)) {
            self.told_alive = Some(now);
            ready.push(Input::Link(LinkReport::Alive { node: self.ix }));
        }
    }

    fn lost(&mut self, ready: &mut Vec<Input>) {
        if std::mem::replace(&mut self.alive, false) && self.born.is_some() {
            ready.push(Input::Link(LinkReport::Lost { node: self.ix }));
        }
    }
}

fn node<'a>(
    nodes: &'a mut BTreeMap<String, Node>,
    (numbers, prefix): (&NodeNumbers, &str),
    name: &str,
    at: Instant,
) -> Option<&'a mut Node> {
    if !nodes.contains_key(name) {
        let ix = numbers.number(Transport::Mqtt, &format!("{prefix}{name}"))?;
        let node = Node {
            ix,
            boot: None,
            boots_before: Vec::new(),
            born: None,
            alive: false,
            heard: at,
            told_alive: None,
            delay: None,
            numbering: Numbering::default(),
        };
        nodes.insert(name.to_owned(), node);
    }
    nodes.get_mut(name)
}

const fn feed(object: Object) -> Option<Feed> {
    match object {
        Object::Booster(it) => Some(Feed::Booster(BoosterIx(it.0))),
        Object::District(it) => Some(Feed::District(DistrictIx(it.0))),
        Object::Block(_)
        | Object::Machine(_)
        | Object::Frog(_)
        | Object::Pole(_)
        | Object::Reverser(_) => None,
    }
}

#[cfg(test)]
#[path = "intake_tests.rs"]
mod tests;
