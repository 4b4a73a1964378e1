//! What persons ask for, and why not.

use wiring::{
    channel::{Object, Quantity},
    index::{DistrictIx, FrogIx, MachineIx},
    layout::Position,
    units::{Microamps, Mono},
};

use super::{Supervisor, slots::Timer};
use crate::{
    alarm::{AlarmKey, AlarmState},
    alarms::{Condition, Grade},
    cause::Cause,
    input::{Act, Feed, OperatorRequest, OrderId, Shelving},
    output::{Action, Decision, EventKind, Occupancy, Order, PowerState, Refusal},
    record::{Accused, FaultNumber},
    start::StartPower,
    words,
};

impl Supervisor {
    pub(super) fn handle_operator(&mut self, request: OperatorRequest, at: Mono) {
        let OperatorRequest { id, who, act } = request;
        let what = self.describe(&act);
        let quiet = is_sign_of_life(&act);
        let result = self.act(&who, act, at);
        // The answer comes after what was done.
        self.settle();
        self.drain_alarms();
        self.see_sessions(at);
        self.emit(at, Decision::Answer { request: id, result });
        if quiet {
            return;
        }
        let kind = EventKind::Operated { who, what, refused: result.err() };
        self.emit_event(at, kind, None);
    }

    fn act(&mut self, who: &str, act: Act, at: Mono) -> Result<(), Refusal> {
        match act {
            Act::Acknowledge(key) => {
                self.alarms.acknowledge(key, at)?;
                self.alarms.sign(key, who, at);
                Ok(())
            }
            Act::Reset(key) => self.alarms.reset(key, at),
            Act::ResetFirstOut(key) => self.alarms.reset_first_out(key),
            Act::Shelve { alarm, lasts, .. } => {
                self.alarms.shelve(alarm, lasts, at)?;
                self.alarms.sign(alarm, who, at);
                Ok(())
            }
            Act::Unshelve(key) => self.alarms.end_shelving(key, at),
            Act::OutOfService(key) => {
                let district = self.model.district_of(key.subject);
                self.alarms.remove(Condition { key, district, grade: Grade::Usual }, at)?;
                self.alarms.sign(key, who, at);
                Ok(())
            }
            Act::InService(key) => self.alarms.return_to_service(key, at),
            Act::Cut(feed) => self.cut_by_hand(feed, Cause::Operator, at),
            Act::Restore { feed, .. } if self.is_commissioned_by_another(feed, who) => {
                Err(Refusal::InCommissioning)
            }
            Act::Restore { feed, confirmed } => self.restore(feed, confirmed, at),
            Act::Hold(feed) => {
                let nth = self.known(feed)?;
                self.restores[nth].hold(who);
                self.refresh_timer(Timer::Restore(nth));
                Ok(())
            }
            Act::Release(feed) => {
                let nth = self.known(feed)?;
                if self.restores[nth].release(who) { Ok(()) } else { Err(Refusal::NotInThatState) }
            }
            Act::Throw { machine, to, confirmed } => self.throw(machine, to, confirmed, at),
            Act::Commission { machine, request } => self.commission(who, machine, request, at),
            Act::NameCulprit { fault, suspect } => self.name_culprit(fault, suspect),
            Act::Shutdown => {
                self.shut_down(at);
                Ok(())
            }
        }
    }

    /// A feed that the layout has.
    fn known(&self, feed: Feed) -> Result<usize, Refusal> {
        let exists = match feed {
            Feed::Booster(it) => it.at() < self.model.layout.boosters.len(),
            Feed::District(it) => it.at() < self.model.layout.districts.len(),
        };
        if exists { Ok(self.model.feed_at(feed)) } else { Err(Refusal::Unknown) }
    }

    pub(super) fn cut_by_hand(
        &mut self,
        feed: Feed,
        cause: Cause,
        at: Mono,
    ) -> Result<(), Refusal> {
        let nth = self.known(feed)?;
        if !self.powers[nth].has_actuator() {
            return Err(Refusal::NoActuator);
        }
        self.restores[nth].handle_cut();
        if !self.powers[nth].is_cut_by_order() {
            self.powers[nth].order_cut(cause, None, Microamps(i64::MAX), at);
            self.hand_out_order(nth);
            if let Feed::District(district) = feed {
                self.guards[district.at()].handle_power_gone(None, at);
            }
            self.drain_power(nth);
        }
        self.refresh_timer(Timer::Restore(nth));
        Ok(())
    }

