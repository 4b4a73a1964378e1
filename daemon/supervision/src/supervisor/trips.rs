//! From a verdict to a cut: selectivity, record, lock-out, alarms.

use wiring::{
    channel::Object,
    index::{DistrictIx, FrogIx},
    units::{Microamps, Micros, Mono},
};

use super::{Supervisor, rest::Rest, slots::Timer};
use crate::{
    alarm::{AlarmKind, Subject},
    alarms::Grade,
    cause::Cause,
    input::{Feed, MachinePosition},
    output::{Decision, EventKind, Order, PowerState},
    protect::{Trip, Verdict},
    record::{Accused, FaultNumber},
    words::Seen,
};

/// A short follows an entry from the wrong leg within this.
const RUN_THROUGH: Micros = Micros::from_millis(2000);

/// Alarms that a fault raised and that power restored ends.
pub(super) const CAUSES: [AlarmKind; 6] = [
    AlarmKind::ShortCircuit,
    AlarmKind::HalfShort,
    AlarmKind::AtLimit,
    AlarmKind::TrippedElsewhere,
    AlarmKind::Overload,
    AlarmKind::PowerCut,
];

/// A trip whose order is out.
#[derive(Debug)]
pub(super) struct Opened {
    district: DistrictIx,
    fault: FaultNumber,
    trip: Trip,
    /// What was cut; none: nothing can.
    feed: Option<usize>,
    order: Option<Order>,
    at: Mono,
}

impl Supervisor {
    /// Acts on what the elements of a district said about one sample.
    pub(super) fn heed(
        &mut self,
        district: DistrictIx,
        verdict: Verdict,
        amps: Microamps,
        at: Mono,
    ) {
        if self.told_only[district.at()] {
            self.heed_told(district, amps, at);
            return;
        }
        if let Some(trip) = verdict.trip {
            self.trip(district, trip, at);
            self.then(Rest::Carry(district, amps, at));
            return;
        }
        // Contacts first: one of them may be at its limit, and a cut goes before all else.
        if let Some(fault) = verdict.fault {
            self.begin_episode(district, amps - fault, at);
            self.carry_fault(district, amps, at);
        }
        if let Some(element) = verdict.picked_up {
            self.disturb_neighbours(district, false, at);
            self.judge_frogs(district, at);
            self.emit_event(at, EventKind::PickedUp(district, element), None);
        }
        if verdict.fault.is_none() && self.episodes[district.at()].is_some() {
            self.end_episode(district, at);
        }
        if let Some(element) = verdict.dropped_out {
            self.judge_frogs(district, at);
            self.emit_event(at, EventKind::DroppedOut(district, element), None);
        }
    }

    /// Nothing can cut the district: the trip was told, and is told again only after the current has gone.
    fn heed_told(&mut self, district: DistrictIx, amps: Microamps, at: Mono) {
        self.carry_fault(district, amps, at);
        let base = self.episodes[district.at()].as_ref().map_or(Microamps::ZERO, |it| it.base);
        let step = self.guards[district.at()].settings().step;
        if amps < base + step.percent(50) {
            self.told_only[district.at()] = false;
            self.guards[district.at()].handle_told_over();
            self.end_episode(district, at);
            self.end_causes(district, at);
        }
    }

    /// Cuts a district, or the booster where it has no actuator; then tells.
    pub(super) fn trip(&mut self, district: DistrictIx, trip: Trip, at: Mono) {
        let feed = self.cut_target(district);
        self.trip_at(district, trip, feed, at);
    }

    /// Cuts `feed` for a fault in a district; none: nothing can cut it, and the trip is only told. Everything but the
    /// order comes after the order.
    pub(super) fn trip_at(
        &mut self,
        district: DistrictIx,
        trip: Trip,
        feed: Option<usize>,
        at: Mono,
    ) {
        if self.told_only[district.at()] {
            return;
        }
        let fault = FaultNumber(self.next_fault);
        self.next_fault += 1;
        let order = feed.and_then(|feed| {
            self.powers[feed].order_cut(trip.cause, Some(fault), trip.pickup, at);
            self.hand_out_order(feed)
        });
        self.told_only[district.at()] = feed.is_none();
        self.then(Rest::Trip(Box::new(Opened { district, fault, trip, feed, order, at })));
    }

