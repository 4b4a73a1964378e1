//! The order desk: who gets which order, in which steps, how often, and what came of it. No I/O and no queue: a message
//! that cannot be handed over at once is reported as not sent.
//!
//! A cut is kept until it is proved and given again on every connection and to every node that (re)appears. Everything
//! else is forgotten when the link goes down.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
    time::{Duration, Instant},
};

use serde::Serialize;
use serde_json::json;
use supervision::{
    input::{LinkReport, OrderId},
    output::{Action, Order},
};
use wiring::{channel::ChannelTable, index::ChannelIx, links::MapOut};

use super::{
    intake::Offer,
    payload::{Ack, Reply},
    topics::Topics,
};
use crate::links::Delivery;
/// Without an answer an order is given again after this.
const AGAIN_AFTER: Duration = Duration::from_millis(300);
/// How often.
const MOST_REPEATS: u8 = 2;
/// An accepted throw must be done within this.
const THROW_WITHIN: Duration = Duration::from_secs(15);
/// A token is good for this long; we use it at once or not at all.
const TOKEN_WITHIN: Duration = Duration::from_secs(2);
/// A node takes no longer permit than this. Unit: ms.
const LONGEST_PERMIT: u32 = 5000;

/// The branch for outputs that no birth announced.
const ANYBODY: &str = "-";

/// A message to hand to the transport now.
#[derive(Clone, Debug, Eq, PartialEq)]
pub(crate) struct Outgoing {
    pub(crate) topic: String,
    pub(crate) payload: String,
    /// QoS 1; else 0.
    pub(crate) sure: bool,
    /// The order it carries: to be reported if it cannot be handed over.
    pub(crate) order: Option<OrderId>,
}

#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Step {
    Cut,
    Arm,
    On,
    Throw { accepted: bool },
}

#[derive(Clone, Debug)]
struct Open {
    order: OrderId,
    channel: ChannelIx,
    node: String,
    step: Step,
    message: Outgoing,
    due: Instant,
    repeats: u8,
    began: Instant,
    /// Cause and fault, for the second step.
    cause: &'static str,
    fault: Option<u32>,
}

/// A cut that is not proved yet.
#[derive(Clone, Debug)]
struct Kept {
    order: Order,
    foreign: Vec<MapOut>,
    elsewhere: bool,
}

#[derive(Clone, Debug)]
struct Actuator {
    boot: String,
    permit_ms: Option<u32>,
    outputs: Vec<(ChannelIx, bool)>,
}

/// Counters.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct DeskCounts {
    pub(crate) sent: u64,
    pub(crate) not_sent: u64,
}

/// The desk.
#[derive(Debug)]
pub(crate) struct Desk {
    topics: Topics,
    channels: Arc<ChannelTable>,
    run: u16,
    next: u32,
    nodes: BTreeMap<String, Actuator>,
    /// Under way, by the number in the message's id.
    open: BTreeMap<u32, Open>,
    cuts: BTreeMap<ChannelIx, Kept>,
    wanted: BTreeSet<ChannelIx>,
    reports: Vec<LinkReport>,
    pub(crate) counts: DeskCounts,
}

impl Desk {
    pub(crate) fn new(topics: Topics, channels: Arc<ChannelTable>, run: u16) -> Self {
        Self {
            topics,
            channels,
            run,
            next: 0,
            nodes: BTreeMap::new(),
            open: BTreeMap::new(),
            cuts: BTreeMap::new(),
            wanted: BTreeSet::new(),
            reports: Vec::new(),
            counts: DeskCounts::default(),
        }
    }

    /// What became of orders.
    pub(crate) fn take_reports(&mut self) -> Vec<LinkReport> {
        std::mem::take(&mut self.reports)
    }

    /// Notes what is wanted now, whether or not it can be sent. `elsewhere`: another link has this output.
    pub(crate) fn remember(&mut self, order: &Order, foreign: &[MapOut], elsewhere: bool) {
        match order.action {
            Action::Cut => {
                self.wanted.remove(&order.channel);
                let (order, foreign) = (order.clone(), foreign.to_vec());
                self.cuts.insert(order.channel, Kept { order, foreign, elsewhere });
            }
            Action::On => {
                self.wanted.insert(order.channel);
                self.cuts.remove(&order.channel);
            }
            Action::Throw(_) => {}
        }
    }

