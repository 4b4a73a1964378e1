//! What came of power: orders handed out, states shown, the parts that depend on power told.

use wiring::{
    channel::{Object, Quantity},
    index::{BoosterIx, ChannelIx, DistrictIx},
    units::{Microamps, Micros, Mono},
};

use super::{Supervisor, facts::GONE_FOR, rest::Rest, slots::Timer};
use crate::{
    alarm::{AlarmKind, Subject},
    alarms::Grade,
    cause::Cause,
    input::{Feed, OrderId, Value},
    model::object_of,
    output::{Action, Decision, EventKind, Order, PowerState, StateValue},
    power::Told,
    protect::Trip,
    record::FaultNumber,
    words::Seen,
};

/// Power that goes is told within this.
pub(super) const JUST_BEFORE: Micros = Micros::from_millis(1000);
/// Load lasts so long.
const LASTING: Micros = Micros::from_millis(200);
/// Less is the end of a load.
const FALLEN: Microamps = Microamps(200_000);

impl Supervisor {
    /// Acts on everything that a feed's power has told.
    pub(super) fn drain_power(&mut self, feed: usize) {
        while let Some((at, told)) = self.powers[feed].poll() {
            if matches!(told, Told::Order { .. } | Told::CutAbove(..)) {
                self.heed_power(feed, told, at);
            } else {
                self.then(Rest::Told(feed, told, at));
            }
        }
        self.refresh_timer(Timer::Power(feed));
    }

    /// Hands out the order that was just given, before all else.
    pub(super) fn hand_out_order(&mut self, feed: usize) -> Option<Order> {
        match self.powers[feed].poll()? {
            (at, Told::Order { action, cause, fault, attempt }) => {
                self.order(feed, action, cause, fault, attempt, at)
            }
            (at, told) => {
                self.heed_power(feed, told, at);
                None
            }
        }
    }

    pub(super) fn heed_power(&mut self, feed: usize, told: Told, at: Mono) {
        match told {
            Told::Order { action, cause, fault, attempt } => {
                self.order(feed, action, cause, fault, attempt, at);
            }
            Told::CutAbove(cause, fault) => self.cut_above(feed, cause, fault, at),
            Told::Failed(cause) => {
                let subject = Subject::Object(object_of(self.model.feed(feed)));
                self.raise(AlarmKind::CutFailed, subject, Grade::Usual, at, Seen::Cause(cause));
            }
            Told::Proved(after, strength) => {
                let which = self.model.feed(feed);
                self.commissioning.handle_cut(feed, after, strength);
                for recording in &mut self.recordings {
                    recording.handle_proof(which, at, strength);
                }
                self.emit_event(at, EventKind::CutProved(which, after, strength), None);
                let subject = Subject::Object(object_of(which));
                self.lower(AlarmKind::CutFailed, subject, at);
                if let Feed::Booster(booster) = which {
                    self.off_below(booster, strength, at);
                }
            }
            Told::Changed(state) => self.show_power(feed, state, at),
            Told::Gone(seen) => self.handle_gone(feed, seen, at),
            Told::Back => self.handle_power_back(feed, at),
        }
    }

    fn order(
        &mut self,
        feed: usize,
        action: Action,
        cause: Cause,
        fault: Option<FaultNumber>,
        attempt: u8,
        at: Mono,
    ) -> Option<Order> {
        let which = self.model.feed(feed);
        let channel = self.model.channel(object_of(which), Quantity::Power);
        let id = OrderId(self.next_order);
        self.next_order = self.next_order.wrapping_add(1);
        if !self.powers[feed].has_actuator() {
            return None;
        }
        self.ordered[feed] = Some(id);
        let order = Order { id, channel, action, cause, fault, attempt };
        if action == Action::Cut {
            for recording in self.recordings.iter_mut().filter(|it| Some(it.number) == fault) {
                recording.handle_cut(which, &order, at);
            }
        }
        self.emit(at, Decision::Order(order.clone()));
        self.note_order();
        Some(order)
    }

    /// The booster is proved off, and with it all that it feeds.
    fn off_below(&mut self, booster: BoosterIx, strength: crate::output::ProofStrength, at: Mono) {
        let model = std::sync::Arc::clone(&self.model);
        for &district in &model.booster_districts[booster.at()] {
            let feed = model.feed_at(Feed::District(district));
            self.powers[feed].handle_above_off(strength, at);
            self.drain_power(feed);
        }
    }

    /// The proved state, and everything that depends on it.
    fn show_power(&mut self, feed: usize, state: PowerState, at: Mono) {
        let which = self.model.feed(feed);
        let channel = self.model.channel(object_of(which), Quantity::Power);
        self.emit(at, Decision::State { channel, value: StateValue::Power(state) });
        self.emit_event(at, EventKind::PowerChanged(which, state), None);
        match which {
            Feed::District(district) => self.follow_power(district, state, at),
            Feed::Booster(booster) if state == PowerState::On => self.on_below(booster, at),
            Feed::Booster(_) => {}
        }
        if state == PowerState::On {
            let subject = Subject::Object(object_of(which));
            self.lower(AlarmKind::PowerCut, subject, at);
            // Of an earlier run: no cut is tried any more. It latches, so that somebody sees it.
            self.lower(AlarmKind::CutFailed, subject, at);
        }
    }

    fn on_below(&mut self, booster: BoosterIx, at: Mono) {
        let model = std::sync::Arc::clone(&self.model);
        for &district in &model.booster_districts[booster.at()] {
            let feed = model.feed_at(Feed::District(district));
            self.powers[feed].handle_above_on(at);
            self.drain_power(feed);
        }
    }

