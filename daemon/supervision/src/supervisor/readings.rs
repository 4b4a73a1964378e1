//! One reading: judged, protected by, and shown.

use wiring::{
    index::{BlockIx, BoosterIx, ChannelIx, DistrictIx, FrogIx, MachineIx, ReverserIx},
    units::{Microamps, Micros, Millivolts, Mono},
};

use super::{Supervisor, rest::Rest, slots::Timer};
use crate::{
    alarm::{AlarmKey, AlarmKind, Subject},
    alarms::{Condition, Grade},
    input::{Feed, MachinePosition, MeasuredPolarity, Reading, ReverserState, Value},
    model::Route,
    output::EventKind,
    power::Proving,
    protect::{Sample, Verdict},
    store::Taken,
    words::{self, Seen},
};

/// A district that has never sent its current is supervised by what its booster shows beyond the others, after this.
const NEVER_SEEN: Micros = Micros::from_millis(1000);
/// Current from here on shows that power is there.
const FLOWS: Microamps = Microamps(5000);
/// Reverser flips kept as evidence.
const FLIPS: usize = 32;

impl Supervisor {
    pub(super) fn handle_reading(&mut self, reading: &Reading, now: Mono) {
        let channel = reading.channel;
        if self.model.routes.len() <= channel.at() {
            return;
        }
        let route = self.model.routes[channel.at()];
        match self.store.take(reading, now) {
            Taken::Good { value, proves, back } => {
                self.route(route, value, Proving { at: now, proves });
                self.hear(channel, reading.value, now, back);
                return;
            }
            Taken::OverRange { first, repeated } => {
                self.handle_over_range(route, first, repeated, now);
            }
            Taken::Pending => {}
            Taken::Bad(what) => self.handle_bad(channel, what, now),
        }
        self.hear(channel, reading.value, now, false);
    }

    fn hear(&mut self, channel: ChannelIx, value: Value, now: Mono, back: bool) {
        if self.waits() {
            self.rest.push_back(Rest::Heard(channel, value, now, back));
        } else {
            self.follow_reading(channel, value, now, back);
        }
    }

    /// After a reading was acted upon: the end of a silence, open records, its own silence.
    pub(super) fn follow_reading(
        &mut self,
        channel: ChannelIx,
        value: Value,
        now: Mono,
        back: bool,
    ) {
        if back {
            self.handle_back(channel, now);
        }
        for recording in &mut self.recordings {
            recording.handle_sample(channel, now, value);
        }
        self.show_sessions(self.model.routes[channel.at()], Some(value), now);
        let slot = self.slots.slot(Timer::Channel(channel.at()));
        // Lazily: a deadline that is set and not too late is looked at when it comes. The first word of a channel was
        // given more time than its silences are.
        let due = self.store.slot(channel).poll_deadline();
        if due.is_some_and(|due| self.deadlines.is_after(slot, due)) {
            self.deadlines.set(slot, due);
        }
    }

    fn route(&mut self, route: Route, value: Value, at: Proving) {
        match (route, value) {
            (Route::Current(Feed::District(it)), Value::Current(amps)) => {
                self.handle_district_current(it, amps, at);
            }
            (Route::Current(Feed::Booster(it)), Value::Current(amps)) => {
                self.handle_booster_current(it, amps, at);
            }
            (Route::Voltage(feed), Value::Voltage(volts)) => self.handle_volts(feed, volts, at),
            (Route::Feedback(feed), Value::Feedback(on)) => {
                self.handle_feedback(feed, on, at);
            }
            (Route::BlockCurrent(it), Value::Current(amps)) => {
                self.handle_block_current(it, amps, at);
            }
            (Route::BlockOccupied(it), Value::Occupied(occupied)) => {
                self.blocks[it.at()].handle_detector(occupied, at.at);
                self.show_block(it, at.at);
            }
            (Route::Position(it), Value::Position(position)) => {
                self.handle_position(it, position, at.at);
            }
            (Route::Asked(it), Value::Asked(position)) => {
                self.machines[it.at()].handle_asked(position, at.at);
                self.follow_machine(it, at.at);
            }
            (Route::Polarity(it), Value::Polarity(polarity)) => {
                self.handle_polarity(it, polarity, at.at);
            }
            (Route::FrogCurrent(it), Value::Current(amps)) => {
                self.handle_frog_current(it, amps, at.at);
            }
            (Route::Reverser(it), Value::Reverser(state)) => {
                self.handle_reverser(it, state, at.at);
            }
            // A peak is evidence: the recorder and the locator read it. Other pairs do not exist.
            (_, _) => {}
        }
    }