    fn restore(&mut self, feed: Feed, confirmed: bool, at: Mono) -> Result<(), Refusal> {
        let nth = self.known(feed)?;
        self.may_restore(feed, nth, confirmed, at)?;
        // Whoever presses again does not go to the end of the queue.
        let turn = self.restores[nth].due();
        let turn = turn.unwrap_or_else(|| self.take_turn(feed, at));
        let opened = self.restores[nth].handle_restore(Cause::Operator, turn);
        if opened {
            for district in self.switched_with(nth) {
                self.emit_event(at, EventKind::LockOutOpened(district), None);
            }
        }
        if turn <= at {
            self.handle_restore_due(nth, at);
        }
        self.refresh_timer(Timer::Restore(nth));
        Ok(())
    }

    /// In the order in which a person would ask.
    fn may_restore(
        &self,
        feed: Feed,
        nth: usize,
        confirmed: bool,
        at: Mono,
    ) -> Result<(), Refusal> {
        let power = &self.powers[nth];
        if !power.has_actuator() {
            return Err(Refusal::NoActuator);
        }
        if !self.restores[nth].holds().is_empty() {
            return Err(Refusal::Held);
        }
        match power.state() {
            PowerState::On | PowerState::Restoring => return Err(Refusal::AlreadyOn),
            PowerState::Cutting | PowerState::CutFailed => return Err(Refusal::NotProved),
            PowerState::Unknown | PowerState::Cut => {}
        }
        match feed {
            Feed::District(district) => self.may_restore_district(district, nth, confirmed, at),
            Feed::Booster(booster) => {
                let mut fed = self.model.booster_districts[booster.at()].iter();
                let unseen = fed.clone().any(|it| self.has_unseen_cause(*it));
                let hot = fed.any(|it| self.hot_suspect(*it, at));
                first_of(&[(unseen, Refusal::AcknowledgeFirst), (hot, Refusal::ContactHot)])
            }
        }
    }

    fn may_restore_district(
        &self,
        district: DistrictIx,
        nth: usize,
        confirmed: bool,
        at: Mono,
    ) -> Result<(), Refusal> {
        let booster = self.model.layout.districts[district.at()].booster.at();
        let dead = matches!(
            self.powers[booster].state(),
            PowerState::Cut | PowerState::Cutting | PowerState::CutFailed
        );
        let held = !self.restores[booster].holds().is_empty();
        let current = self.model.district_current[district.at()];
        let blind = self.store.fresh(current).is_none();
        let stands = match self.powers[nth].why() {
            Some((Cause::Mismatch { frog }, _)) => self.frogs[frog.at()].is_mismatched(),
            Some(_) | None => false,
        };
        first_of(&[
            (dead, Refusal::FedFromDead),
            (held, Refusal::Held),
            (self.has_unseen_cause(district), Refusal::AcknowledgeFirst),
            (stands && !confirmed, Refusal::CauseStands),
            (self.hot_suspect(district, at), Refusal::ContactHot),
            (blind && !confirmed, Refusal::Blind),
        ])
    }

    /// A latched alarm of the district that nobody has acknowledged.
    fn has_unseen_cause(&self, district: DistrictIx) -> bool {
        self.alarms.iter().any(|(_, entry)| {
            let unseen = matches!(
                entry.state,
                AlarmState::Unacknowledged | AlarmState::LatchedUnacknowledged
            );
            entry.latched && unseen && entry.district == Some(district)
        })
    }

    pub(super) fn throw(
        &mut self,
        machine: MachineIx,
        to: Position,
        confirmed: bool,
        at: Mono,
    ) -> Result<(), Refusal> {
        if self.model.layout.machines.len() <= machine.at() {
            return Err(Refusal::Unknown);
        }
        let channel = self.model.channel(Object::Machine(machine), Quantity::Throw);
        if self.start_power == StartPower::Live && !self.is_throw_offered(machine) {
            return Err(Refusal::NoChannel);
        }
        let model = std::sync::Arc::clone(&self.model);
        for frog in &model.machine_frogs[machine.at()] {
            self.may_throw(*frog, confirmed)?;
        }
        let id = OrderId(self.next_order);
        self.next_order = self.next_order.wrapping_add(1);
        let action = Action::Throw(to);
        let cause = Cause::Operator;
        let order = Order { id, channel, action, cause, fault: None, attempt: 1 };
        self.emit(at, Decision::Order(order));
        self.machines[machine.at()].handle_asked(to, at);
        self.follow_machine(machine, at);
        Ok(())
    }

    /// A node that lives offers to throw it.
    pub(super) fn is_throw_offered(&self, machine: MachineIx) -> bool {
        let channel = self.model.channel(Object::Machine(machine), Quantity::Throw);
        let node = self.store.slot(channel).node;
        node.is_some_and(|node| self.nodes.get(&node).is_some_and(|node| node.up))
    }