    /// Messages of an order. `elsewhere`: another link has this output, so that nobody else need be asked here.
    pub(crate) fn order(
        &mut self,
        order: &Order,
        foreign: &[MapOut],
        elsewhere: bool,
        now: Instant,
    ) -> Vec<Outgoing> {
        self.open.retain(|_, it| {
            let newer = it.channel == order.channel && it.order != order.id;
            if newer && it.step != Step::Cut {
                self.reports.push(LinkReport::NotSent { order: it.order });
            }
            !newer
        });
        let mut messages: Vec<Outgoing> =
            foreign.iter().filter_map(|rule| foreign_message(rule, order)).collect();
        let announced: Vec<(String, bool)> = self.announced(order.channel);
        if announced.is_empty() && messages.is_empty() && !elsewhere {
            messages.push(self.step(first_step(order.action, false), ANYBODY, order, now));
        }
        for (node, arm) in announced {
            if order.action == Action::On {
                messages.extend(self.permit(&node));
            }
            messages.push(self.step(first_step(order.action, arm), &node, order, now));
        }
        messages
    }

    fn announced(&self, channel: ChannelIx) -> Vec<(String, bool)> {
        let of_node = |(name, node): (&String, &Actuator)| {
            let output = node.outputs.iter().find(|(it, _)| *it == channel)?;
            Some((name.clone(), output.1))
        };
        self.nodes.iter().filter_map(of_node).collect()
    }

    fn step(&mut self, step: Step, node: &str, order: &Order, now: Instant) -> Outgoing {
        let fault = order.fault.map(|it| it.0);
        let it = Asked { id: order.id, channel: order.channel, cause: order.cause.word(), fault };
        let more = match order.action {
            Action::Throw(to) => More::To(to.word()),
            Action::On | Action::Cut => More::Nothing,
        };
        self.message(step, node, it, more, now)
    }

    fn message(
        &mut self,
        step: Step,
        node: &str,
        asked: Asked,
        more: More,
        now: Instant,
    ) -> Outgoing {
        let number = self.next;
        self.next = number.wrapping_add(1);
        let op = match step {
            Step::Cut => "cut",
            Step::Arm => "arm",
            Step::On => "on",
            Step::Throw { .. } => "throw",
        };
        let Asked { cause, fault, .. } = asked;
        let (to, tok) = match more {
            More::Nothing => (None, None),
            More::To(to) => (Some(to), None),
            More::Token(tok) => (None, Some(tok)),
        };
        let payload = Payload { id: &self.id(number), op, cause, fault, to, tok };
        let payload = serde_json::to_string(&payload).expect("plain words and numbers");
        let topic = self.topics.order(node, self.channels.name(asked.channel));
        let message = Outgoing { topic, payload, sure: true, order: Some(asked.id) };
        self.open.insert(
            number,
            Open {
                order: asked.id,
                channel: asked.channel,
                node: node.to_owned(),
                step,
                message: message.clone(),
                due: now + AGAIN_AFTER,
                repeats: 0,
                began: now,
                cause,
                fault,
            },
        );
        message
    }

    fn id(&self, number: u32) -> String {
        format!("{:04x}-{number:04x}", self.run)
    }

    fn number_of(&self, id: &str) -> Option<u32> {
        let (run, number) = id.split_once('-')?;
        let ours = u16::from_str_radix(run, 16).ok()? == self.run;
        ours.then(|| u32::from_str_radix(number, 16).ok()).flatten()
    }

