//! One serial port: its nodes, their sessions, and the orders to them. No I/O: bytes in, lines and inputs out.
//!
//! The driver opens and closes the port, feeds [`Port::handle_bytes`], writes what [`Port::poll_line`] gives, and calls
//! [`Port::handle_timeout`] at [`Port::poll_deadline`].

use std::{
    collections::{BTreeMap, BTreeSet, VecDeque},
    sync::Arc,
    time::{Duration, Instant},
};

use supervision::{
    input::{Input, LinkReport, OrderId, Transport},
    output::Order,
};
use wiring::{channel::ChannelTable, index::ChannelIx};

use super::{
    commands::{Due, What},
    format::encode,
    framer::Framer,
    line::{Answer, Body, Down, Line, Up},
    node::{LOST_AFTER, LineOrder, Node, Stage},
    parse::{LineError, parse},
};
use crate::{
    links::Delivery,
    nodes::{NodeNumbers, is_node_name},
    status::NodeStatus,
    unusable::Unusable,
};

mod orders;
mod pace;

/// The version that this program speaks.
const VERSION: u32 = 1;
/// Nobody is asked to introduce itself more often than this.
const ASK_EVERY: Duration = Duration::from_secs(1);
/// A throw's motor current ends after this whatever happens. Unit: ms.
const THROW_LIMIT: u32 = 5000;
/// Lines that may wait to be written. Cuts go first and are never refused.
const MOST_WAITING: usize = 32;
/// Damaged lines within [`DAMAGE_WINDOW`] that make a port suspect.
const DAMAGE_SUSPECT: usize = 3;
const DAMAGE_WINDOW: Duration = Duration::from_secs(1);

/// Counters of a port.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub(crate) struct PortCounts {
    /// Good lines.
    pub(crate) received: u64,
    /// Damaged or wrong lines.
    pub(crate) bad: u64,
    /// Lines that came twice or late.
    pub(crate) out_of_order: u64,
    /// Lines lost, from gaps.
    pub(crate) lost: u64,
    /// Unknown verbs, and our own echo.
    pub(crate) skipped: u64,
    /// Orders handed to the line.
    pub(crate) orders_sent: u64,
    /// Orders that could not be.
    pub(crate) orders_not_sent: u64,
}

/// One port.
#[derive(Debug)]
pub(crate) struct Port {
    name: String,
    channels: Arc<ChannelTable>,
    numbers: Arc<NodeNumbers>,
    /// Our own nonce.
    host: u16,
    open: bool,
    seq: u16,
    framer: Framer,
    nodes: BTreeMap<u8, Node>,
    asked: BTreeMap<u8, Instant>,
    waiting: VecDeque<String>,
    ready: Vec<Input>,
    unusable: Unusable,
    damaged: VecDeque<Instant>,
    /// Cuts that are not proved yet, given again to whatever node turns up with their output.
    cuts: BTreeMap<ChannelIx, Order>,
    /// Outputs that may be on.
    wanted: BTreeSet<ChannelIx>,
    pub(crate) counts: PortCounts,
}

impl Port {
    pub(crate) fn new(
        name: &str,
        channels: Arc<ChannelTable>,
        numbers: Arc<NodeNumbers>,
        host: u16,
    ) -> Self {
        Self {
            name: name.to_owned(),
            channels,
            numbers,
            host,
            open: false,
            seq: 0,
            framer: Framer::default(),
            nodes: BTreeMap::new(),
            asked: BTreeMap::new(),
            waiting: VecDeque::new(),
            ready: Vec::new(),
            unusable: Unusable::default(),
            damaged: VecDeque::new(),
            cuts: BTreeMap::new(),
            wanted: BTreeSet::new(),
            counts: PortCounts::default(),
        }
    }

    /// The device was opened: whoever listens may introduce itself.
    pub(crate) fn opened(&mut self, now: Instant) {
        self.open = true;
        self.framer.reset();
        self.asked.clear();
        self.ask(0, now);
    }

    /// The device is gone. Nothing waits for it: an order that was under way counts as not sent.
    pub(crate) fn closed(&mut self) {
        self.open = false;
        self.waiting.clear();
        for node in self.nodes.values_mut() {
            for what in node.commands.forget(|_| true) {
                self.ready.extend(order_of(what).map(not_sent));
            }
        }
    }

    /// Takes bytes that were read at `at`.
    pub(crate) fn handle_bytes(&mut self, bytes: &[u8], at: Instant) {
        let mut framer = std::mem::take(&mut self.framer);
        framer.feed(bytes, |text| match parse(text) {
            Ok(line) => self.handle_line(line, at),
            Err(error) => self.bad_line(error, at),
        });
        self.framer = framer;
    }

