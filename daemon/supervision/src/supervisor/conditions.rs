//! What the machines of the layout find, as states and alarms.

use wiring::{
    channel::{Object, Quantity},
    index::{BlockIx, BoosterIx, DistrictIx, FrogIx, MachineIx},
    layout::{Conductor, Position},
    polarity::{Required, Wired},
    units::{Microamps, Micros, Mono},
};

use super::{Supervisor, rest::Rest, slots::Timer};
use crate::{
    alarm::{AlarmKind, Subject, WrongSensor},
    alarms::Grade,
    frog::Expectation,
    input::{Feed, ReverserState, Value},
    model::object_of,
    occupancy::Readable,
    output::{Decision, ExpectedPolarity, Occupancy, PowerState, StateValue},
    residual,
    words::Seen,
};

/// A reverser's state must have stood for so long.
const REVERSER_STANDS: Micros = Micros::from_millis(300);

impl Supervisor {
    /// A machine's state may have changed: its alarms, and what its frogs must be on.
    pub(super) fn follow_machine(&mut self, machine: MachineIx, at: Mono) {
        let it = &self.machines[machine.at()];
        let subject = Subject::Object(Object::Machine(machine));
        let (slow, stuck, out) = (it.is_slow(), it.is_stuck(), it.is_out_of_step());
        let seen = Seen::Throw {
            asked: it.asked().map(|(_, asked)| asked),
            position: it.position().map_or(crate::input::MachinePosition::Unknown, |(_, it)| it),
            taking: it
                .taking_since()
                .map_or(it.last_throw().unwrap_or_default(), |since| at.since(since)),
            usual: self.model.layout.machines[machine.at()].throw_time,
        };
        self.hold(slow, AlarmKind::MachineSlow, subject, at, seen);
        self.hold(stuck, AlarmKind::MachineStuck, subject, at, seen);
        self.hold(out, AlarmKind::MachineOutOfStep, subject, at, seen);
        let model = std::sync::Arc::clone(&self.model);
        for &frog in &model.machine_frogs[machine.at()] {
            self.expect(frog, at);
        }
        self.refresh_timer(Timer::Machine(machine.at()));
    }

    /// Derives what a frog must be on from the positions of its machines.
    pub(super) fn expect(&mut self, frog: FrogIx, at: Mono) {
        let proof = self.model.proof.frog(frog);
        let mut index = 0;
        let mut known = true;
        for (bit, machine) in proof.machines.iter().enumerate() {
            match self.machines[machine.at()].settled() {
                Some(Position::Normal) => {}
                Some(Position::Reverse) => index |= 1 << bit,
                None => known = false,
            }
        }
        let row = known.then(|| proof.rows.get(index)).flatten().copied();
        let expectation = match row {
            None => Expectation { shown: ExpectedPolarity::Unknown, right: None, row: None },
            Some(row) => {
                let wired = match row.wired {
                    Wired::On(conductor) => Some(conductor),
                    Wired::None | Wired::Both => None,
                };
                Expectation {
                    shown: shown(row.wired),
                    right: match row.required {
                        Required::On(conductor) => Some(conductor),
                        Required::Any | Required::Conflict => wired,
                    },
                    row: Some(index),
                }
            }
        };
        let seen_by = row.and_then(|row| row.seen_by);
        self.move_frog(frog, seen_by);
        if self.frogs[frog.at()].handle_expectation(expectation, at) {
            let channel = self.model.channel(Object::Frog(frog), Quantity::Expected);
            let value = StateValue::Expected(expectation.shown);
            self.emit(at, Decision::State { channel, value });
        }
        let invalid = row.is_some_and(|row| !row.valid);
        let machines = proof_machines(&self.model, frog);
        if let Some(machine) = machines {
            let subject = Subject::Object(Object::Machine(machine));
            self.hold(invalid, AlarmKind::PositionsInvalid, subject, at, Seen::Kind);
        }
        self.judge_frog(frog, at);
    }

