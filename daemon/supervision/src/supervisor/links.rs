//! What links report: nodes that come and go, unusable messages, orders that did not get through; and silence.

use wiring::{
    channel::{Object, Quantity},
    index::{ChannelIx, DistrictIx},
    protection::{OnStale, PowerOn},
    units::{Microamps, Micros, Mono},
};

use super::{Node, Supervisor, slots::Timer};
use crate::{
    alarm::{AlarmKind, Subject},
    alarms::Grade,
    cause::Cause,
    input::{Announced, Feed, LinkReport, NodeIx, OrderId, Transport},
    model::{Route, object_of},
    output::{EventKind, NodeEvent, PowerState},
    protect::Trip,
    start::StartPower,
    words::Seen,
};

/// Outputs of a silent node are off by permit after this. links.md 5.4: ttl and the node's own loop.
const PERMIT_ENDS_MQTT: Micros = Micros::from_millis(3100);
const PERMIT_ENDS: Micros = Micros::from_millis(1050);
/// Outputs found off within this after the start are switched on where `power-on` says so.
const AT_START: Micros = Micros::from_millis(10_000);

impl Supervisor {
    pub(super) fn handle_link(&mut self, report: LinkReport, at: Mono) {
        match report {
            LinkReport::Born { node, name, transport, channels, permit, restarted } => {
                let outputs = self.announce(node, transport, &channels, at);
                let back = self.nodes.get(&node).is_some_and(|it| !it.up);
                let it = Node { name, transport, up: true, heard: at, permit, outputs };
                let known = self.nodes.insert(node, it).is_some();
                let what = match (restarted, known && back) {
                    (true, _) => NodeEvent::Restarted,
                    (false, true) => NodeEvent::Back,
                    (false, false) => NodeEvent::Born,
                };
                if restarted {
                    self.forget_node(node, at);
                    self.lower(AlarmKind::ClockSkew, Subject::Node(node), at);
                }
                self.handle_node_up(node, what, at);
            }
            LinkReport::Alive { node } => self.handle_alive(node, at),
            LinkReport::Lost { node } => self.handle_lost(node, at),
            LinkReport::Unusable { source, what } => {
                self.emit_event(at, EventKind::ReadingBad { source, what }, None);
            }
            LinkReport::Refused { order, reason } => {
                let what = format!("order {} refused: {reason}", order.0);
                let kind = EventKind::ReadingBad { source: "actuator".to_owned(), what };
                self.emit_event(at, kind, None);
                self.handle_not_sent(order, at);
            }
            LinkReport::NotSent { order } => self.handle_not_sent(order, at),
            // An acknowledgement proves nothing: the deadline of the proof decides.
            LinkReport::Acknowledged { .. } => {}
            LinkReport::ClockSkew { node, off } => {
                let seen = Seen::Skew(off.unwrap_or(Micros::ZERO));
                let known = self.nodes.contains_key(&node);
                let (kind, subject) = (AlarmKind::ClockSkew, Subject::Node(node));
                self.hold(known && off.is_some(), kind, subject, at, seen);
            }
            LinkReport::HistoryFailing { failing, lost } => {
                let (kind, subject) = (AlarmKind::HistoryFailing, Subject::Checkrail);
                // Set anew, so that the text of an alarm that stands tells the latest count.
                self.lower(kind, subject, at);
                self.hold(failing, kind, subject, at, Seen::Unsaved(lost));
            }
        }
    }

    /// The latest order of a feed did not reach it.
    fn handle_not_sent(&mut self, order: OrderId, at: Mono) {
        if let Some(feed) = self.ordered.iter().position(|it| *it == Some(order)) {
            self.powers[feed].handle_not_sent(at);
            self.drain_power(feed);
        }
    }