    fn bad_line(&mut self, error: LineError, at: Instant) {
        self.counts.bad += 1;
        if error == LineError::Verb {
            self.counts.skipped += 1;
            return;
        }
        self.damaged.push_back(at);
        while self.damaged.front().is_some_and(|it| at.duration_since(*it) > DAMAGE_WINDOW) {
            self.damaged.pop_front();
        }
        let what = if self.damaged.len() >= DAMAGE_SUSPECT {
            self.damaged.clear();
            format!("a line {error}; {DAMAGE_SUSPECT} within a second: wiring or baud rate?")
        } else {
            format!("a line {error}")
        };
        self.tell_unusable(None, &what, at);
    }

    fn handle_line(&mut self, line: Line, at: Instant) {
        let Line { addr, seq, body } = line;
        let up = match body {
            Body::Up(up) => up,
            // Our own line, echoed by a half-duplex adapter.
            Body::Down(_) => {
                self.counts.skipped += 1;
                return;
            }
        };
        self.counts.received += 1;
        match up {
            Up::Hello { versions, keys } => self.hello(addr, seq, versions, &keys, at),
            up => self.known_node(addr, seq, &up, at),
        }
    }

    fn hello(
        &mut self,
        addr: u8,
        seq: u16,
        (low, high): (u32, u32),
        keys: &[(String, String)],
        at: Instant,
    ) {
        let key = |name: &str| keys.iter().find(|(key, _)| key == name).map(|(_, word)| &**word);
        let Some(boot) = key("boot").and_then(|it| u16::from_str_radix(it, 16).ok()) else {
            self.tell_unusable(Some(addr), "introduces itself without a boot nonce", at);
            return;
        };
        let name = key("id")
            .filter(|it| is_node_name(it))
            .map_or_else(|| format!("{}-{addr:02x}", self.name), str::to_owned);
        let Some(ix) = self.numbers.number(Transport::Serial, &name) else {
            self.tell_unusable(Some(addr), "is one node too many", at);
            return;
        };
        let node = self.nodes.entry(addr).or_insert_with(|| Node::new(name.clone(), ix, boot, at));
        if node.ix != ix {
            *node = Node::new(name, ix, boot, at);
        }
        for what in node.commands.forget(|_| true) {
            self.ready.extend(order_of(what).map(not_sent));
        }
        node.introduced(boot, seq);
        node.deadman = key("deadman").and_then(|it| it.parse().ok()).is_some_and(|ms: u32| ms > 0);
        node.most_commands = key("cmd").and_then(|it| it.parse().ok()).unwrap_or(1).max(1);
        node.lives(at, &mut self.ready);
        self.asked.insert(addr, at);
        if !(low..=high).contains(&VERSION) {
            let why =
                format!("offers versions {low} to {high} of the line protocol, not {VERSION}");
            self.refuse(addr, why, at);
        }
    }

    fn known_node(&mut self, addr: u8, seq: u16, up: &Up, at: Instant) {
        let Some(node) = self.nodes.get_mut(&addr) else {
            self.counts.skipped += 1;
            self.ask(addr, at);
            return;
        };
        let order = node.order_of(seq);
        if node.lives(at, &mut self.ready) && node.stage == Stage::Live {
            self.cut_again(addr, at);
        }
        match order {
            LineOrder::Next { lost } => {
                self.counts.lost += u64::from(lost);
                self.in_order(addr, up, at);
            }
            LineOrder::Again => self.counts.out_of_order += 1,
            LineOrder::Old => {
                self.counts.out_of_order += 1;
                self.measured(addr, up, true, at);
            }
        }
    }

    fn in_order(&mut self, addr: u8, up: &Up, at: Instant) {
        let Some(node) = self.nodes.get_mut(&addr) else { return };
        match up {
            Up::Channel(row) if node.stage == Stage::Table => node.rows.add(row.clone()),
            Up::TableEnd { count, check } if node.stage == Stage::Table => {
                self.table_end(addr, *count, *check, at);
            }
            Up::Beat { boot, .. } if *boot != node.boot => {
                node.stage = Stage::Table;
                self.ask(addr, at);
            }
            Up::Ack { seq, answer, .. } => self.answered(addr, *seq, answer, at),
            Up::Readings { .. }
            | Up::Packed { .. }
            | Up::States { .. }
            | Up::Event { .. }
            | Up::Beat { .. } => self.measured(addr, up, false, at),
            Up::Hello { .. } | Up::Channel(_) | Up::TableEnd { .. } | Up::Log(_) => {}
        }
    }

    fn measured(&mut self, addr: u8, up: &Up, old: bool, at: Instant) {
        let Some(node) = self.nodes.get_mut(&addr) else { return };
        if node.stage != Stage::Live {
            return;
        }
        let mut wrong = Vec::new();
        node.measured(up, old, at, &mut self.ready, &mut wrong);
        for what in wrong {
            self.tell_unusable(Some(addr), &what, at);
        }
    }