    /// What follows from a trip.
    pub(super) fn follow_trip(&mut self, opened: &Opened) {
        let &Opened { district, fault, ref trip, feed, ref order, at } = opened;
        let &Trip { cause, onset, base, .. } = trip;
        self.open_recording(district, fault, trip, at);
        if let (Some(feed), Some(order)) = (feed, order) {
            self.note_cut(fault, feed, order, at);
        }
        if let Some(episode) = &mut self.episodes[district.at()] {
            episode.fault = Some(fault);
            episode.onset = onset;
        } else if is_fault_current(cause) {
            self.begin_episode(district, base, at);
            if let Some(episode) = &mut self.episodes[district.at()] {
                episode.fault = Some(fault);
            }
        }
        self.guards[district.at()].handle_power_gone(Some(base), at);
        self.emit(at, Decision::FaultOpened { fault, district, cause });
        if let Some(feed) = feed {
            self.drain_power(feed);
            self.lock_or_try(feed, cause, fault, at);
        }
        self.disturb_neighbours(district, true, at);
        self.tell_trip(district, cause, at);
        self.suspect_run_through(district, cause, onset, at);
        self.judge_frogs(district, at);
    }

    /// The smallest thing that has an actuator and contains the fault.
    pub(super) fn cut_target(&self, district: DistrictIx) -> Option<usize> {
        let own = self.model.feed_at(Feed::District(district));
        let booster = self.model.layout.districts[district.at()].booster.at();
        [own, booster].into_iter().find(|feed| self.powers[*feed].has_actuator())
    }

    fn lock_or_try(&mut self, feed: usize, cause: Cause, fault: FaultNumber, at: Mono) {
        if self.restores[feed].handle_trip(is_retryable(cause), at) {
            self.tell_locked_out(feed, Some(fault), at);
        }
        self.refresh_timer(Timer::Restore(feed));
    }

    /// Only an operator restores it from here on. Told once: the history keeps it over a restart.
    pub(super) fn lock_out(&mut self, feed: usize, fault: Option<FaultNumber>, at: Mono) {
        let was_locked = self.restores[feed].is_locked();
        self.restores[feed].lock();
        if !was_locked {
            self.tell_locked_out(feed, fault, at);
        }
    }

    fn tell_locked_out(&mut self, feed: usize, fault: Option<FaultNumber>, at: Mono) {
        for district in self.switched_with(feed) {
            self.emit_event(at, EventKind::LockedOut(district), fault);
        }
    }

    /// The districts that a feed's actuator switches: its own, or those of a booster that have none of their own.
    pub(super) fn switched_with(&self, feed: usize) -> Vec<DistrictIx> {
        match self.model.feed(feed) {
            Feed::District(district) => vec![district],
            Feed::Booster(booster) => {
                let fed = self.model.booster_districts[booster.at()].iter().copied();
                fed.filter(|it| {
                    let own = self.model.feed_at(Feed::District(*it));
                    !self.powers[own].has_actuator()
                })
                .collect()
            }
        }
    }

    /// Other districts of the booster feel it: engines there charge when voltage comes back.
    fn disturb_neighbours(&mut self, district: DistrictIx, cut: bool, at: Mono) {
        let booster = self.model.layout.districts[district.at()].booster;
        for nth in 0..self.model.booster_districts[booster.at()].len() {
            let other = self.model.booster_districts[booster.at()][nth];
            if other != district {
                self.guards[other.at()].handle_neighbour(cut, at);
            }
        }
    }

    /// The alarm of a trip.
    fn tell_trip(&mut self, district: DistrictIx, cause: Cause, at: Mono) {
        let here = Subject::Object(Object::District(district));
        let (kind, subject, grade) = match cause {
            Cause::Short { .. } => (AlarmKind::ShortCircuit, here, Grade::Usual),
            Cause::HalfShort { .. } | Cause::LowVoltage { .. } => {
                (AlarmKind::HalfShort, here, Grade::Usual)
            }
            Cause::AtLimit { .. } => (AlarmKind::AtLimit, here, Grade::Usual),
            Cause::Overload { .. } => (AlarmKind::Overload, here, Grade::Usual),
            Cause::Contact { pole, .. } => {
                (AlarmKind::ContactOverload, Subject::Object(Object::Pole(pole)), Grade::Usual)
            }
            Cause::Mismatch { frog } => {
                (AlarmKind::FrogMismatch, Subject::Object(Object::Frog(frog)), Grade::Other)
            }
            Cause::TrippedElsewhere { .. } => (AlarmKind::TrippedElsewhere, here, Grade::Usual),
            Cause::PowerGone { .. } => (AlarmKind::PowerCut, here, Grade::Usual),
            Cause::CutFailure { .. } => (AlarmKind::CutFailed, here, Grade::Usual),
            Cause::Stale => (AlarmKind::ReadingStale, here, Grade::Other),
            Cause::TestLimit { .. }
            | Cause::Operator
            | Cause::Shutdown
            | Cause::Retry(_)
            | Cause::Start => return,
        };
        self.raise(kind, subject, grade, at, Seen::Cause(cause));
    }

