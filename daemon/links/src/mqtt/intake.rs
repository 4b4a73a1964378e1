//! What comes in by MQTT: a message becomes inputs for the supervisor and news for the order desk. No I/O.

mod births;
mod nodes;

use std::{collections::BTreeMap, sync::Arc, time::Instant, vec::Drain};

use supervision::input::{Act, Feed, Input, OperatorRequest, Quality, Reading, RequestId, Value};
use wiring::{
    channel::{ChannelTable, Object, Quantity},
    index::{BoosterIx, ChannelIx, DistrictIx},
};

use self::nodes::{Age, Node};
use super::{
    foreign::{Foreign, ForeignMessage, Mapping},
    payload::{self, Ack, Stamp},
    topics::{Heard, Topics},
};
use crate::{
    links::Manner,
    nodes::NodeNumbers,
    order_check::{InOrder, Newest},
    status::LastUnusable,
    unusable::{Unusable, printable},
};

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

/// Counters of what nodes of one's own say; [`Intake::out_of_order`] and [`Intake::lost`] count foreign senders too.
#[derive(Clone, Copy, Debug, Default)]
struct IntakeCounts {
    received: u64,
    out_of_order: u64,
    /// Messages missing between two numbers of a node.
    lost: u64,
}

/// Everything known from incoming messages.
#[derive(Debug)]
pub(crate) struct Intake {
    /// Put before the names of nodes of a further broker: a name on two brokers is two nodes.
    prefix: String,
    topics: Topics,
    channels: Arc<ChannelTable>,
    numbers: Arc<NodeNumbers>,
    foreign: Foreign,
    nodes: BTreeMap<String, Node>,
    newest: Vec<Newest>,
    unusable: Unusable,
    requests: u64,
    ready: Vec<Input>,
    news: Vec<News>,
    counts: IntakeCounts,
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
        let foreign = Foreign::new(mapping);
        let prefix = if broker == "mqtt" { String::new() } else { format!("{broker}.") };
        Self {
            prefix,
            topics,
            channels,
            numbers,
            foreign,
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
        filters.extend(self.mapping().filters().map(|filter| (filter.to_owned(), false)));
        filters
    }

    /// What the supervisor is to be told. The list's memory is used again: a reading allocates nothing here.
    pub(crate) fn drain_ready(&mut self) -> Drain<'_, Input> {
        self.ready.drain(..)
    }

    /// What the order desk is to know.
    pub(crate) fn take_news(&mut self) -> Vec<News> {
        std::mem::take(&mut self.news)
    }

    /// Takes a message.
    pub(crate) fn handle(&mut self, message: Incoming) {
        self.counts.received += 1;
        match self.topics.hear(message.topic) {
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
        let Incoming { topic, payload, retained, at } = message;
        let message = ForeignMessage { topic, payload, retained, at };
        let given = self.foreign.handle(message, &self.channels);
        // An empty retained message only clears a topic.
        if given.is_unknown && !payload.is_empty() {
            self.unusable(topic, "is a topic that no rule names", at);
        }
        self.ready.extend(given.readings.into_iter().map(Input::Reading));
        for why in given.wrong {
            self.unusable(topic, &why.to_string(), at);
        }
    }

    /// A rule or a subscription failed.
    pub(crate) fn unusable(&mut self, source: &str, what: &str, at: Instant) {
        if let Some(report) = self.unusable.note(source, what, at) {
            self.ready.push(Input::Link(report));
        }
    }

    pub(crate) fn unusables(&self) -> (u64, Option<LastUnusable>) {
        (self.unusable.total(), self.unusable.last())
    }

    pub(crate) const fn received(&self) -> u64 {
        self.counts.received
    }

    /// Messages that were repeated or older than the newest.
    pub(crate) const fn out_of_order(&self) -> u64 {
        self.counts.out_of_order + self.foreign.counts.out_of_order
    }

    /// Messages missing between two numbers.
    pub(crate) const fn lost(&self) -> u64 {
        self.counts.lost + self.foreign.counts.lost
    }

    /// Foreign topics that take orders for a channel.
    pub(crate) const fn mapping(&self) -> &Mapping {
        self.foreign.mapping()
    }
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
