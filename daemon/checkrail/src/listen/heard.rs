//! What was heard: per channel, per node, and what could not be used.

use std::{
    collections::{BTreeMap, VecDeque},
    sync::Arc,
};

use links::{LinkKind, LinkStatus};
use supervision::input::{Input, LinkReport, NodeIx, Quality, Transport, Value};
use wiring::{
    channel::{ChannelTable, Quantity},
    index::ChannelIx,
    units::{Micros, Mono},
};

/// Arrivals kept for the rate of a channel.
const MOST_ARRIVALS: usize = 512;
/// The rate is of this time.
const RATE_OVER: Micros = Micros::from_millis(2000);
/// Currents, voltages and peaks without a stated rate are silent after this.
const SILENT_AFTER: Micros = Micros::from_millis(1500);
/// States are sent again every ten seconds.
const SILENT_STATE_AFTER: Micros = Micros::from_millis(25_000);
/// With a stated rate: three times its period, and never less than this.
const LEAST_SILENCE: Micros = Micros::from_millis(250);
/// Reasons why messages could not be used, told apart.
const MOST_UNUSABLE: usize = 200;

/// One channel.
#[derive(Debug, Default)]
pub struct Channel {
    /// Node that announced it.
    pub node: Option<NodeIx>,
    /// As announced; none: on change.
    pub period: Option<Micros>,
    /// An output; nothing arrives on it.
    pub output: bool,
    /// The newest value, how far it may be believed, and when it came.
    pub latest: Option<(Value, Quality, Mono)>,
    /// Readings in all, and those that were late or came twice.
    pub count: u64,
    /// See `count`.
    pub doubtful: u64,
    arrivals: VecDeque<Mono>,
}

/// How a channel is.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Condition {
    /// Readings arrive.
    Live,
    /// Nothing for longer than its rate allows.
    Silent,
    /// Announced, and nothing arrived yet.
    Never,
    /// An output.
    Output,
}

impl Condition {
    /// One word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Live => "live",
            Self::Silent => "silent",
            Self::Never => "never-seen",
            Self::Output => "output",
        }
    }
}

/// One node.
#[derive(Debug)]
pub struct Node {
    /// Its name.
    pub name: String,
    /// How it is connected.
    pub transport: Transport,
    /// Channels announced.
    pub channels: usize,
    /// It wants permits.
    pub permit: bool,
    /// It lives.
    pub alive: bool,
    /// Births heard.
    pub births: u64,
}

/// Messages of one source that could not be used.
#[derive(Debug)]
pub struct Bad {
    /// The newest reason.
    pub what: String,
    /// How often it was told; a source is told once in ten seconds.
    pub times: u64,
}

/// Something to be told at once.
#[derive(Debug)]
pub enum Happened {
    /// A node introduced itself.
    Born(NodeIx),
    /// It is lost.
    Lost(NodeIx),
    /// It lives again.
    Back(NodeIx),
    /// The first reading of a channel, or one of another quality.
    Reading(ChannelIx),
    /// A message that could not be used: source, reason.
    Unusable(String, String),
}

/// Everything heard.
pub struct Heard {
    /// The layout's channels.
    pub table: Arc<ChannelTable>,
    /// By their index.
    pub channels: BTreeMap<ChannelIx, Channel>,
    /// By their number.
    pub nodes: BTreeMap<u16, Node>,
    /// By source.
    pub unusable: BTreeMap<String, Bad>,
    started: Mono,
}

impl Heard {
    pub fn new(table: Arc<ChannelTable>, started: Mono) -> Self {
        let (channels, nodes) = (BTreeMap::new(), BTreeMap::new());
        Self { table, channels, nodes, unusable: BTreeMap::new(), started }
    }

    /// Takes an input; what of it is worth a line at once.
    pub fn take(&mut self, input: &Input, at: Mono) -> Option<Happened> {
        match input {
            Input::Reading(it) => self.reading(it.channel, it.value, it.quality, at),
            Input::Link(report) => self.report(report),
            // Requests to cut are for the daemon.
            Input::Operator(_) | Input::Tick => None,
        }
    }

    fn reading(
        &mut self,
        index: ChannelIx,
        value: Value,
        quality: Quality,
        at: Mono,
    ) -> Option<Happened> {
        let channel = self.channels.entry(index).or_default();
        let before = channel.latest.replace((value, quality, at));
        channel.count += 1;
        channel.doubtful += u64::from(matches!(quality, Quality::Late | Quality::Resent));
        if channel.arrivals.len() == MOST_ARRIVALS {
            channel.arrivals.pop_front();
        }
        channel.arrivals.push_back(at);
        let news = before.is_none_or(|(_, it, _)| it != quality);
        news.then_some(Happened::Reading(index))
    }

    fn report(&mut self, report: &LinkReport) -> Option<Happened> {
        match report {
            LinkReport::Born { node, name, transport, channels, permit, .. } => {
                let births = self.nodes.get(&node.0).map_or(0, |it| it.births) + 1;
                let (name, transport, permit) = (name.clone(), *transport, *permit);
                let count = channels.len();
                let born = Node { name, transport, channels: count, permit, alive: true, births };
                self.nodes.insert(node.0, born);
                for it in channels {
                    let channel = self.channels.entry(it.channel).or_default();
                    (channel.node, channel.period) = (Some(*node), it.period);
                    channel.output = it.output;
                }
                Some(Happened::Born(*node))
            }
            LinkReport::Alive { node } => self.lives(*node, true).then_some(Happened::Back(*node)),
            LinkReport::Lost { node } => self.lives(*node, false).then_some(Happened::Lost(*node)),
            LinkReport::Unusable { source, what } => {
                if self.unusable.len() < MOST_UNUSABLE || self.unusable.contains_key(source) {
                    let bad = Bad { what: what.clone(), times: 0 };
                    let bad = self.unusable.entry(source.clone()).or_insert(bad);
                    bad.what.clone_from(what);
                    bad.times += 1;
                }
                Some(Happened::Unusable(source.clone(), what.clone()))
            }
            LinkReport::Acknowledged { .. }
            | LinkReport::NotSent { .. }
            | LinkReport::Refused { .. }
            | LinkReport::ClockSkew { .. }
            | LinkReport::HistoryFailing { .. } => None,
        }
    }