    /// A node answered. Anything that does not match an open order is a repetition, or not meant for us.
    pub(crate) fn answered(
        &mut self,
        node: &str,
        channel: &str,
        ack: &Ack,
        now: Instant,
    ) -> Vec<Outgoing> {
        let Some(number) = self.number_of(&ack.id) else { return Vec::new() };
        let matches = self.open.get(&number).is_some_and(|it| {
            (it.node == node || it.node == ANYBODY) && self.channels.name(it.channel) == channel
        });
        if !matches {
            return Vec::new();
        }
        let Some(open) = self.open.remove(&number) else { return Vec::new() };
        match (open.step, ack.r) {
            (Step::Arm, Reply::Tok) => return self.second_step(&open, ack, now),
            (Step::Throw { accepted: false }, Reply::Ok) => {
                self.reports.push(LinkReport::Acknowledged { order: open.order });
                let step = Step::Throw { accepted: true };
                self.open.insert(number, Open { step, due: now + THROW_WITHIN, ..open });
            }
            (Step::Throw { accepted: true }, Reply::Ok) => {
                self.open.insert(number, open);
            }
            (Step::Throw { accepted: true }, Reply::Done) => {}
            (Step::Cut | Step::On | Step::Throw { .. }, Reply::Ok | Reply::Done) => {
                self.reports.push(LinkReport::Acknowledged { order: open.order });
            }
            (_, Reply::No) => {
                let reason = ack.why.as_deref().unwrap_or("no reason given");
                let reason = crate::unusable::printable(reason);
                self.reports.push(LinkReport::Refused { order: open.order, reason });
            }
            (Step::Arm, Reply::Ok | Reply::Done) | (_, Reply::Tok) => {
                let reason = "it answered with a wrong word".to_owned();
                self.reports.push(LinkReport::Refused { order: open.order, reason });
            }
        }
        Vec::new()
    }

    fn second_step(&mut self, open: &Open, ack: &Ack, now: Instant) -> Vec<Outgoing> {
        let fresh = now.saturating_duration_since(open.began) < TOKEN_WITHIN;
        let (Some(token), true) = (&ack.tok, fresh) else {
            let reason = "its token is missing or too old".to_owned();
            self.reports.push(LinkReport::Refused { order: open.order, reason });
            return Vec::new();
        };
        let Open { order: id, channel, cause, fault, .. } = *open;
        let asked = Asked { id, channel, cause, fault };
        vec![self.message(Step::On, &open.node, asked, More::Token(token), now)]
    }

    /// Messages of an order could not be handed over: it is not under way any more.
    pub(crate) fn failed(&mut self, orders: &[OrderId]) {
        self.open.retain(|_, it| !orders.contains(&it.order));
    }

    /// The broker did not deliver a message of an order: refused it, or nobody listens there.
    pub(crate) fn undelivered(&mut self, order: OrderId, topic: &str) {
        self.open.retain(|_, it| it.order != order || it.message.topic != topic);
        self.counts.not_sent += 1;
        self.reports.push(LinkReport::NotSent { order });
    }

    /// Whether somebody here takes orders for a channel.
    pub(crate) fn takes(&self, channel: ChannelIx) -> bool {
        self.nodes.values().any(|node| node.outputs.iter().any(|(it, _)| *it == channel))
    }

    /// Counts what became of an order.
    pub(crate) fn count(&mut self, delivery: Delivery) {
        match delivery {
            Delivery::Sent => self.counts.sent += 1,
            Delivery::NotSent => self.counts.not_sent += 1,
            Delivery::NotMine => {}
        }
    }

    /// The link is down: what was under way counts as not sent, and only cuts are remembered.
    pub(crate) fn disconnected(&mut self) {
        for open in std::mem::take(&mut self.open).into_values() {
            self.reports.push(LinkReport::NotSent { order: open.order });
        }
    }

    /// The link is up (again): every cut that is not proved is given again.
    pub(crate) fn connected(&mut self, now: Instant) -> Vec<Outgoing> {
        let cuts: Vec<Kept> = self.cuts.values().cloned().collect();
        let again = |it: Kept| self.order(&it.order, &it.foreign, it.elsewhere, now);
        cuts.into_iter().flat_map(again).collect()
    }