    /// Cut and proved, or current fresh and steady and the block proved clear. Unknown, held and stale count as
    /// occupied; with the district cut and proved a person may confirm that no wheel stands on the points.
    fn may_throw(&self, frog: FrogIx, confirmed: bool) -> Result<(), Refusal> {
        let it = &self.model.frogs[frog.at()];
        let power = &self.powers[self.model.feed_at(Feed::District(it.district))];
        let clear = match self.blocks[it.block.at()].state() {
            Occupancy::Clear => !self.store.slot(self.model.block_current[it.block.at()]).stale,
            Occupancy::Held { occupied: false } => power.is_proved_off(),
            Occupancy::Unknown | Occupancy::Occupied | Occupancy::Held { occupied: true } => false,
        };
        if power.is_proved_off() {
            return if clear || confirmed { Ok(()) } else { Err(Refusal::Occupied) };
        }
        let guard = &self.guards[it.district.at()];
        let blind = self.store.fresh(self.model.district_current[it.district.at()]).is_none();
        let unproved = matches!(power.state(), PowerState::Cutting | PowerState::CutFailed);
        let faulty = guard.is_disturbed() || self.episodes[it.district.at()].is_some();
        first_of(&[
            (faulty || unproved || self.told_only[it.district.at()], Refusal::UnderFault),
            (blind, Refusal::Blind),
            (!clear, Refusal::Occupied),
        ])
    }

    fn name_culprit(&mut self, fault: FaultNumber, suspect: usize) -> Result<(), Refusal> {
        let known = self.closed.iter().find(|(number, _)| *number == fault);
        let accused = known.and_then(|(_, accused)| accused.get(suspect)).copied();
        match accused {
            Some(Accused::Object(Object::Frog(frog))) => {
                self.culprits[frog.at()] = self.culprits[frog.at()].saturating_add(1);
                Ok(())
            }
            Some(_) => Ok(()),
            None => Err(Refusal::Unknown),
        }
    }

    /// Everything that can be cut is cut; the shell waits for the proofs.
    fn shut_down(&mut self, at: Mono) {
        for nth in 0..self.powers.len() {
            let feed = self.model.feed(nth);
            // Refused where there is no actuator: then the feed above it is cut.
            let _ = self.cut_by_hand(feed, Cause::Shutdown, at);
        }
    }

    fn describe(&self, act: &Act) -> String {
        let layout = &self.model.layout;
        let alarm = |key: &AlarmKey| {
            let node = super::node_name(&self.nodes, key.subject);
            let subject = words::subject_name(layout, key.subject, node);
            format!("{} of {subject}", key.kind.word())
        };
        let feed = |feed: &Feed| {
            self.known(*feed).map_or_else(
                |_| "what is not there".to_owned(),
                |_| words::feed_text(layout, *feed),
            )
        };
        match act {
            Act::Acknowledge(key) => format!("acknowledge {}", alarm(key)),
            Act::Reset(key) => format!("reset {}", alarm(key)),
            Act::ResetFirstOut(key) => format!("reset first-out of {}", alarm(key)),
            Act::Shelve { alarm: key, lasts: Shelving::For(span), reason } => {
                format!("shelve {} for {span}: {reason}", alarm(key))
            }
            Act::Shelve { alarm: key, lasts: Shelving::Session, reason } => {
                format!("shelve {} until the session ends: {reason}", alarm(key))
            }
            Act::Unshelve(key) => format!("unshelve {}", alarm(key)),
            Act::OutOfService(key) => format!("take {} out of service", alarm(key)),
            Act::InService(key) => format!("return {} to service", alarm(key)),
            Act::Cut(it) => format!("cut {}", feed(it)),
            Act::Restore { feed: it, confirmed } => {
                format!("restore {}{}", feed(it), if *confirmed { ", confirmed" } else { "" })
            }
            Act::Hold(it) => format!("hold {}", feed(it)),
            Act::Release(it) => format!("release {}", feed(it)),
            Act::Throw { machine, to, confirmed } => {
                let id = layout.machines.get(machine.at()).map_or("?", |it| it.id.as_str());
                let sure = if *confirmed { ", no wheel on the points" } else { "" };
                format!("throw {id} to {}{sure}", to.word())
            }
            Act::Commission { machine, request } => {
                let id = layout.machines.get(machine.at()).map_or("?", |it| it.id.as_str());
                format!("commission {id}: {}", request.word())
            }
            Act::NameCulprit { fault, suspect } => {
                format!("name suspect {} of fault {}", suspect + 1, fault.0)
            }
            Act::Shutdown => "stop".to_owned(),
        }
    }
}

/// Nothing to record: a page says every minute that it is still open.
const fn is_sign_of_life(act: &Act) -> bool {
    matches!(act, Act::Commission { request: crate::commission::Request::Stay, .. })
}

fn first_of(reasons: &[(bool, Refusal)]) -> Result<(), Refusal> {
    reasons.iter().find(|(holds, _)| *holds).map_or(Ok(()), |(_, refusal)| Err(*refusal))
}