    /// A wheel on the frog draws through another detector from now on.
    fn move_frog(&mut self, frog: FrogIx, seen_by: Option<BlockIx>) {
        let before = std::mem::replace(&mut self.seen_by[frog.at()], seen_by);
        if before == seen_by {
            return;
        }
        if let Some(block) = before {
            self.seeing[block.at()].retain(|it| *it != frog);
        }
        if let Some(block) = seen_by {
            self.seeing[block.at()].push(frog);
        }
    }

    /// Power, voltage, a fault or a reverser may have changed: may the frogs of a district be judged?
    pub(super) fn judge_frogs(&mut self, district: DistrictIx, at: Mono) {
        let model = std::sync::Arc::clone(&self.model);
        for &frog in &model.district_frogs[district.at()] {
            self.judge_frog(frog, at);
        }
    }

    pub(super) fn judge_frog(&mut self, frog: FrogIx, at: Mono) {
        let it = &self.model.frogs[frog.at()];
        let feed = self.model.feed_at(Feed::District(it.district));
        let guard = &self.guards[it.district.at()];
        let powered = self.powers[feed].is_guarded()
            && self.powers[feed].state() != PowerState::Restoring
            && guard.has_voltage()
            && !guard.is_armed();
        let from = match it.reverser.map(|reverser| self.reversers[reverser.at()]) {
            None => Some(at),
            Some(Some((since, ReverserState::Straight | ReverserState::Swapped))) => {
                Some(at.max(since + REVERSER_STANDS))
            }
            Some(Some((_, ReverserState::Unknown)) | None) => None,
        };
        let judged = from.filter(|_| powered);
        if it.reverser.is_some() {
            // Not checked while the reverser is not known: said, where there is something to check.
            let unknown = from.is_none() && self.frogs[frog.at()].measured().is_some();
            let subject = Subject::Object(Object::Frog(frog));
            self.hold(unknown, AlarmKind::FrogNotMeasured, subject, at, Seen::Kind);
        }
        let it = &mut self.frogs[frog.at()];
        // A flip starts its time again.
        if judged.is_some_and(|from| at < from) {
            it.handle_judged(false, at);
        }
        it.handle_judged(judged.is_some(), judged.unwrap_or(at));
        self.show_frog(frog, at);
        self.refresh_timer(Timer::Frog(frog.at()));
    }

    /// A frog's findings as alarms, and a cut where a train is on a wrong one.
    pub(super) fn show_frog(&mut self, frog: FrogIx, at: Mono) {
        let district = self.model.frogs[frog.at()].district;
        let on = self.powers[self.model.feed_at(Feed::District(district))].is_on();
        let it = &self.frogs[frog.at()];
        let was = self.shown_frogs[frog.at()];
        let (wrong, stays) = (it.is_mismatched(), it.stays());
        // Dead means something only where power is known to be there; while it is off the alarm stays as it was.
        let dead = it.is_dead() && (on || was.dead);
        let it_measured = it.measured().is_some();
        let subject = Subject::Object(Object::Frog(frog));
        if wrong != was.wrong {
            let count = &mut self.mismatches[district.at()];
            *count = if wrong { *count + 1 } else { count.saturating_sub(1) };
            self.shown_frogs[frog.at()].wrong = wrong;
            if wrong && it_measured {
                self.judge_mismatch(district, at);
            }
            self.then(Rest::Wrong(frog, at));
        }
        if dead != was.dead {
            self.shown_frogs[frog.at()].dead = dead;
            self.hold(dead, AlarmKind::FrogDead, subject, at, Seen::Kind);
        }
        if stays.is_some() != was.stays {
            self.shown_frogs[frog.at()].stays = stays.is_some();
            let seen = Seen::Stays(stays.unwrap_or(Conductor::A));
            self.hold(stays.is_some(), AlarmKind::FrogNotSwitching, subject, at, seen);
        }
    }