    fn handle_district_current(&mut self, district: DistrictIx, amps: Microamps, at: Proving) {
        let feed = self.model.feed_at(Feed::District(district));
        // Whichever may order a cut comes first: the elements while it is on, the proof while it is being cut.
        let guarded = self.powers[feed].is_guarded();
        if guarded {
            self.guard_sample(district, amps, at.at);
        }
        if self.waits() {
            self.rest.push_back(Rest::District(district, amps, at, guarded));
        } else {
            self.follow_district_current(district, amps, at, guarded);
        }
    }

    /// After the elements: proof, sums, what is shown.
    pub(super) fn follow_district_current(
        &mut self,
        district: DistrictIx,
        amps: Microamps,
        at: Proving,
        judged: bool,
    ) {
        let feed = self.model.feed_at(Feed::District(district));
        self.powers[feed].handle_current(amps, at);
        self.drain_power(feed);
        self.guards[district.at()].handle_residual(self.powers[feed].residual());
        if !judged {
            self.guard_sample(district, amps, at.at);
        }
        self.prove_booster_by_districts(district, at);
        self.sum_of_booster(self.model.layout.districts[district.at()].booster, at.at);
        self.sum_of_district(district, at.at);
        self.show_guard(district, at.at);
    }

    /// The elements of a district judge one sample of its current. A cut goes out before anything else.
    pub(super) fn guard_sample(&mut self, district: DistrictIx, amps: Microamps, at: Mono) {
        match self.judge_sample(district, amps, at) {
            Some(verdict) => self.act_on(district, verdict, amps, at),
            None => self.carry_fault(district, amps, at),
        }
    }

    /// What the elements say; none while the district is not guarded.
    fn judge_sample(&mut self, district: DistrictIx, amps: Microamps, at: Mono) -> Option<Verdict> {
        let d = district.at();
        let sample = Sample { at, amps };
        let feed = self.model.feed_at(Feed::District(district));
        if !self.powers[feed].is_guarded() || self.falls_with_booster(district) {
            self.guards[d].handle_idle_current(sample);
            return None;
        }
        let says_off = self.powers[feed].says_off();
        let Self { guards, model, frogs, blocks, contacts, proved_pairs, powers, .. } = self;
        let withstand = || {
            super::contacts::withstand(model, frogs, blocks, contacts, proved_pairs, district, at)
        };
        let feeds_another = || super::contacts::may_feed_another(model, blocks, powers, district);
        Some(guards[d].handle_current(sample, says_off, &withstand, &feeds_another))
    }

    fn act_on(&mut self, district: DistrictIx, verdict: Verdict, amps: Microamps, at: Mono) {
        if verdict.trip.is_none() && self.mismatches[district.at()] > 0 {
            self.judge_mismatch(district, at);
            if !self.powers[self.model.feed_at(Feed::District(district))].is_guarded() {
                return;
            }
        }
        self.heed(district, verdict, amps, at);
    }

    /// Two readings over the top of the range: the first counts from when it came, and is acted upon with the second.
    fn guard_over_range(&mut self, district: DistrictIx, amps: Microamps, first: Mono, at: Mono) {
        match self.judge_sample(district, amps, first) {
            Some(before) if before.trip.is_some() => self.act_on(district, before, amps, at),
            Some(before) => {
                let Some(verdict) = self.judge_sample(district, amps, at) else { return };
                let picked_up = verdict.picked_up.or(before.picked_up);
                self.act_on(district, Verdict { picked_up, ..verdict }, amps, at);
            }
            None => self.guard_sample(district, amps, at),
        }
    }

    /// It has no actuator of its own and its booster is being cut: nothing more can be done for it.
    fn falls_with_booster(&self, district: DistrictIx) -> bool {
        let own = self.model.feed_at(Feed::District(district));
        let booster = self.model.layout.districts[district.at()].booster.at();
        !self.powers[own].has_actuator() && self.powers[booster].is_cut_by_order()
    }

    pub(super) fn handle_booster_current(
        &mut self,
        booster: BoosterIx,
        amps: Microamps,
        at: Proving,
    ) {
        self.guard_blind(booster, amps, at.at);
        self.then(Rest::Booster(booster, amps, at));
    }

    /// After the elements: proof and sum.
    pub(super) fn follow_booster_current(
        &mut self,
        booster: BoosterIx,
        amps: Microamps,
        at: Proving,
    ) {
        self.powers[booster.at()].handle_current(amps, at);
        self.drain_power(booster.at());
        self.sum_of_booster(booster, at.at);
    }

