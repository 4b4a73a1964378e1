//! One serial port: its nodes, their sessions, and the orders to them. No I/O: bytes in, lines and inputs out.
//!
//! What a line from a node means is in [`session`]; orders and permits are in [`orders`].

use std::{
    collections::{BTreeMap, BTreeSet, VecDeque},
    sync::Arc,
    time::{Duration, Instant},
};

use supervision::{
    input::{Input, LinkReport, OrderId},
    output::Order,
};
use wiring::{channel::ChannelTable, index::ChannelIx};

use super::{
    commands::{Due, What},
    format::encode,
    framer::Framer,
    line::{Body, Down, Line},
    node::{LOST_AFTER, Node, Stage},
    parse::{LineError, parse},
};
use crate::{
    damage::Damage,
    driver::{Figures, Talk},
    links::Delivery,
    nodes::NodeNumbers,
    status::{LinkKind, NodeStatus},
    unusable::Unusable,
};

mod orders;
mod pace;
mod session;

/// The version that this program speaks.
const VERSION: u32 = 1;
/// Permits go out this often.
const PERMIT_EVERY: Duration = Duration::from_millis(250);
/// Nobody is asked to introduce itself more often than this.
const ASK_EVERY: Duration = Duration::from_secs(1);
/// A throw's motor current ends after this whatever happens. Unit: ms.
const THROW_LIMIT: u32 = 5000;
/// Lines that may wait to be written. Cuts go first and are never refused.
const MOST_WAITING: usize = 32;

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
    damage: Damage,
    /// Cuts that are not proved yet, given again to whatever node turns up with their output.
    cuts: BTreeMap<ChannelIx, Order>,
    /// Outputs that may be on.
    wanted: BTreeSet<ChannelIx>,
    next_permit: Instant,
    counts: PortCounts,
}

impl Port {
    pub(crate) fn new(
        name: &str,
        channels: Arc<ChannelTable>,
        numbers: Arc<NodeNumbers>,
        host: u16,
        now: Instant,
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
            damage: Damage::default(),
            cuts: BTreeMap::new(),
            wanted: BTreeSet::new(),
            next_permit: now,
            counts: PortCounts::default(),
        }
    }
}

impl Talk for Port {
    const KIND: LinkKind = LinkKind::Serial;
    const DEVICE: &'static str = "serial port";

    fn opened(&mut self, now: Instant) {
        self.open = true;
        self.framer.reset();
        self.asked.clear();
        self.next_permit = now;
        // Whoever listens may introduce itself.
        self.ask(0, now);
    }

    fn closed(&mut self, _now: Instant) {
        self.open = false;
        self.waiting.clear();
        for node in self.nodes.values_mut() {
            for what in node.commands.forget(|_| true) {
                self.ready.extend(order_of(what).map(not_sent));
            }
        }
    }

    fn handle_bytes(&mut self, bytes: &[u8], at: Instant) {
        let mut framer = std::mem::take(&mut self.framer);
        framer.feed(bytes, |text| match parse(text) {
            Ok(line) => self.handle_line(line, at),
            Err(error) => self.bad_line(error, at),
        });
        self.framer = framer;
    }

    fn handle_timeout(&mut self, now: Instant) {
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

    fn handle_supervised(&mut self, is_alive: bool, now: Instant) {
        if now < self.next_permit {
            return;
        }
        self.next_permit = now + PERMIT_EVERY;
        if is_alive {
            self.permits();
        }
        self.ping(now);
    }

    fn poll_bytes(&mut self, _now: Instant) -> Option<Vec<u8>> {
        self.waiting.pop_front().map(String::into_bytes)
    }

    fn poll_deadline(&self, _now: Instant) -> Option<Instant> {
        let permit = self.open.then_some(self.next_permit);
        let nodes = self.nodes.values().flat_map(|node| {
            let silent = node.alive.then_some(node.heard + LOST_AFTER);
            silent.into_iter().chain(node.commands.deadline())
        });
        let unanswered = self.asked.iter().filter(|(addr, _)| self.is_awaited(**addr));
        let unanswered = unanswered.map(|(_, asked)| *asked + ASK_EVERY);
        permit.into_iter().chain(nodes).chain(unanswered).min()
    }

    fn take_ready(&mut self) -> Vec<Input> {
        std::mem::take(&mut self.ready)
    }

    fn figures(&self) -> Figures {
        Figures {
            trouble: "",
            received: self.counts.received,
            unusable: self.unusable.total() + self.counts.skipped,
            last_unusable: self.unusable.last(),
            out_of_order: self.counts.out_of_order,
            lost: self.counts.lost,
            orders_sent: self.counts.orders_sent,
            orders_not_sent: self.counts.orders_not_sent,
            lag_ms: self.lag(),
            nodes: self.node_statuses(),
        }
    }
}

impl Port {
    fn bad_line(&mut self, error: LineError, at: Instant) {
        self.counts.bad += 1;
        if error == LineError::Verb {
            self.counts.skipped += 1;
            return;
        }
        let what = if self.damage.is_suspect(at) {
            format!("a line {error}; {} within a second: wiring or baud rate?", Damage::SUSPECT)
        } else {
            format!("a line {error}")
        };
        self.tell_unusable(None, &what, at);
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

    /// Nodes, for the dashboard.
    fn node_statuses(&self) -> Vec<NodeStatus> {
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
    fn lag(&self) -> u32 {
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
