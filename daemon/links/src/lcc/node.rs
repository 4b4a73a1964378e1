//! Checkrail as a node of the bus. No I/O: bytes in, frames and inputs out.
//!
//! It is the [`Talk`] of an adapter; what others say is in [`heard`], what they are answered in [`answers`].

use std::{
    collections::{BTreeMap, BTreeSet, VecDeque},
    sync::Arc,
    time::{Duration, Instant},
};

use supervision::{
    input::{Input, LinkReport, OrderId},
    output::{Action, Order},
    snapshot::Snapshot,
};
use wiring::{channel::ChannelTable, index::ChannelIx, layout::Position, links::LccSettings};

use super::{
    alias::Aliases,
    events::{EMERGENCY_OFF, Events},
    frame::{Frame, FrameError, Framer},
    message::{EventId, NodeId, check_frame, control_frame, message_frame, mti},
    remotes::{Due, Remotes},
};
use crate::{
    damage::Damage,
    driver::{Figures, Talk},
    links::Delivery,
    nodes::NodeNumbers,
    status::LinkKind,
    unusable::Unusable,
};

mod answers;
mod heard;

/// From the last part of the check of an alias to its reservation. At least 200 ms (S-9.7.2.1), and the time that a slow
/// adapter needs to write the parts.
const CHECK_FOR: Duration = Duration::from_millis(250);
/// Announcements are at least this far apart: at most 100 a second.
const CALL_EVERY: Duration = Duration::from_millis(10);
/// Frames that may wait beside orders and the alias's own.
const MOST_WAITING: usize = 256;
/// After so many refused aliases the next try waits.
const MOST_CONFLICTS: u32 = 8;
const CONFLICT_PAUSE: Duration = Duration::from_secs(1);

/// How far the node is.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Stage {
    /// The adapter is not open.
    Closed,
    /// Too many aliases were refused: the next is tried then.
    Pausing(Instant),
    /// The parts of the check are out; the alias is ours then.
    Checking(Instant),
    /// It has an alias and may speak.
    Permitted,
    /// Another node has our node ID: we are silent until the adapter is opened again.
    Duplicate,
}

/// An announcement or a question that waits its turn. The order is that of their sending.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
enum Call {
    /// Tell about a produced event.
    Produced(usize),
    /// Tell about a consumed event.
    Consumed(usize),
    /// Ask who produces a consumed event.
    Ask(usize),
}

/// Counters.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub(crate) struct Counts {
    /// Good frames.
    pub(crate) received: u64,
    /// Damaged frames, and those of a wrong length.
    pub(crate) bad: u64,
    /// Frames for others, of unknown nodes, of kinds that we have no use for.
    pub(crate) skipped: u64,
    /// Reports that came twice.
    pub(crate) out_of_order: u64,
    pub(crate) orders_sent: u64,
    pub(crate) orders_not_sent: u64,
}

/// Checkrail on one bus.
#[derive(Debug)]
pub(crate) struct Node {
    name: String,
    id: NodeId,
    channels: Arc<ChannelTable>,
    numbers: Arc<NodeNumbers>,
    stage: Stage,
    aliases: Aliases,
    conflicts: u32,
    framer: Framer,
    events: Events,
    remotes: Remotes,
    /// The alias's own frames.
    urgent: VecDeque<Frame>,
    /// Orders that wait, each with its number.
    orders: VecDeque<(Frame, Option<OrderId>)>,
    answers: VecDeque<Frame>,
    calls: BTreeSet<Call>,
    next_call: Instant,
    ready: Vec<Input>,
    requests: u64,
    unusable: Unusable,
    damage: Damage,
    /// Cuts that are not proved yet, given again after each login.
    cuts: BTreeMap<ChannelIx, Order>,
    counts: Counts,
}

impl Node {
    pub(crate) fn new(
        settings: &LccSettings,
        channels: Arc<ChannelTable>,
        numbers: Arc<NodeNumbers>,
        now: Instant,
    ) -> Self {
        let id = NodeId(settings.node_id);
        Self {
            name: settings.name.clone(),
            id,
            events: Events::new(settings, &channels),
            channels,
            numbers,
            stage: Stage::Closed,
            aliases: Aliases::new(id),
            conflicts: 0,
            framer: Framer::default(),
            remotes: Remotes::default(),
            urgent: VecDeque::new(),
            orders: VecDeque::new(),
            answers: VecDeque::new(),
            calls: BTreeSet::new(),
            next_call: now,
            ready: Vec::new(),
            requests: 0,
            unusable: Unusable::default(),
            damage: Damage::default(),
            cuts: BTreeMap::new(),
            counts: Counts::default(),
        }
    }
}

impl Talk for Node {
    const KIND: LinkKind = LinkKind::Lcc;
    const DEVICE: &'static str = "LCC adapter";

    fn opened(&mut self, now: Instant) {
        self.framer.reset();
        self.conflicts = 0;
        self.check_alias(now);
    }

    fn closed(&mut self, _now: Instant) {
        self.fall_silent(Stage::Closed);
        let due = self.remotes.lose_all();
        self.settle(due);
    }