    fn follow_power(&mut self, district: DistrictIx, state: PowerState, at: Mono) {
        let model = std::sync::Arc::clone(&self.model);
        match state {
            PowerState::Cut => {
                self.guards[district.at()].handle_power_gone(None, at);
                self.end_episode(district, at);
                self.cool(district, at);
                for frog in &model.district_frogs[district.at()] {
                    self.frogs[frog.at()].handle_power_gone();
                }
            }
            PowerState::On => {
                self.told_only[district.at()] = false;
                self.end_causes(district, at);
            }
            PowerState::Unknown
            | PowerState::Cutting
            | PowerState::CutFailed
            | PowerState::Restoring => {}
        }
        for &block in &model.district_blocks[district.at()] {
            self.read_block(block, at);
        }
        self.judge_frogs(district, at);
        self.judge_silence(district, at);
        self.show_guard(district, at);
    }

    /// No current flows through the contacts of a district that is off.
    fn cool(&mut self, district: DistrictIx, at: Mono) {
        let model = std::sync::Arc::clone(&self.model);
        for frog in &model.district_frogs[district.at()] {
            for (pole, _) in &model.frogs[frog.at()].poles {
                self.contacts[pole.at()].handle_off(at);
            }
        }
    }

    /// Power went without an order: a fault record and an alarm; hits are counted by the current seen before.
    fn handle_gone(&mut self, feed: usize, seen: Microamps, at: Mono) {
        let current = match self.model.feed(feed) {
            Feed::Booster(booster) => self.model.booster_current[booster.at()],
            Feed::District(district) => self.model.district_current[district.at()],
        };
        let seen = seen.max(self.load_before_fall(current, at));
        let cause = Cause::PowerGone { seen };
        match self.model.feed(feed) {
            Feed::Booster(booster) => {
                for nth in 0..self.model.booster_districts[booster.at()].len() {
                    self.note_gone(self.model.booster_districts[booster.at()][nth], at);
                }
                let subject = Subject::Object(Object::Booster(booster));
                self.raise(AlarmKind::PowerCut, subject, Grade::Usual, at, Seen::Cause(cause));
                self.judge_shutdown(booster, at);
                self.off_below(booster, crate::output::ProofStrength::Weak, at);
            }
            Feed::District(district) => {
                self.note_gone(district, at);
                let booster = self.model.layout.districts[district.at()].booster.at();
                // What follows from a booster that is off is no alarm of its own.
                let above = self.powers[booster].state();
                let alive =
                    matches!(above, PowerState::Unknown | PowerState::On | PowerState::Restoring);
                if alive && !self.powers[booster].is_dead() {
                    self.record_gone(district, cause, seen, at);
                }
            }
        }
    }

    /// Keeps what a district drew before its power went: when it comes back the same load may open the breaker again.
    fn note_gone(&mut self, district: DistrictIx, at: Mono) {
        let load = self.load_before_fall(self.model.district_current[district.at()], at);
        // Where the breaker tries again and again it opens before a load has lasted.
        let earlier = self.gone[district.at()].filter(|(then, _)| at.since(*then) <= GONE_FOR);
        let load = earlier.map_or(load, |(_, earlier)| earlier.max(load));
        self.gone[district.at()] = Some((at, load));
    }

    /// What a channel had shown for a while when its readings fell, within the last second: power that goes is told when
    /// they are down already. A short that opened the breaker is no load.
    fn load_before_fall(&self, current: ChannelIx, at: Mono) -> Microamps {
        let kept = self.store.slot(current).samples();
        let amps = kept.newest_first().filter_map(|(when, value)| match value {
            Value::Current(amps) if at.since(when) <= JUST_BEFORE => Some((when, amps)),
            _ => None,
        });
        // The sample that it fell in holds a part of it.
        let mut before = amps.skip_while(|(_, amps)| *amps < FALLEN).skip(1).peekable();
        let Some(&(fell, _)) = before.peek() else { return Microamps::ZERO };
        let lasting = before.take_while(|(when, _)| fell.since(*when) <= LASTING);
        lasting.map(|(_, amps)| amps).min().unwrap_or(Microamps::ZERO)
    }

    fn record_gone(&mut self, district: DistrictIx, cause: Cause, seen: Microamps, at: Mono) {
        let fault = FaultNumber(self.next_fault);
        self.next_fault += 1;
        let pickup = self.guards[district.at()].settings().residual;
        let trip = Trip { cause, onset: at, pickup, base: seen };
        self.open_recording(district, fault, &trip, at);
        self.emit(at, Decision::FaultOpened { fault, district, cause });
        let subject = Subject::Object(Object::District(district));
        self.raise(AlarmKind::PowerCut, subject, Grade::Usual, at, Seen::Cause(cause));
    }

    /// Power is back: engines charge.
    fn handle_power_back(&mut self, feed: usize, at: Mono) {
        match self.model.feed(feed) {
            Feed::District(district) => self.guards[district.at()].handle_power_back(at),
            Feed::Booster(booster) => {
                if let Some(guard) = &mut self.booster_guards[booster.at()] {
                    guard.handle_power_back(at);
                }
                for nth in 0..self.model.booster_districts[booster.at()].len() {
                    let district = self.model.booster_districts[booster.at()][nth];
                    self.guards[district.at()].handle_power_back(at);
                }
            }
        }
    }
}