    /// Districts that send no current are guarded by what the booster delivers beyond all others: one by its own
    /// elements, several together.
    fn guard_blind(&mut self, booster: BoosterIx, amps: Microamps, at: Mono) {
        if self.store.sum(booster.at()).is_some() {
            return;
        }
        let mut blind = None;
        let mut several = false;
        let mut others = Microamps::ZERO;
        for &district in &self.model.booster_districts[booster.at()] {
            let slot = self.store.slot(self.model.district_current[district.at()]);
            match slot.fresh() {
                Some(Value::Current(amps)) => others = others + amps,
                _ if slot.last.is_none() && at.since(self.started) < NEVER_SEEN => return,
                _ => {
                    several |= blind.is_some();
                    blind = blind.or(Some(district));
                }
            }
        }
        let rest = (amps - others).max(Microamps::ZERO);
        match blind {
            None => {}
            Some(district) if several => self.guard_together(booster, district, rest, at),
            Some(district) => {
                if FLOWS <= rest {
                    self.see_power(district, at);
                }
                self.guard_sample(district, rest, at);
            }
        }
    }

    /// Several districts without current: the fault is in one of them, and only the booster surely contains it.
    fn guard_together(&mut self, booster: BoosterIx, first: DistrictIx, amps: Microamps, at: Mono) {
        let b = booster.at();
        let sample = Sample { at, amps };
        let guarded = self.powers[b].is_guarded();
        let verdict = {
            let Self {
                booster_guards, model, frogs, blocks, contacts, proved_pairs, store, ..
            } = self;
            let Some(guard) = &mut booster_guards[b] else { return };
            if !guarded {
                guard.handle_idle_current(sample);
                return;
            }
            let withstand = || {
                let blind =
                    |it: &&DistrictIx| store.fresh(model.district_current[it.at()]).is_none();
                let fed = model.booster_districts[b].iter().filter(blind);
                fed.filter_map(|it| {
                    super::contacts::withstand(
                        model,
                        frogs,
                        blocks,
                        contacts,
                        proved_pairs,
                        *it,
                        at,
                    )
                })
                .min()
            };
            guard.handle_current(sample, false, &withstand, &|| false)
        };
        if let Some(trip) = verdict.trip {
            let feed = self.powers[b].has_actuator().then_some(b);
            self.trip_at(first, trip, feed, at);
            if let Some(guard) = &mut self.booster_guards[b] {
                guard.handle_power_gone(Some(trip.base), at);
            }
        }
    }

    /// A booster without a sensor of its own is proved off by all its districts.
    fn prove_booster_by_districts(&mut self, district: DistrictIx, at: Proving) {
        let booster = self.model.layout.districts[district.at()].booster;
        let own = self.model.booster_current[booster.at()];
        if self.store.slot(own).last.is_some() || !self.powers[booster.at()].is_cut_by_order() {
            return;
        }
        let mut most = Microamps::ZERO;
        for &it in &self.model.booster_districts[booster.at()] {
            let slot = self.store.slot(self.model.district_current[it.at()]);
            match slot.fresh() {
                Some(Value::Current(amps)) => most = most.max(amps),
                // One that has fallen silent may hide what still flows. One without a sensor never told.
                _ if slot.last.is_some() => return,
                _ => {}
            }
        }
        self.powers[booster.at()].handle_current(most, at);
        self.drain_power(booster.at());
    }

    fn handle_volts(&mut self, feed: Feed, volts: Millivolts, at: Proving) {
        let nth = self.model.feed_at(feed);
        self.powers[nth].handle_voltage(volts, at);
        self.drain_power(nth);
        if let Feed::District(district) = feed {
            let before = self.guards[district.at()].has_voltage();
            self.guards[district.at()].handle_voltage(volts, at.at);
            if self.guards[district.at()].has_voltage() != before {
                self.judge_frogs(district, at.at);
            }
            self.show_guard(district, at.at);
        }
    }

    fn handle_feedback(&mut self, feed: Feed, on: bool, at: Proving) {
        let nth = self.model.feed_at(feed);
        if let Feed::District(district) = feed
            && !on
            && self.powers[nth].is_guarded()
            && let Some(trip) = self.guards[district.at()].opened(at.at)
        {
            self.trip(district, trip, at.at);
        }
        // That it is off is good news: from before the order, it would help to prove the cut.
        if on || at.proves {
            self.then(Rest::Feedback(feed, on, at.at));
        }
    }

    /// After the elements: state and proof.
    pub(super) fn follow_feedback(&mut self, feed: Feed, on: bool, at: Mono) {
        let nth = self.model.feed_at(feed);
        self.powers[nth].handle_feedback(on, at);
        self.drain_power(nth);
        self.switch_on_at_start(feed, on, at);
    }

    fn handle_block_current(&mut self, block: BlockIx, amps: Microamps, at: Proving) {
        // That nothing flows is good news: a late reading proves no block clear.
        if !at.proves && amps < FLOWS {
            return;
        }
        let at = at.at;
        self.carry_load(block, amps, at);
        if self.waits() {
            self.rest.push_back(Rest::Block(block, amps, at));
        } else {
            self.follow_block_current(block, amps, at);
        }
    }