    fn announce(
        &mut self,
        node: NodeIx,
        transport: Transport,
        channels: &[Announced],
        at: Mono,
    ) -> Vec<Feed> {
        let mut outputs = Vec::new();
        for it in channels {
            if self.model.routes.len() <= it.channel.at() {
                continue;
            }
            let slot = self.store.slot_mut(it.channel);
            slot.node = Some(node);
            slot.period = it.period;
            slot.source_stale_after = it.stale_after;
            slot.averaging = it.averaging.unwrap_or(Micros::ZERO);
            if !it.output && slot.last.is_none() {
                slot.expected = Some(at);
            }
            self.refresh_timer(Timer::Channel(it.channel.at()));
            if it.output
                && let Some(feed) = self.feed_of(it.channel)
            {
                outputs.push(feed);
            }
        }
        for feed in &outputs {
            self.proof_due(*feed, transport);
        }
        // A meter that is heard after its actuator: only now is known how soon it can prove.
        for it in channels.iter().filter(|it| !it.output) {
            let measured = self.measured_feed(it.channel);
            if let Some((feed, transport)) = measured.and_then(|feed| self.actuator_of(feed)) {
                self.proof_due(feed, transport);
            }
        }
        outputs
    }

    /// The feed whose current a channel is.
    fn measured_feed(&self, channel: ChannelIx) -> Option<Feed> {
        let known = channel.at() < self.model.routes.len();
        let current = known && self.model.channels.channel(channel).quantity == Quantity::Current;
        current.then(|| self.feed_of(channel)).flatten()
    }

    /// A feed, and the transport of the node that switches it.
    fn actuator_of(&self, feed: Feed) -> Option<(Feed, Transport)> {
        let node = self.nodes.values().find(|it| it.outputs.contains(&feed))?;
        Some((feed, node.transport))
    }

    /// When proof of a cut is due by the transport of its actuator: over Modbus, two polls, and the time over which the
    /// meter averages what was before.
    pub(super) fn proof_due(&mut self, feed: Feed, transport: Transport) {
        let current = self.model.channel(object_of(feed), Quantity::Current);
        let slot = self.store.slot(current);
        let polls = slot.period.filter(|_| transport == Transport::Modbus);
        let averaging = slot.averaging;
        let usual = super::slots::cut_within(&self.model, feed, transport);
        let nth = self.model.feed_at(feed);
        self.powers[nth].handle_transport(
            polls.map_or(usual, |poll| usual.max(Micros(poll.0 * 2 + averaging.0))),
        );
    }

    fn feed_of(&self, channel: ChannelIx) -> Option<Feed> {
        match self.model.channels.channel(channel).object {
            Object::Booster(it) => Some(Feed::Booster(it)),
            Object::District(it) => Some(Feed::District(it)),
            Object::Block(_)
            | Object::Machine(_)
            | Object::Frog(_)
            | Object::Pole(_)
            | Object::Reverser(_) => None,
        }
    }

    fn handle_node_up(&mut self, node: NodeIx, what: NodeEvent, at: Mono) {
        let Some(it) = self.nodes.get_mut(&node) else { return };
        it.up = true;
        it.heard = at;
        let (name, outputs) = (it.name.clone(), it.outputs.clone());
        self.emit_event(at, EventKind::Node { name, what }, None);
        self.lower(AlarmKind::NodeOffline, Subject::Node(node), at);
        for feed in outputs {
            let nth = self.model.feed_at(feed);
            self.powers[nth].handle_node_back(at);
            self.drain_power(nth);
        }
    }

    fn handle_alive(&mut self, node: NodeIx, at: Mono) {
        let Some(it) = self.nodes.get_mut(&node) else { return };
        it.heard = at;
        if !it.up {
            self.handle_node_up(node, NodeEvent::Back, at);
        }
    }