    /// A block's occupancy as state and event.
    pub(super) fn show_block(&mut self, block: BlockIx, at: Mono) {
        self.refresh_timer(Timer::Block(block.at()));
        let now = self.blocks[block.at()].state();
        if self.shown_blocks[block.at()] == now {
            return;
        }
        self.shown_blocks[block.at()] = now;
        self.follow_trains(block, now, at);
        let district = self.model.layout.district_of_block(block);
        if now == Occupancy::Occupied && self.mismatches[district.at()] > 0 {
            self.judge_mismatch(district, at);
        }
        self.then(Rest::Occupancy(block, now, at));
    }

    /// A held block keeps its train: it is not read.
    fn follow_trains(&mut self, block: BlockIx, now: Occupancy, at: Mono) {
        match now {
            Occupancy::Occupied => {
                let since = self.blocks[block.at()].edge_before(at).unwrap_or(at);
                let beside = &self.model.neighbours[block.at()];
                self.trains.handle_occupied(block, since, beside);
            }
            Occupancy::Clear => self.trains.handle_clear(block, at),
            Occupancy::Unknown | Occupancy::Held { .. } => {}
        }
    }

    /// Held although the district is on: the detector is silent.
    pub(super) fn show_held(&mut self, block: BlockIx, at: Mono) {
        let district = self.model.layout.district_of_block(block);
        let on = self.powers[self.model.feed_at(Feed::District(district))].is_on();
        // A silent node, or a district without any current, has an alarm of its own: one cause, one alarm.
        let blind = self.store.slot(self.model.district_current[district.at()]).stale;
        let node = self.store.slot(self.model.block_current[block.at()]).node;
        let offline = node.and_then(|node| self.nodes.get(&node)).is_some_and(|node| !node.up);
        let alone = !blind && !offline;
        let held = on && alone && self.blocks[block.at()].state().is_held();
        let subject = Subject::Object(Object::Block(block));
        self.hold(held, AlarmKind::BlockHeld, subject, at, Seen::Kind);
    }

    /// Whether a block can be read.
    pub(super) fn read_block(&mut self, block: BlockIx, at: Mono) {
        let district = self.model.layout.district_of_block(block);
        let feed = self.model.feed_at(Feed::District(district));
        let stale = self.store.slot(self.model.block_current[block.at()]).stale;
        let readable = match self.powers[feed].state() {
            PowerState::On if !stale => Readable::Yes,
            PowerState::Unknown if !stale => Readable::Unknown,
            PowerState::On
            | PowerState::Unknown
            | PowerState::Cutting
            | PowerState::Cut
            | PowerState::CutFailed
            | PowerState::Restoring => Readable::No,
        };
        self.blocks[block.at()].handle_readable(readable);
        // What the detector says at this moment counts from now on.
        if readable != Readable::No
            && let Some(Value::Current(amps)) =
                self.store.fresh(self.model.block_current[block.at()])
        {
            self.blocks[block.at()].handle_current(amps, at);
        }
        self.show_block(block, at);
        self.show_held(block, at);
    }

    /// Voltage and load of a district as alarms.
    pub(super) fn show_guard(&mut self, district: DistrictIx, at: Mono) {
        let guard = &self.guards[district.at()];
        let (low, near) = (guard.is_voltage_low(), guard.is_near_overload());
        let shown = guard.shown();
        if (low, near) != shown {
            let volts = guard.volts().map_or_else(Default::default, |(_, volts)| volts);
            let limit = guard.settings().low_voltage;
            let warning = guard.settings().overload_warning;
            let amps = guard.last().map_or(Microamps::ZERO, |last| last.amps);
            self.guards[district.at()].handle_shown(low, near);
            let subject = Subject::Object(Object::District(district));
            let seen = Seen::Voltage { seen: volts, limit };
            if low != shown.0 {
                self.hold(low, AlarmKind::VoltageLow, subject, at, seen);
            }
            if near != shown.1 {
                let percent = (amps.0 * 90 / warning.0.max(1)).max(0) as u32;
                let seen = Seen::Near { percent, estimated: false };
                if near {
                    self.raise(AlarmKind::Overload, subject, Grade::Other, at, seen);
                } else {
                    self.lower(AlarmKind::Overload, subject, at);
                }
            }
        }
        self.refresh_timer(Timer::Guard(district.at()));
    }