    /// After the contacts: occupancy and sums.
    pub(super) fn follow_block_current(&mut self, block: BlockIx, amps: Microamps, at: Mono) {
        self.blocks[block.at()].handle_current(amps, at);
        let district = self.model.layout.district_of_block(block);
        if FLOWS <= amps {
            self.see_power(district, at);
        }
        self.show_block(block, at);
        self.sum_of_district(district, at);
    }

    /// Current in a part shows that the whole has power.
    pub(super) fn see_power(&mut self, district: DistrictIx, at: Mono) {
        let feed = self.model.feed_at(Feed::District(district));
        let booster = self.model.layout.districts[district.at()].booster;
        if self.powers[feed].is_on() && self.powers[booster.at()].is_on() {
            return;
        }
        self.powers[booster.at()].handle_seen(at);
        self.drain_power(booster.at());
        self.powers[feed].handle_seen(at);
        self.drain_power(feed);
    }

    fn handle_position(&mut self, machine: MachineIx, position: MachinePosition, at: Mono) {
        if self.machines[machine.at()].handle_position(position, at) {
            self.mark_thrown(machine);
            self.emit_event(at, EventKind::PositionChanged(machine, position), None);
            self.follow_machine(machine, at);
        }
    }

    fn handle_polarity(&mut self, frog: FrogIx, polarity: MeasuredPolarity, at: Mono) {
        let channel = self.model.frog_polarity[frog.at()];
        let polled = self.store.slot(channel).period.is_some();
        if self.frogs[frog.at()].handle_polarity(polarity, polled, at) {
            self.emit_event(at, EventKind::PolarityChanged(frog, polarity), None);
        }
        self.judge_frog(frog, at);
    }

    fn handle_reverser(&mut self, reverser: ReverserIx, state: ReverserState, at: Mono) {
        let before = self.reversers[reverser.at()];
        if before.is_some_and(|(_, before)| before == state) {
            return;
        }
        self.reversers[reverser.at()] = Some((at, state));
        if before.is_some() {
            if self.flips.len() >= FLIPS {
                self.flips.pop_front();
            }
            self.flips.push_back((at, reverser));
        }
        self.emit_event(at, EventKind::ReverserChanged(reverser, state), None);
        let block = self.model.layout.reversers[reverser.at()].block;
        self.judge_frogs(self.model.layout.district_of_block(block), at);
    }

    /// Two readings in a row over the top of the range: at least full scale, since the first of them.
    fn handle_over_range(&mut self, route: Route, first: Mono, repeated: bool, at: Mono) {
        match route {
            Route::Current(Feed::District(district)) => {
                let limit = self.guards[district.at()].settings().limit;
                if repeated {
                    self.guard_sample(district, limit, at);
                } else {
                    self.guard_over_range(district, limit, first, at);
                }
                let feed = self.model.feed_at(Feed::District(district));
                self.then(Rest::Over(feed, limit, at));
            }
            Route::FrogCurrent(frog) => {
                let district = self.model.frogs[frog.at()].district;
                let limit = self.guards[district.at()].settings().limit;
                self.handle_frog_current(frog, limit, at);
            }
            Route::Current(Feed::Booster(booster)) => {
                let limit = self.model.layout.boosters[booster.at()].limit;
                self.then(Rest::Over(booster.at(), limit, at));
            }
            Route::BlockCurrent(_)
            | Route::Voltage(_)
            | Route::Feedback(_)
            | Route::BlockOccupied(_)
            | Route::BlockPeak(_)
            | Route::Position(_)
            | Route::Asked(_)
            | Route::Polarity(_)
            | Route::Reverser(_)
            | Route::Output => {}
        }
    }

    /// A bad reading never acts: it is named. Those of one node are one alarm: what makes them is its line or its supply.
    fn handle_bad(&mut self, channel: ChannelIx, what: &'static str, at: Mono) {
        let object = self.model.channels.channel(channel).object;
        let subject = Subject::Object(object);
        let key = AlarmKey { kind: AlarmKind::ReadingBad, subject };
        let district = self.model.district_of(subject);
        let standing = self.alarms.state(key) != crate::alarm::AlarmState::Normal;
        let model = std::sync::Arc::clone(&self.model);
        let name = model.channels.name(channel);
        let node = self.store.slot(channel).node;
        self.alarms.pulse(Condition { key, district, grade: Grade::Usual }, node, at, |count| {
            let seen = match count {
                0 | 1 => format!("{name} {what}"),
                _ => format!("{name} {what}, {count} bad readings so far"),
            };
            words::alarm_text(&model.layout, key, Seen::Bad(&seen), None)
        });
        self.drain_alarms();
        if !standing {
            let kind = EventKind::ReadingBad { source: name.to_owned(), what: what.to_owned() };
            self.emit_event(at, kind, None);
        }
    }
}