    /// Whether that is news.
    fn lives(&mut self, node: NodeIx, alive: bool) -> bool {
        let known = self.nodes.get_mut(&node.0);
        known.is_some_and(|it| std::mem::replace(&mut it.alive, alive) != alive)
    }

    /// Name of the node that announced a channel.
    pub fn node_of(&self, channel: &Channel) -> &str {
        channel.node.and_then(|it| self.nodes.get(&it.0)).map_or("", |it| &it.name)
    }

    /// How a channel is at `now`.
    pub fn condition(&self, index: ChannelIx, now: Mono) -> Condition {
        let Some(channel) = self.channels.get(&index) else { return Condition::Never };
        if channel.output {
            return Condition::Output;
        }
        let Some((_, _, at)) = channel.latest else { return Condition::Never };
        let measured = matches!(
            self.table.channel(index).quantity,
            Quantity::Current | Quantity::Voltage | Quantity::Peak
        );
        let longest = match channel.period {
            Some(period) => LEAST_SILENCE.max(Micros(period.0.saturating_mul(3))),
            None if measured => SILENT_AFTER,
            None => SILENT_STATE_AFTER,
        };
        if now.0.saturating_sub(at.0) > longest.0 { Condition::Silent } else { Condition::Live }
    }

    /// The sum of what was heard. `all`: channels of the layout that nobody announced count as never seen, too.
    pub fn summary(&self, links: &[LinkStatus], now: Mono, all: bool) -> Summary {
        let of = |wanted: Condition| {
            let channels = self.channels.keys().filter(|it| self.condition(**it, now) == wanted);
            channels.map(|it| self.table.name(*it).to_owned()).collect::<Vec<_>>()
        };
        let mut never = of(Condition::Never);
        if all {
            let unheard = self.table.iter().filter(|(index, channel)| {
                channel.quantity.is_input() && !self.channels.contains_key(index)
            });
            never.extend(unheard.map(|(index, _)| self.table.name(index).to_owned()));
        }
        Summary {
            seconds: now.0.saturating_sub(self.started.0) as f64 / 1e6,
            live: of(Condition::Live).len(),
            silent: of(Condition::Silent),
            never,
            lost: self.nodes.values().filter(|it| !it.alive).map(|it| it.name.clone()).collect(),
            down: links.iter().filter(|it| !it.up).map(advice_name).collect(),
            unusable: links.iter().map(|it| it.unusable).sum(),
            gaps: links.iter().map(|it| it.lost).sum(),
            out_of_order: links.iter().map(|it| it.out_of_order).sum(),
        }
    }
}

fn advice_name(link: &LinkStatus) -> String {
    format!("{} {}", link.name, link.address)
}

impl Channel {
    /// Readings a second over the last two seconds.
    pub fn rate(&self, now: Mono) -> f64 {
        let since = now.0.saturating_sub(RATE_OVER.0);
        let recent = self.arrivals.iter().filter(|at| at.0 >= since);
        let (mut count, mut first, mut last) = (0_u32, None, 0);
        for at in recent {
            count += 1;
            first.get_or_insert(at.0);
            last = at.0;
        }
        let span = last.saturating_sub(first.unwrap_or(last)) as f64 / 1e6;
        if count < 2 || span <= 0.0 { 0.0 } else { f64::from(count - 1) / span }
    }
}

/// What it comes to.
#[derive(Debug)]
pub struct Summary {
    /// Time listened. Unit: s.
    pub seconds: f64,
    /// Channels with readings.
    pub live: usize,
    /// Channels that fell silent.
    pub silent: Vec<String>,
    /// Channels announced and never seen.
    pub never: Vec<String>,
    /// Nodes lost.
    pub lost: Vec<String>,
    /// Links that are not up.
    pub down: Vec<String>,
    /// Messages that could not be used.
    pub unusable: u64,
    /// Messages missing between two numbers.
    pub gaps: u64,
    /// Messages that came twice or late.
    pub out_of_order: u64,
}

impl Summary {
    /// Nothing to mend.
    pub fn is_well(&self) -> bool {
        let nothing = [&self.silent, &self.never, &self.lost, &self.down];
        nothing.iter().all(|it| it.is_empty()) && self.unusable == 0
    }
}

/// One word for a transport.
pub const fn transport(it: Transport) -> &'static str {
    match it {
        Transport::Mqtt => "mqtt",
        Transport::Serial => "serial",
        Transport::Modbus => "modbus",
        Transport::Lcc => "lcc",
        Transport::Journal => "journal",
    }
}

/// One word for a kind of link.
pub const fn kind(it: LinkKind) -> &'static str {
    match it {
        LinkKind::Mqtt => "mqtt",
        LinkKind::Serial => "serial",
        LinkKind::Modbus => "modbus",
        LinkKind::Lcc => "lcc",
    }
}