    fn table_end(&mut self, addr: u8, count: u32, check: u16, at: Instant) {
        let Some(node) = self.nodes.get_mut(&addr) else { return };
        if !node.rows.is_whole(count, check) {
            node.rows = super::table::Rows::default();
            self.tell_unusable(Some(addr), "its channel table came damaged", at);
            self.ask(addr, at);
            return;
        }
        match node.rows.resolve(&self.channels) {
            Ok(table) => {
                node.table = table;
                node.stage = Stage::Starting;
                let go = Down::Go { version: VERSION, boot: node.boot, host: self.host };
                self.command(addr, go, What::Go, at);
            }
            Err(why) => self.refuse(addr, why, at),
        }
    }

    fn refuse(&mut self, addr: u8, why: String, at: Instant) {
        self.tell_unusable(Some(addr), &why, at);
        if let Some(node) = self.nodes.get_mut(&addr) {
            node.stage = Stage::Refused(why);
        }
    }

    fn answered(&mut self, addr: u8, seq: u16, answer: &Answer, at: Instant) {
        let Some(node) = self.nodes.get_mut(&addr) else { return };
        if node.pings.answered(seq, at) {
            return;
        }
        let longest = Duration::from_millis(u64::from(THROW_LIMIT) + 500);
        let what = match answer {
            Answer::Ok => node.commands.accepted(seq, at, longest),
            Answer::Done | Answer::Token { .. } | Answer::No(_) => node.commands.answered(seq),
        };
        // An answer to nothing: a repeated one, or one that came after we gave up.
        let Some(what) = what else { return };
        match (what, answer) {
            (What::Go, Answer::Ok) => self.ask_rates(addr, at),
            (What::Rate(channel, hz), answer) => {
                self.rate_answered(addr, (channel, hz), answer, at)
            }
            (What::Go, Answer::No(why)) => {
                self.refuse(addr, format!("refuses the session: {why}"), at)
            }
            (What::Arm(order, channel), Answer::Token { token, .. }) => {
                self.command(
                    addr,
                    Down::On { channel, token: *token },
                    What::On(order, channel),
                    at,
                );
            }
            (What::Cut(order, _) | What::On(order, _) | What::Throw(order, _), Answer::Ok) => {
                self.ready.push(Input::Link(LinkReport::Acknowledged { order }));
            }
            (_, Answer::No(reason)) => {
                self.ready.extend(order_of(what).map(|order| {
                    Input::Link(LinkReport::Refused { order, reason: reason.clone() })
                }))
            }
            (What::Throw(..), Answer::Done) => {}
            (_, Answer::Ok | Answer::Done | Answer::Token { .. }) => {
                self.tell_unusable(Some(addr), "answers a command with a wrong word", at);
            }
        }
    }

    fn live(&mut self, addr: u8, at: Instant) {
        let Some(node) = self.nodes.get_mut(&addr) else { return };
        node.stage = Stage::Live;
        let birth = node.birth(at);
        self.ready.push(birth);
        self.cut_again(addr, at);
    }

    fn ask(&mut self, addr: u8, now: Instant) {
        let recent = self.asked.get(&addr).is_some_and(|it| now.duration_since(*it) < ASK_EVERY);
        if self.open && !recent {
            self.asked.insert(addr, now);
            self.send(addr, Down::Hello { version: VERSION }, false);
        }
    }

    fn command(&mut self, addr: u8, down: Down, what: What, now: Instant) -> Delivery {
        let urgent = matches!(what, What::Cut(..));
        let Some((seq, line)) = self.send(addr, down, urgent) else { return Delivery::NotSent };
        if let Some(node) = self.nodes.get_mut(&addr) {
            node.commands.add(seq, what, line, now);
        }
        Delivery::Sent
    }

    /// Puts a line into the queue to be written; none when it is full.
    fn send(&mut self, addr: u8, down: Down, urgent: bool) -> Option<(u16, String)> {
        if self.waiting.len() >= MOST_WAITING && !urgent {
            return None;
        }
        let seq = self.seq;
        self.seq = seq.wrapping_add(1);
        let line = encode(&Line { addr, seq, body: Body::Down(down) });
        self.queue(line.clone(), urgent);
        Some((seq, line))
    }

    fn queue(&mut self, line: String, urgent: bool) {
        if !urgent {
            self.waiting.push_back(line);
            return;
        }
        if self.waiting.len() >= 2 * MOST_WAITING {
            self.waiting.pop_back();
        }
        self.waiting.push_front(line);
    }

    /// The next line to write.
    pub(crate) fn poll_line(&mut self) -> Option<String> {
        self.waiting.pop_front()
    }