    /// A mismatched frog under a train, or with a step of current: cut.
    pub(super) fn judge_mismatch(&mut self, district: DistrictIx, at: Mono) {
        let feed = self.model.feed_at(Feed::District(district));
        let armed = self.guards[district.at()].is_armed();
        if !self.powers[feed].is_guarded() || self.told_only[district.at()] || armed {
            return;
        }
        let nudged = self.guards[district.at()].is_nudged(at);
        let model = std::sync::Arc::clone(&self.model);
        let found = model.district_frogs[district.at()].iter().find(|frog| {
            let it = &self.frogs[frog.at()];
            let under = self.blocks[model.frogs[frog.at()].block.at()].is_occupied();
            it.is_mismatch_confirmed() && it.is_judged() && (under || nudged)
        });
        if let Some(&frog) = found {
            let amps = self.guards[district.at()].last().map_or(Microamps::ZERO, |it| it.amps);
            let trip = Trip {
                cause: Cause::Mismatch { frog },
                onset: at,
                pickup: Microamps(i64::MAX),
                base: amps,
            };
            self.trip(district, trip, at);
        }
    }

    /// Occupancy came from a leg that a turnout is not set for, and a short followed: `run-through`.
    fn suspect_run_through(&mut self, district: DistrictIx, cause: Cause, onset: Mono, at: Mono) {
        if !is_fault_current(cause) {
            return;
        }
        let model = std::sync::Arc::clone(&self.model);
        for &frog in &model.district_frogs[district.at()] {
            let Some(leg) = self.wrong_leg(frog, onset) else { continue };
            let recent = leg.edge.is_some_and(|edge| edge <= RUN_THROUGH);
            let own = self.blocks[model.frogs[frog.at()].block.at()].edge_before(onset);
            let entered = own.is_some_and(|edge| onset.since(edge) <= RUN_THROUGH);
            let Some(&machine) = model.proof.frog(frog).machines.first() else { continue };
            if recent || entered {
                let position = self.machines[machine.at()].position().map(|(_, position)| position);
                let position = position.unwrap_or(MachinePosition::Unknown);
                let seen = Seen::WrongLeg { leg: leg.port.word(), position };
                let subject = Subject::Object(Object::Machine(machine));
                self.raise(AlarmKind::RunThrough, subject, Grade::Usual, at, seen);
            }
        }
    }

    /// Power is back, or the current of a told fault has gone: its alarms end.
    pub(super) fn end_causes(&mut self, district: DistrictIx, at: Mono) {
        for key in self.alarms.standing(district, &CAUSES) {
            self.lower(key.kind, key.subject, at);
        }
        for key in self.alarms.standing(district, &[AlarmKind::RunThrough]) {
            self.lower(key.kind, key.subject, at);
        }
        self.regrade_mismatches(district, at);
    }

    /// A frog that still is on the wrong conductor after a restore warns again, at its usual priority.
    fn regrade_mismatches(&mut self, district: DistrictIx, at: Mono) {
        for key in self.alarms.standing(district, &[AlarmKind::FrogMismatch]) {
            let Subject::Object(Object::Frog(frog)) = key.subject else { continue };
            if !self.frogs[frog.at()].is_mismatched() {
                self.lower(key.kind, key.subject, at);
            }
        }
    }

    /// A try or a waiting `on` is due.
    pub(super) fn handle_restore_due(&mut self, feed: usize, at: Mono) {
        if let Some(cause) = self.restores[feed].on_due(at) {
            let fault = self.powers[feed].why().and_then(|(_, fault)| fault);
            self.switch_on(feed, cause, fault, at);
            return;
        }
        let fault = self.powers[feed].why().and_then(|(_, fault)| fault);
        let worked_on = self.is_commissioned_by_another(self.model.feed(feed), "");
        if !worked_on && self.may_try(feed, fault) {
            let count = self.restores[feed].handle_try();
            let turn = self.take_turn(self.model.feed(feed), at);
            if turn <= at {
                self.switch_on(feed, Cause::Retry(count), fault, at);
            } else {
                self.restores[feed].wait(Cause::Retry(count), turn);
            }
        } else {
            self.lock_out(feed, fault, at);
        }
    }