    fn handle_bytes(&mut self, bytes: &[u8], at: Instant) {
        let mut framer = std::mem::take(&mut self.framer);
        framer.feed(bytes, |found| match found {
            Ok(frame) => self.handle_frame(&frame, at),
            Err(error) => self.damage(error, at),
        });
        self.framer = framer;
    }

    fn handle_timeout(&mut self, now: Instant) {
        match self.stage {
            Stage::Checking(at) if at <= now => self.log_in(now),
            Stage::Pausing(at) if at <= now => self.check_alias(now),
            Stage::Closed
            | Stage::Pausing(_)
            | Stage::Checking(_)
            | Stage::Permitted
            | Stage::Duplicate => {}
        }
        let due = self.remotes.handle_timeout(now);
        self.settle(due);
    }

    /// Nothing on this bus depends on the supervisor's life: its outputs have no permits.
    fn handle_supervised(&mut self, _is_alive: bool, _now: Instant) {}

    fn poll_bytes(&mut self, now: Instant) -> Option<Vec<u8>> {
        self.next_frame(now).map(|frame| frame.encode().into_bytes())
    }

    fn poll_deadline(&self, _now: Instant) -> Option<Instant> {
        let own = match self.stage {
            // Births that are still due belong to nodes that are lost.
            Stage::Closed => return None,
            Stage::Pausing(at) | Stage::Checking(at) => Some(at),
            Stage::Permitted => (!self.calls.is_empty()).then_some(self.next_call),
            Stage::Duplicate => None,
        };
        own.into_iter().chain(self.remotes.poll_deadline()).min()
    }

    fn take_ready(&mut self) -> Vec<Input> {
        std::mem::take(&mut self.ready)
    }

    fn figures(&self) -> Figures {
        Figures {
            trouble: self.trouble(),
            received: self.counts.received,
            unusable: self.unusable.total() + self.counts.skipped,
            last_unusable: self.unusable.last(),
            out_of_order: self.counts.out_of_order,
            orders_sent: self.counts.orders_sent,
            orders_not_sent: self.counts.orders_not_sent,
            nodes: self.remotes.statuses(),
            ..Figures::default()
        }
    }
}

impl Node {
    fn damage(&mut self, error: FrameError, at: Instant) {
        self.counts.bad += 1;
        let what = if self.damage.is_suspect(at) {
            format!("a frame {error}; {} within a second: wiring or baud rate?", Damage::SUSPECT)
        } else {
            format!("a frame {error}")
        };
        self.tell(None, &what, at);
    }

    /// Tells people of something that is not acted upon.
    fn tell(&mut self, node: Option<NodeId>, what: &str, at: Instant) {
        let source = match node {
            Some(node) => format!("{node} (lcc {})", self.name),
            None => format!("lcc {}", self.name),
        };
        let told = self.unusable.note(&source, what, at);
        self.ready.extend(told.map(Input::Link));
    }

    fn check_alias(&mut self, now: Instant) {
        let alias = self.aliases.now();
        for part in [7, 6, 5, 4] {
            self.urgent.push_back(check_frame(part, self.id, alias));
        }
        self.stage = Stage::Checking(now + CHECK_FOR);
    }

    /// The alias is ours: tell who we are, what we produce and consume, and ask for what we want to know.
    fn log_in(&mut self, now: Instant) {
        let alias = self.aliases.now();
        self.stage = Stage::Permitted;
        self.next_call = now;
        self.urgent.extend([
            control_frame(0x700, alias, &[]),
            control_frame(0x701, alias, &self.id.0),
            message_frame(mti::INITIALIZED, alias, &self.id.0),
            control_frame(0x702, alias, &[]),
        ]);
        self.events.produced.iter_mut().for_each(|it| it.announced = false);
        self.announce_all();
        self.ask_all();
        for order in self.cuts.values().cloned().collect::<Vec<_>>() {
            self.send_order(&order);
        }
    }

    fn announce_all(&mut self) {
        self.calls.extend((0..self.events.produced.len()).map(Call::Produced));
        self.calls.extend((0..self.events.consumed.len()).map(Call::Consumed));
    }

    /// Asks for every event of others that tells a reading.
    fn ask_all(&mut self) {
        let foreign = self.events.consumed.iter().enumerate().filter(|(_, it)| it.foreign);
        self.calls.extend(foreign.map(|(at, _)| Call::Ask(at)));
    }

    /// Somebody else uses our alias: give it up and take the next.
    fn alias_taken(&mut self, now: Instant) {
        let reset = (self.stage == Stage::Permitted)
            .then(|| control_frame(0x703, self.aliases.now(), &self.id.0));
        self.conflicts += 1;
        self.fall_silent(Stage::Closed);
        self.urgent.extend(reset);
        self.aliases.step();
        if self.conflicts.is_multiple_of(MOST_CONFLICTS) {
            let what = "every alias is refused: does the adapter send our own frames back?";
            self.tell(None, what, now);
            self.stage = Stage::Pausing(now + CONFLICT_PAUSE);
        } else {
            self.check_alias(now);
        }
    }