    /// It is silent: its readings are old, its outputs off by permit.
    fn handle_lost(&mut self, node: NodeIx, at: Mono) {
        let Some(it) = self.nodes.get_mut(&node).filter(|it| it.up) else { return };
        it.up = false;
        let (name, outputs, transport) = (it.name.clone(), it.outputs.clone(), it.transport);
        let permit = it.permit.then_some(match transport {
            Transport::Mqtt => PERMIT_ENDS_MQTT,
            Transport::Serial | Transport::Modbus | Transport::Lcc | Transport::Journal => {
                PERMIT_ENDS
            }
        });
        self.emit_event(at, EventKind::Node { name, what: NodeEvent::Lost }, None);
        self.raise(AlarmKind::NodeOffline, Subject::Node(node), Grade::Usual, at, Seen::Kind);
        self.forget_node(node, at);
        for feed in outputs {
            let nth = self.model.feed_at(feed);
            self.powers[nth].handle_node_lost(permit, at);
            self.drain_power(nth);
        }
    }

    fn forget_node(&mut self, node: NodeIx, at: Mono) {
        let channels: Vec<ChannelIx> = self.store.of_node(node).collect();
        for channel in channels {
            let slot = self.store.slot(channel);
            if slot.last.is_some() && !slot.stale {
                self.store.silence(channel);
                self.follow_silence(channel, at);
            }
        }
    }

    /// A channel may have been silent for too long.
    pub(super) fn handle_silence(&mut self, channel: usize, at: Mono) {
        let channel = ChannelIx::new(channel);
        // The slot may hold an earlier deadline than the channel has by now.
        if self.store.slot(channel).poll_deadline().is_some_and(|due| due <= at) {
            self.store.silence(channel);
            self.follow_silence(channel, at);
        }
    }

    fn follow_silence(&mut self, channel: ChannelIx, at: Mono) {
        if self.store.slot(channel).last.is_none() {
            // One alarm a node, whatever it announced and never sent.
            if let Some(node) = self.store.slot(channel).node {
                let subject = Subject::Node(node);
                self.raise(AlarmKind::ReadingStale, subject, Grade::Usual, at, Seen::NeverSeen);
            }
            return;
        }
        match self.model.routes[channel.at()] {
            Route::Current(Feed::District(district)) => self.judge_silence(district, at),
            Route::Current(feed @ Feed::Booster(_)) => {
                let subject = Subject::Object(object_of(feed));
                let silent = self.silent_for(channel, at);
                self.raise(
                    AlarmKind::ReadingStale,
                    subject,
                    Grade::Usual,
                    at,
                    Seen::Silent(silent),
                );
            }
            Route::Voltage(Feed::District(district)) => {
                self.guards[district.at()].handle_voltage_lost();
                self.show_guard(district, at);
                self.judge_frogs(district, at);
            }
            Route::BlockCurrent(block) | Route::BlockOccupied(block) => self.read_block(block, at),
            Route::FrogCurrent(frog) => {
                let subject = Subject::Object(Object::Frog(frog));
                let silent = self.silent_for(channel, at);
                self.raise(
                    AlarmKind::ReadingStale,
                    subject,
                    Grade::Usual,
                    at,
                    Seen::Silent(silent),
                );
            }
            Route::Polarity(frog) => {
                let subject = Subject::Object(Object::Frog(frog));
                self.raise(AlarmKind::FrogNotMeasured, subject, Grade::Usual, at, Seen::Kind);
            }
            // It may have been thrown meanwhile: what it said last proves nothing.
            Route::Position(machine) => {
                self.machines[machine.at()].handle_lost();
                self.follow_machine(machine, at);
            }
            Route::Voltage(Feed::Booster(_))
            | Route::Feedback(_)
            | Route::BlockPeak(_)
            | Route::Asked(_)
            | Route::Reverser(_)
            | Route::Output => {}
        }
    }

    fn silent_for(&self, channel: ChannelIx, at: Mono) -> Micros {
        self.store.slot(channel).last.map_or(Micros::ZERO, |(heard, _)| at.since(heard))
    }

