//! Life of the nodes: signs of it, boots, delay, silence.

use std::time::{Duration, Instant};

use supervision::input::{Announced, Input, LinkReport, NodeIx, Transport};

use super::{Incoming, Intake, Stamp};
use crate::{delay::DelayEstimate, mqtt::payload, numbering::Numbering, status::NodeStatus};

/// A node that was silent for this long is lost.
pub(super) const LOST_AFTER: Duration = Duration::from_millis(3500);
/// A reading later than this over the best line is late. Unit: ms.
const LATE_AFTER: u32 = 500;
/// Signs of life are passed on this often.
const TELL_ALIVE_EVERY: Duration = Duration::from_millis(250);
/// Boots of a node that are remembered.
const MOST_BOOTS: usize = 8;

/// How old a message is.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Age {
    /// As fresh as the line allows.
    Fresh,
    /// It waited somewhere.
    Late,
    /// Retained: as old as may be, and outside any order.
    Retained,
    /// Of a boot before the present one.
    BootBefore,
}

/// A node as heard.
#[derive(Debug)]
pub(super) struct Node {
    pub(super) ix: NodeIx,
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

/// What it announced.
#[derive(Clone, Debug)]
pub(super) struct Birth {
    pub(super) channels: Vec<Announced>,
    /// It switches off without a permit.
    pub(super) permit: bool,
}

impl Intake {
    /// The node of a name, which is made where it is not known; none: there is no number left for it.
    pub(super) fn node(&mut self, name: &str, at: Instant) -> Option<&mut Node> {
        if !self.nodes.contains_key(name) {
            let ix = self.numbers.number(Transport::Mqtt, &format!("{}{name}", self.prefix))?;
            self.nodes.insert(name.to_owned(), Node::new(ix, at));
        }
        self.nodes.get_mut(name)
    }

    /// Notes a sign of life and a boot; tells how old the message is, by its clock and its boot.
    pub(super) fn heard_from(&mut self, name: &str, stamp: Stamp, message: Incoming) -> Age {
        if message.retained {
            return Age::Retained;
        }
        let Some(node) = self.node(name, message.at) else {
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

    pub(super) fn health(&mut self, name: &str, message: Incoming) {
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

    /// Nodes that fell silent.
    pub(crate) fn handle_timeout(&mut self, now: Instant) {
        for node in self.nodes.values_mut() {
            if now.saturating_duration_since(node.heard) >= LOST_AFTER {
                node.lost(&mut self.ready);
            }
        }
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

    /// Largest extra delay of any node or foreign sender lately. Unit: ms.
    pub(crate) fn lag(&self) -> u32 {
        let delays = self.nodes.values().filter_map(|node| node.delay.as_ref());
        delays.map(DelayEstimate::largest).max().unwrap_or(0).max(self.foreign.lag())
    }
}

impl Node {
    const fn new(ix: NodeIx, at: Instant) -> Self {
        Self {
            ix,
            boot: None,
            boots_before: Vec::new(),
            born: None,
            alive: false,
            heard: at,
            told_alive: None,
            delay: None,
            numbering: Numbering::new(),
        }
    }

    /// It introduced itself; whether it had another boot before.
    pub(super) fn is_born(&mut self, boot: u32, birth: Birth, at: Instant) -> bool {
        let restarted = self.boot.is_some_and(|it| it != boot);
        if self.boot != Some(boot) {
            self.new_boot(boot);
        }
        self.born = Some(birth);
        self.heard = at;
        // A retained birth says what there is, not that it lives now; silence will tell.
        self.alive = true;
        restarted
    }

    fn new_boot(&mut self, boot: u32) {
        if let Some(before) = self.boot.replace(boot) {
            if self.boots_before.len() >= MOST_BOOTS {
                self.boots_before.remove(0);
            }
            self.boots_before.push(before);
            self.boots_before.retain(|it| *it != boot);
        }
        self.delay = None;
        self.numbering = Numbering::new();
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
