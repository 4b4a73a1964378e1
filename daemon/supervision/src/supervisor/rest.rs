//! Orders first: a reading that cuts hands out its order at once, and the rest of the work on it follows when the order
//! has been taken.
//!
//! Whoever drains the outputs gets the order before the record, the evidence, alarms and states are made. What is left
//! is kept as data, in the order in which it would have been done, and is done as soon as no output is left, or before
//! anything else is looked at: outputs and their stamps are the same however the caller drains.

use wiring::{
    channel::{Object, Quantity},
    index::{BlockIx, BoosterIx, ChannelIx, DistrictIx, FrogIx},
    units::{Microamps, Mono},
};

use super::{Supervisor, slots::Timer, trips::Opened};
use crate::{
    alarm::{AlarmKind, Subject},
    alarms::Grade,
    cause::Cause,
    input::{Feed, Value},
    output::{Decision, EventKind, Occupancy, StateValue},
    power::{Proving, Told},
    record::FaultNumber,
    words::Seen,
};

/// What the supervisor is doing.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Stage {
    /// It decides, and does the rest at once.
    Free,
    /// An order waits to be taken: the rest waits behind it.
    Ordered,
    /// It does the rest.
    Resting,
}

/// The second half of something, from where an order may have left it.
#[derive(Debug)]
pub(super) enum Rest {
    /// A trip: record, lock-out, alarms.
    Trip(Box<Opened>),
    /// The fault part of a current, through contacts.
    Carry(DistrictIx, Microamps, Mono),
    /// Contacts that carried a fault are shown.
    Carried(DistrictIx, Microamps, Mono),
    /// Contacts that carry the load of a block are shown.
    Loaded(BlockIx, Mono),
    /// A frog's contacts are shown.
    Contacts(FrogIx, Mono),
    /// A district's current, after its elements. The flag: they judged it.
    District(DistrictIx, Microamps, Proving, bool),
    /// A booster's current, after the elements of blind districts.
    Booster(BoosterIx, Microamps, Proving),
    /// A block's current, after its contacts.
    Block(BlockIx, Microamps, Mono),
    /// A current over the top of its range, after the elements.
    Over(usize, Microamps, Mono),
    /// An actuator's own word, after the elements.
    Feedback(Feed, bool, Mono),
    /// A frog on the wrong conductor, after the cut it may call for.
    Wrong(FrogIx, Mono),
    /// A block's new occupancy, after the cut it may call for.
    Occupancy(BlockIx, Occupancy, Mono),
    /// What a feed's power told beside its order.
    Told(usize, Told, Mono),
    /// The feed above was ordered cut: it is followed, and both are locked out.
    Above(usize, usize, Mono),
    /// A reading, after it was routed. The flag: it ended a silence.
    Heard(ChannelIx, Value, Mono, bool),
}

impl Supervisor {
    /// Does it now, or after the order that waits.
    pub(super) fn then(&mut self, rest: Rest) {
        if self.waits() {
            self.rest.push_back(rest);
        } else {
            self.perform(rest);
        }
    }

    /// An order waits to be taken.
    pub(super) fn waits(&self) -> bool {
        self.stage == Stage::Ordered
    }

    /// An order has gone to the outputs.
    pub(super) fn note_order(&mut self) {
        if self.stage == Stage::Free {
            self.stage = Stage::Ordered;
        }
    }

    /// Does all that is left.
    pub(super) fn settle(&mut self) {
        if !self.waits() {
            return;
        }
        self.stage = Stage::Resting;
        let settled = self.outputs.len();
        while let Some(rest) = self.rest.pop_front() {
            self.perform(rest);
        }
        self.put_orders_first(settled);
        self.stage = Stage::Free;
    }

    fn perform(&mut self, rest: Rest) {
        match rest {
            Rest::Trip(opened) => self.follow_trip(&opened),
            Rest::Carry(district, amps, at) => self.carry_fault(district, amps, at),
            Rest::Carried(district, amps, at) => self.show_carried(district, amps, at),
            Rest::Loaded(block, at) => self.show_loaded(block, at),
            Rest::Contacts(frog, at) => self.show_contacts(frog, at),
            Rest::District(district, amps, at, judged) => {
                self.follow_district_current(district, amps, at, judged);
            }
            Rest::Booster(booster, amps, at) => self.follow_booster_current(booster, amps, at),
            Rest::Block(block, amps, at) => self.follow_block_current(block, amps, at),
            Rest::Over(feed, limit, at) => {
                self.powers[feed].handle_current(limit, Proving { at, proves: false });
                self.drain_power(feed);
            }
            Rest::Feedback(feed, on, at) => self.follow_feedback(feed, on, at),
            Rest::Wrong(frog, at) => self.tell_wrong(frog, at),
            Rest::Occupancy(block, now, at) => {
                let channel = self.model.channel(Object::Block(block), Quantity::Occupied);
                self.emit(at, Decision::State { channel, value: StateValue::Occupancy(now) });
                self.emit_event(at, EventKind::OccupancyChanged(block, now), None);
                self.show_held(block, at);
            }
            Rest::Told(feed, told, at) => self.heed_power(feed, told, at),
            Rest::Above(feed, booster, at) => self.follow_above(feed, booster, at),
            Rest::Heard(channel, value, at, back) => self.follow_reading(channel, value, at, back),
        }
    }

    /// The alarm of a frog on the wrong conductor, or its end.
    fn tell_wrong(&mut self, frog: FrogIx, at: Mono) {
        let it = &self.frogs[frog.at()];
        let expected = it.expectation().right.unwrap_or(wiring::layout::Conductor::A);
        let measured = it.measured().map(|(_, measured)| measured);
        let subject = Subject::Object(Object::Frog(frog));
        match measured {
            Some(measured) if it.is_mismatched() => {
                let seen = Seen::Frog { expected, measured };
                self.raise(AlarmKind::FrogMismatch, subject, Grade::Usual, at, seen);
            }
            Some(_) | None => self.lower(AlarmKind::FrogMismatch, subject, at),
        }
    }

    /// What follows from the feed above being ordered cut.
    fn follow_above(&mut self, feed: usize, booster: usize, at: Mono) {
        let fault = self.powers[feed].why().and_then(|(_, fault)| fault);
        self.drain_power(booster);
        if self.powers[booster].has_actuator() {
            self.lock_out(booster, fault, at);
        }
        self.lock_out(feed, fault, at);
        self.refresh_timer(Timer::Restore(feed));
        self.refresh_timer(Timer::Restore(booster));
    }

    /// A cut that did not cut takes the booster: its order goes out at once.
    pub(super) fn cut_above(
        &mut self,
        feed: usize,
        cause: Cause,
        fault: Option<FaultNumber>,
        at: Mono,
    ) {
        let Feed::District(district) = self.model.feed(feed) else { return };
        let booster = self.model.layout.districts[district.at()].booster.at();
        if self.powers[booster].has_actuator() && !self.powers[booster].is_cut_by_order() {
            let residual = self.guards[district.at()].settings().residual;
            self.powers[booster].order_cut(cause, fault, residual, at);
            self.hand_out_order(booster);
        }
        self.then(Rest::Above(feed, booster, at));
    }
}