    /// A silence has ended.
    pub(super) fn handle_back(&mut self, channel: ChannelIx, at: Mono) {
        if let Some(node) = self.store.slot(channel).node {
            let missing = self.store.of_node(node).any(|it| self.store.slot(it).is_missing());
            if !missing {
                self.lower(AlarmKind::ReadingStale, Subject::Node(node), at);
            }
        }
        match self.model.routes[channel.at()] {
            Route::Current(Feed::District(district)) => self.judge_silence(district, at),
            Route::Current(feed @ Feed::Booster(_)) => {
                self.lower(AlarmKind::ReadingStale, Subject::Object(object_of(feed)), at);
            }
            Route::BlockCurrent(block) | Route::BlockOccupied(block) => self.read_block(block, at),
            Route::FrogCurrent(frog) => {
                let subject = Subject::Object(Object::Frog(frog));
                self.lower(AlarmKind::ReadingStale, subject, at);
            }
            Route::Polarity(frog) => {
                let subject = Subject::Object(Object::Frog(frog));
                self.lower(AlarmKind::FrogNotMeasured, subject, at);
            }
            Route::Voltage(_)
            | Route::Feedback(_)
            | Route::BlockPeak(_)
            | Route::Position(_)
            | Route::Asked(_)
            | Route::Reverser(_)
            | Route::Output => {}
        }
    }

    /// A district that is not known to be off and whose current is old is not protected.
    pub(super) fn judge_silence(&mut self, district: DistrictIx, at: Mono) {
        for nth in 0..self.model.district_blocks[district.at()].len() {
            self.show_held(self.model.district_blocks[district.at()][nth], at);
        }
        let channel = self.model.district_current[district.at()];
        let feed = self.model.feed_at(Feed::District(district));
        let stale = self.store.slot(channel).stale;
        let subject = Subject::Object(Object::District(district));
        let off = matches!(self.powers[feed].state(), PowerState::Cut | PowerState::Cutting);
        if !stale || off {
            self.lower(AlarmKind::ReadingStale, subject, at);
            return;
        }
        let silent = self.silent_for(channel, at);
        let keys = super::slots::district_keys(&self.model, district);
        if keys.on_stale == OnStale::Cut && self.powers[feed].is_on() {
            let pickup = self.guards[district.at()].settings().residual;
            let trip = Trip { cause: Cause::Stale, onset: at, pickup, base: Microamps::ZERO };
            self.trip(district, trip, at);
            // What is silent is judged channel by channel: the next one follows what this one led to.
            self.settle();
            return;
        }
        let seen = Seen::NotProtected(silent);
        self.raise(AlarmKind::ReadingStale, subject, Grade::Other, at, seen);
    }

    /// At the start, outputs found off are switched on where the layout says so; else they wait for an operator. What was
    /// on and went off by itself, as a node's own trip, was not found off: it is not tried again from here.
    pub(super) fn switch_on_at_start(&mut self, feed: Feed, on: bool, at: Mono) {
        let early = at.since(self.started) <= AT_START;
        if on || self.start_power == StartPower::Journal || !early {
            return;
        }
        let nth = self.model.feed_at(feed);
        let wanted = super::slots::feed_keys(&self.model, feed).power_on == PowerOn::Auto;
        let free = !self.restores[nth].is_locked()
            && self.restores[nth].holds().is_empty()
            && self.restores[nth].due().is_none()
            && !self.powers[nth].is_cut_by_order()
            && self.powers[nth].state() == PowerState::Cut
            && !self.powers[nth].has_been_on()
            && self.powers[nth].has_actuator();
        if wanted && free {
            let turn = self.take_turn(feed, at);
            self.restores[nth].handle_restore(Cause::Start, turn);
            self.refresh_timer(Timer::Restore(nth));
        }
    }

    /// Districts of one booster are switched on one after another.
    pub(super) fn take_turn(&mut self, feed: Feed, at: Mono) -> Mono {
        const APART: Micros = Micros::from_millis(700);
        let booster = match feed {
            Feed::Booster(it) => it,
            Feed::District(it) => self.model.layout.districts[it.at()].booster,
        };
        let turn = at.max(self.turns[booster.at()]);
        self.turns[booster.at()] = turn + APART;
        turn
    }
}