    /// An automatic try: only with the cut proved, contacts cool, nobody's hold, and no frog as the first suspect.
    fn may_try(&self, feed: usize, fault: Option<FaultNumber>) -> bool {
        let Feed::District(district) = self.model.feed(feed) else { return false };
        let hot = self.hot_suspect(district, self.now);
        let frog_first = fault.is_some_and(|fault| {
            let open = self.recordings.iter().find(|it| it.number == fault);
            let first = match open {
                Some(recording) => self.first_suspect(recording),
                None => {
                    self.closed.iter().find(|it| it.0 == fault).and_then(|it| it.1.first().copied())
                }
            };
            matches!(first, Some(Accused::Object(Object::Frog(_))) | None)
        });
        let booster = self.model.layout.districts[district.at()].booster.at();
        let fed = !self.powers[booster].is_cut_by_order();
        let proved = fed && self.powers[feed].state() == PowerState::Cut;
        proved && !hot && !frog_first && self.restores[feed].holds().is_empty()
    }

    /// A contact of the district is still warm, and may be so from the fault that cut it. A cut that a person ordered
    /// of an undisturbed district has no suspect: what is warm there is warm from its load.
    pub(super) fn hot_suspect(&self, district: DistrictIx, at: Mono) -> bool {
        if self.is_off_by_hand(district) {
            return false;
        }
        let hot = |frog: &FrogIx| {
            let poles = &self.model.frogs[frog.at()].poles;
            poles.iter().any(|(pole, _)| self.contacts[pole.at()].image_at(at).theta > 0.1)
        };
        self.model.district_frogs[district.at()].iter().any(hot)
    }

    /// What keeps the district off was ordered by a person, not by a fault.
    fn is_off_by_hand(&self, district: DistrictIx) -> bool {
        let own = self.model.feed_at(Feed::District(district));
        let booster = self.model.layout.districts[district.at()].booster.at();
        let mut ordered =
            [own, booster].into_iter().filter_map(|feed| self.powers[feed].why()).peekable();
        ordered.peek().is_some()
            && ordered.all(|why| matches!(why, (Cause::Operator | Cause::Shutdown, None)))
    }

    /// Orders a feed on.
    pub(super) fn switch_on(
        &mut self,
        feed: usize,
        cause: Cause,
        fault: Option<FaultNumber>,
        at: Mono,
    ) {
        self.restores[feed].handle_switched_on(fault.is_some(), at);
        self.powers[feed].order_on(cause, fault, at);
        self.drain_power(feed);
        self.refresh_timer(Timer::Restore(feed));
    }
}

/// Fault current flowed, or flows.
pub(super) const fn is_fault_current(cause: Cause) -> bool {
    match cause {
        Cause::Short { .. }
        | Cause::HalfShort { .. }
        | Cause::LowVoltage { .. }
        | Cause::AtLimit { .. }
        | Cause::Contact { .. }
        | Cause::TrippedElsewhere { .. } => true,
        Cause::Overload { .. }
        | Cause::Mismatch { .. }
        | Cause::PowerGone { .. }
        | Cause::CutFailure { .. }
        | Cause::Stale
        | Cause::TestLimit { .. }
        | Cause::Operator
        | Cause::Shutdown
        | Cause::Retry(_)
        | Cause::Start => false,
    }
}

/// Never automatic after contact, mismatch, half-short or cut failure, nor after anything a person did.
const fn is_retryable(cause: Cause) -> bool {
    match cause {
        Cause::Short { .. }
        | Cause::AtLimit { .. }
        | Cause::Overload { .. }
        | Cause::TrippedElsewhere { .. } => true,
        Cause::HalfShort { .. }
        | Cause::LowVoltage { .. }
        | Cause::Contact { .. }
        | Cause::Mismatch { .. }
        | Cause::PowerGone { .. }
        | Cause::CutFailure { .. }
        | Cause::Stale
        | Cause::TestLimit { .. }
        | Cause::Operator
        | Cause::Shutdown
        | Cause::Retry(_)
        | Cause::Start => false,
    }
}