    /// What the supervisor is to be told.
    pub(crate) fn take_ready(&mut self) -> Vec<Input> {
        std::mem::take(&mut self.ready)
    }

    /// When [`Self::handle_timeout`] is next due.
    pub(crate) fn poll_deadline(&self) -> Option<Instant> {
        let nodes = self.nodes.values().flat_map(|node| {
            let silent = node.alive.then_some(node.heard + LOST_AFTER);
            silent.into_iter().chain(node.commands.deadline())
        });
        let unanswered = self.asked.iter().filter(|(addr, _)| self.is_awaited(**addr));
        nodes.chain(unanswered.map(|(_, asked)| *asked + ASK_EVERY)).min()
    }

    /// Somebody has been asked and is not in session: ask again.
    fn is_awaited(&self, addr: u8) -> bool {
        match self.nodes.get(&addr) {
            _ if !self.open => false,
            None => addr == 0 && self.nodes.is_empty(),
            Some(node) => match node.stage {
                Stage::Table => true,
                Stage::Starting | Stage::Live | Stage::Refused(_) => false,
            },
        }
    }

    /// Settles everything due at `now`.
    pub(crate) fn handle_timeout(&mut self, now: Instant) {
        let addrs: Vec<u8> = self.nodes.keys().copied().collect();
        for addr in addrs {
            self.node_timeout(addr, now);
        }
        let due = |(addr, asked): (&u8, &Instant)| {
            (self.is_awaited(*addr) && *asked + ASK_EVERY <= now).then_some(*addr)
        };
        let again: Vec<u8> = self.asked.iter().filter_map(due).collect();
        for addr in again {
            self.ask(addr, now);
        }
    }

    fn node_timeout(&mut self, addr: u8, now: Instant) {
        let Some(node) = self.nodes.get_mut(&addr) else { return };
        let dues = node.commands.due(now);
        if node.is_silent(now) {
            node.alive = false;
            if node.born.is_some() {
                self.ready.push(Input::Link(LinkReport::Lost { node: node.ix }));
            }
        }
        for due in dues {
            match due {
                Due::Again { line, urgent } => self.queue(line, urgent),
                Due::GivenUp(what) => self.given_up(addr, what, now),
            }
        }
    }

    fn given_up(&mut self, addr: u8, what: What, now: Instant) {
        match what {
            What::Go => {
                if let Some(node) = self.nodes.get_mut(&addr) {
                    node.stage = Stage::Table;
                    node.rows = super::table::Rows::default();
                }
                self.ask(addr, now);
            }
            // The supervisor waits for proof, not for this answer, and orders again.
            What::Cut(..) => {}
            What::Rate(..) => self.live_without_rates(addr, now),
            What::Arm(order, _) | What::On(order, _) | What::Throw(order, _) => {
                let reason = "no answer".to_owned();
                self.ready.push(Input::Link(LinkReport::Refused { order, reason }));
            }
        }
    }

    fn tell_unusable(&mut self, addr: Option<u8>, what: &str, at: Instant) {
        let source = match addr.and_then(|addr| Some((addr, self.nodes.get(&addr)?))) {
            Some((addr, node)) => format!("{} ({} {addr:02X})", node.name, self.name),
            None => match addr {
                Some(addr) => format!("{} {addr:02X}", self.name),
                None => self.name.clone(),
            },
        };
        if let Some(report) = self.unusable.note(&source, what, at) {
            self.ready.push(Input::Link(report));
        }
    }

    /// Unusable lines and values so far, noise between lines not counted.
    pub(crate) const fn unusable(&self) -> u64 {
        self.unusable.total() + self.counts.skipped
    }

    /// Nodes, for the dashboard.
    pub(crate) fn node_statuses(&self) -> Vec<NodeStatus> {
        let status = |node: &Node| NodeStatus {
            name: node.name.clone(),
            alive: node.alive,
            trouble: match &node.stage {
                Stage::Refused(why) => why.clone(),
                Stage::Table | Stage::Starting => "not in session yet".to_owned(),
                Stage::Live => String::new(),
            },
        };
        self.nodes.values().map(status).collect()
    }

    /// Largest extra delay of any node lately. Unit: ms.
    pub(crate) fn lag(&self) -> u32 {
        self.nodes.values().map(Node::lag).max().unwrap_or(0)
    }
}

/// The order that a command belongs to.
const fn order_of(what: What) -> Option<OrderId> {
    match what {
        What::Go | What::Rate(..) => None,
        What::Cut(order, _) | What::Arm(order, _) | What::On(order, _) | What::Throw(order, _) => {
            Some(order)
        }
    }
}

const fn not_sent(order: OrderId) -> Input {
    Input::Link(LinkReport::NotSent { order })
}

#[cfg(test)]
mod tests;