    /// A booster against its districts.
    pub(super) fn sum_of_booster(&mut self, booster: BoosterIx, at: Mono) {
        let whole = self.model.booster_current[booster.at()];
        self.sum_of(booster.at(), whole, at);
    }

    /// A district against its blocks.
    pub(super) fn sum_of_district(&mut self, district: DistrictIx, at: Mono) {
        let whole = self.model.district_current[district.at()];
        self.sum_of(self.model.feed_at(Feed::District(district)), whole, at);
    }

    fn sum_of(&mut self, feed: usize, whole: wiring::index::ChannelIx, at: Mono) {
        let sides = match (self.store.fresh(whole), self.store.sum(feed)) {
            (Some(Value::Current(whole)), Some(parts)) => Some((whole, parts)),
            (_, _) => None,
        };
        self.residuals[feed].handle(sides, at);
        // A fault steps in one sensor before it does in the other.
        if self.residuals[feed].is_apart() && !self.is_quiet(feed) {
            self.residuals[feed].handle(None, at);
        }
        self.show_residual(feed, at);
    }

    /// No fault is under watch in what a feed feeds.
    fn is_quiet(&self, feed: usize) -> bool {
        match self.model.feed(feed) {
            Feed::District(district) => !self.guards[district.at()].is_armed(),
            Feed::Booster(booster) => self.model.booster_districts[booster.at()]
                .iter()
                .all(|it| !self.guards[it.at()].is_armed()),
        }
    }

    /// Whose sensor makes a sum wrong.
    fn wrong_in(&self, feed: usize) -> WrongSensor {
        let model = &self.model;
        match model.feed(feed) {
            Feed::District(district) => {
                let booster = model.layout.districts[district.at()].booster;
                let readings = model.district_blocks[district.at()].iter().filter_map(|block| {
                    match self.store.fresh(model.block_current[block.at()]) {
                        Some(Value::Current(amps)) => Some((*block, amps)),
                        _ => None,
                    }
                });
                let (own, above) = (&self.residuals[feed], &self.residuals[booster.at()]);
                residual::of_district(own, above, readings)
            }
            Feed::Booster(booster) => {
                let districts = model.booster_districts[booster.at()]
                    .iter()
                    .map(|it| (*it, &self.residuals[model.feed_at(Feed::District(*it))]));
                residual::of_booster(&self.residuals[feed], districts)
            }
        }
    }

    pub(super) fn show_residual(&mut self, feed: usize, at: Mono) {
        self.refresh_timer(Timer::Residual(feed));
        let stands = self.residuals[feed].stands();
        let wrong = if stands { self.wrong_in(feed) } else { WrongSensor::Unknown };
        // One wrong sensor, one alarm: that of the district whose sensor it is.
        let explained = matches!(wrong, WrongSensor::District(_));
        if let Some(shows) = self.residuals[feed].poll_shown(explained) {
            let subject = Subject::Object(object_of(self.model.feed(feed)));
            let (whole, parts) = self.residuals[feed].seen;
            let seen = Seen::Sum { whole, parts, wrong };
            self.hold(shows, AlarmKind::CurrentUnaccounted, subject, at, seen);
        }
    }
}

const fn shown(wired: Wired) -> ExpectedPolarity {
    match wired {
        Wired::On(conductor) => ExpectedPolarity::On(conductor),
        Wired::None => ExpectedPolarity::None,
        Wired::Both => ExpectedPolarity::Unknown,
    }
}

/// The machine under which an invalid combination is told: the last of the frog's trackwork, for there are two.
fn proof_machines(model: &crate::model::Model, frog: FrogIx) -> Option<MachineIx> {
    let machines = &model.proof.frog(frog).machines;
    if machines.len() < 2 { None } else { machines.last().copied() }
}