    fn duplicate(&mut self, now: Instant) {
        if self.stage == Stage::Duplicate {
            return;
        }
        let alias = self.aliases.now();
        let spoke = self.stage == Stage::Permitted;
        let what =
            format!("another node has our node ID {}: we are silent until it is gone", self.id);
        self.fall_silent(Stage::Duplicate);
        if spoke {
            let id = super::events::DUPLICATE_ID;
            self.urgent.push_back(message_frame(mti::REPORT, alias, &id.0));
            self.urgent.push_back(control_frame(0x703, alias, &self.id.0));
        }
        self.tell(None, &what, now);
    }

    /// What waits names an alias that is ours no more.
    fn fall_silent(&mut self, stage: Stage) {
        self.stage = stage;
        self.answers.clear();
        self.calls.clear();
        self.urgent.clear();
        for (_, order) in std::mem::take(&mut self.orders) {
            let lost = order.map(|order| Input::Link(LinkReport::NotSent { order }));
            self.ready.extend(lost);
        }
    }

    /// Takes an order.
    pub(crate) fn order(&mut self, order: &Order) -> Delivery {
        if !self.events.orders.contains_key(&order.channel) {
            return Delivery::NotMine;
        }
        match order.action {
            Action::Cut => {
                self.cuts.insert(order.channel, order.clone());
            }
            Action::On => {
                self.cuts.remove(&order.channel);
            }
            Action::Throw(_) => {}
        }
        if self.stage != Stage::Permitted {
            self.counts.orders_not_sent += 1;
            return Delivery::NotSent;
        }
        self.send_order(order);
        self.counts.orders_sent += 1;
        Delivery::Sent
    }

    fn send_order(&mut self, order: &Order) {
        let Some((off, on)) = self.events.orders.get(&order.channel).copied() else { return };
        let event = match order.action {
            Action::Cut | Action::Throw(Position::Normal) => off,
            Action::On | Action::Throw(Position::Reverse) => on,
        };
        let frame = message_frame(mti::REPORT, self.aliases.now(), &event.0);
        // An order for the same output that still waits is void.
        let void = [off, on].map(|it| message_frame(mti::REPORT, self.aliases.now(), &it.0));
        for (waiting, id) in std::mem::take(&mut self.orders) {
            match id {
                Some(order) if void.contains(&waiting) => {
                    self.ready.push(Input::Link(LinkReport::NotSent { order }));
                }
                Some(_) | None => self.orders.push_back((waiting, id)),
            }
        }
        if order.action == Action::Cut {
            self.orders.push_front((frame, Some(order.id)));
        } else {
            self.orders.push_back((frame, Some(order.id)));
        }
    }

    /// A cut was proved: it is not given again.
    pub(crate) fn proved(&mut self, channel: ChannelIx) {
        self.cuts.remove(&channel);
    }

    /// The well-known emergency off, and `off` to every output, on shutdown and when the supervisor has failed.
    pub(crate) fn cut_everything(&mut self) {
        if self.stage != Stage::Permitted {
            return;
        }
        let powers: Vec<EventId> = self
            .events
            .orders
            .iter()
            .filter(|(channel, _)| {
                self.channels.channel(**channel).quantity == wiring::channel::Quantity::Power
            })
            .map(|(_, (off, _))| *off)
            .collect();
        for event in powers.into_iter().chain([EMERGENCY_OFF]) {
            let frame = message_frame(mti::REPORT, self.aliases.now(), &event.0);
            self.orders.push_front((frame, None));
        }
    }

    /// Takes the layout as it is seen: what has just come true is reported; what has only become known is announced.
    pub(crate) fn show(&mut self, seen: &Snapshot) {
        for (at, news) in self.events.show(seen) {
            if self.stage != Stage::Permitted {
                continue;
            }
            if news {
                self.report(at);
            } else {
                self.calls.insert(Call::Produced(at));
            }
        }
    }

    /// The next frame to write.
    fn next_frame(&mut self, now: Instant) -> Option<Frame> {
        if let Some(frame) = self.urgent.pop_front() {
            return Some(frame);
        }
        if let Some((frame, _)) = self.orders.pop_front() {
            return Some(frame);
        }
        if let Some(frame) = self.answers.pop_front() {
            return Some(frame);
        }
        if self.stage != Stage::Permitted || now < self.next_call {
            return None;
        }
        let call = self.calls.pop_first()?;
        self.next_call = now + CALL_EVERY;
        Some(self.call(call))
    }

    fn settle(&mut self, due: Due) {
        let Due { inputs, probes, lost } = due;
        self.ready.extend(inputs);
        self.events.forget(|channel| lost.contains(&channel));
        for alias in probes {
            self.to(mti::VERIFY_TO, alias, &[]);
        }
    }

    /// What keeps it from working; empty when nothing does.
    fn trouble(&self) -> &'static str {
        match self.stage {
            Stage::Permitted | Stage::Closed => "",
            Stage::Checking(_) => "seeking an alias",
            Stage::Pausing(_) => "every alias is refused",
            Stage::Duplicate => "another node has our node ID",
        }
    }
}

#[cfg(test)]
mod tests;