    /// A node announced its outputs: cuts that concern it are given to it.
    pub(crate) fn offered(&mut self, offer: Offer, now: Instant) -> Vec<Outgoing> {
        let Offer { node, boot, permit_ms, outputs, .. } = offer;
        let mut messages = Vec::new();
        for (channel, _) in &outputs {
            if let Some(kept) = self.cuts.get(channel).cloned() {
                messages.push(self.step(Step::Cut, &node, &kept.order, now));
            }
        }
        if outputs.is_empty() {
            self.nodes.remove(&node);
        } else {
            self.nodes.insert(node, Actuator { boot, permit_ms, outputs });
        }
        messages
    }

    /// A cut was proved: it is not given again.
    pub(crate) fn proved(&mut self, channel: ChannelIx) {
        self.cuts.remove(&channel);
        self.open.retain(|_, it| it.channel != channel || it.step != Step::Cut);
    }

    /// Whether the power of a channel may be on.
    pub(crate) fn power_wanted(&mut self, channel: ChannelIx, on: bool) {
        if on {
            self.wanted.insert(channel);
        } else {
            self.wanted.remove(&channel);
        }
    }

    /// No output may be on any more.
    pub(crate) fn nothing_wanted(&mut self) {
        self.wanted.clear();
    }

    /// A permit to every node that has an output which may be on.
    pub(crate) fn permits(&self) -> Vec<Outgoing> {
        self.nodes.keys().filter_map(|node| self.permit(node)).collect()
    }

    fn permit(&self, node: &str) -> Option<Outgoing> {
        let actuator = self.nodes.get(node)?;
        let ms = actuator.permit_ms?.min(LONGEST_PERMIT);
        let wanted = actuator.outputs.iter().any(|(channel, _)| self.wanted.contains(channel));
        wanted.then(|| Outgoing {
            topic: self.topics.permit(node),
            payload: json!({ "b": actuator.boot, "ms": ms }).to_string(),
            sure: false,
            order: None,
        })
    }

    /// Orders without an answer: given again with the same id, twice, then given up.
    pub(crate) fn handle_timeout(&mut self, now: Instant) -> Vec<Outgoing> {
        let mut again = Vec::new();
        let reports = &mut self.reports;
        self.open.retain(|_, it| {
            if now < it.due {
                return true;
            }
            let waiting = it.step != Step::Throw { accepted: true } && it.repeats < MOST_REPEATS;
            if waiting {
                it.repeats += 1;
                it.due = now + AGAIN_AFTER;
                again.push(it.message.clone());
            } else if it.step != Step::Cut {
                // A cut is proved by current, and ordered again by the supervisor.
                let reason = "no answer".to_owned();
                reports.push(LinkReport::Refused { order: it.order, reason });
            }
            waiting
        });
        again
    }
}

/// What an order is about.
struct Asked {
    id: OrderId,
    channel: ChannelIx,
    cause: &'static str,
    fault: Option<u32>,
}

/// What some orders say besides.
#[derive(Clone, Copy)]
enum More<'a> {
    Nothing,
    /// Where to throw.
    To(&'static str),
    /// The token of the first of two steps.
    Token(&'a serde_json::Value),
}

/// An order as it is written.
#[derive(Serialize)]
struct Payload<'a> {
    id: &'a str,
    op: &'static str,
    cause: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    fault: Option<u32>,
    #[serde(skip_serializing_if = "Option::is_none")]
    to: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    tok: Option<&'a serde_json::Value>,
}

const fn first_step(action: Action, arm: bool) -> Step {
    match action {
        Action::Cut => Step::Cut,
        Action::On if arm => Step::Arm,
        Action::On => Step::On,
        Action::Throw(_) => Step::Throw { accepted: false },
    }
}

fn foreign_message(rule: &MapOut, order: &Order) -> Option<Outgoing> {
    let payload = match order.action {
        Action::Cut => &rule.off,
        Action::On => &rule.on,
        Action::Throw(_) => return None,
    };
    Some(Outgoing {
        topic: rule.topic.clone(),
        payload: payload.clone(),
        sure: true,
        order: Some(order.id),
    })
}

#[cfg(test)]
#[path = "desk_tests.rs"]
mod tests;
