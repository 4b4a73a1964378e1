//! The state at one instant, as plain data; and how a supervisor begins.

use std::sync::Arc;

use wiring::{
    channel::Object,
    index::{BlockIx, ChannelIx, DistrictIx, FrogIx, MachineIx, PoleIx},
    units::{Microamps, Millivolts, Mono},
};

use super::{Supervisor, contacts::thousandths, slots::Timer};
use crate::{
    alarm::{AlarmKind, AlarmState, Subject},
    cause::Cause,
    input::{Feed, Value},
    output::EventKind,
    snapshot::{
        AlarmView, BlockView, DistrictLoad, FeedView, FrogView, MachineView, Measured, NodeView,
        PoleView, Snapshot,
    },
    start::{Start, StartPower},
};

impl Supervisor {
    /// What is remembered comes back; everything measured is asked afresh.
    pub(super) fn begin(&mut self, start: Start, now: Mono) {
        let remembered = start.remembered;
        let model = Arc::clone(&self.model);
        self.alarms.remember(remembered.alarms, |key| model.district_of(key.subject), now);
        self.drain_alarms();
        for frog in remembered.proved_pairs {
            self.proved_pairs[frog.at()] = true;
        }
        for (frog, count) in remembered.culprits {
            self.culprits[frog.at()] = count;
        }
        for entry in remembered.ledger {
            self.contacts[entry.pole.at()].count(entry.hits, entry.energy);
        }
        self.emit_event(now, EventKind::Started, None);
        for it in remembered.locked_out {
            // What was cut is what is locked: the booster of a district that has no actuator.
            let own = self.model.feed_at(Feed::District(it.district));
            let feed = self.cut_target(it.district).unwrap_or(own);
            self.restores[feed].lock();
            if self.start_power == StartPower::Live && self.powers[feed].has_actuator() {
                let cause = it.cause.unwrap_or(Cause::Start);
                self.powers[feed].remember_cut(cause, it.fault, now);
                self.drain_power(feed);
                self.settle();
            }
        }
        for frog in 0..self.frogs.len() {
            self.expect(FrogIx::new(frog), now);
        }
        for block in 0..self.blocks.len() {
            self.read_block(BlockIx::new(block), now);
        }
        self.refresh_timer(Timer::Alarms);
        self.remember_commissioning(remembered.commissioning, now);
    }

    pub(super) fn view(&self) -> Snapshot {
        let layout = &self.model.layout;
        let boosters = layout.boosters.len();
        Snapshot {
            at: self.now,
            boosters: (0..boosters).map(|nth| self.feed_view(nth)).collect(),
            districts: (boosters..self.powers.len()).map(|nth| self.feed_view(nth)).collect(),
            blocks: (0..layout.blocks.len())
                .map(|nth| self.block_view(BlockIx::new(nth)))
                .collect(),
            machines: (0..layout.machines.len())
                .map(|nth| self.machine_view(MachineIx::new(nth)))
                .collect(),
            frogs: (0..layout.frogs.len()).map(|nth| self.frog_view(FrogIx::new(nth))).collect(),
            poles: (0..layout.poles.len()).map(|nth| self.pole_view(PoleIx::new(nth))).collect(),
            reversers: self.reversers.iter().map(|it| it.map(|(_, state)| state)).collect(),
            nodes: self
                .nodes
                .iter()
                .map(|(node, it)| NodeView {
                    node: *node,
                    name: it.name.clone(),
                    up: it.up,
                    heard: it.heard,
                })
                .collect(),
            alarms: self.alarm_views(),
            alarms_in_ten_minutes: self.alarms.in_ten_minutes(self.now),
            sessions: self.session_views(),
            proofs: self.proofs(),
        }
    }

    pub(super) fn loads(&self) -> impl Iterator<Item = DistrictLoad> {
        let boosters = self.model.layout.boosters.len();
        (boosters..self.powers.len()).map(|nth| DistrictLoad {
            current: self.measured(self.model.feed_channels[nth][0], as_current),
            cause: self.powers[nth].why().map(|(cause, _)| cause),
        })
    }

    fn feed_view(&self, nth: usize) -> FeedView {
        let feed = self.model.feed(nth);
        let [current, voltage] = self.model.feed_channels[nth];
        let power = &self.powers[nth];
        let restore = &self.restores[nth];
        FeedView {
            power: power.state(),
            current: self.measured(current, as_current),
            voltage: self.measured(voltage, as_voltage),
            locked_out: restore.is_locked() || self.is_locked_with_booster(feed),
            cause: power.why().map(|(cause, _)| cause),
            fault: power.why().and_then(|(_, fault)| fault),
            held_by: restore.holds().to_vec(),
            tries: restore.tries(),
            protected: self.store.fresh(current).is_some(),
            residual: power.residual(),
        }
    }

    /// A district without an actuator is locked out with the booster that was cut for it.
    fn is_locked_with_booster(&self, feed: Feed) -> bool {
        let Feed::District(district) = feed else { return false };
        let own = self.model.feed_at(feed);
        let booster = self.model.layout.districts[district.at()].booster.at();
        !self.powers[own].has_actuator() && self.restores[booster].is_locked()
    }

    fn block_view(&self, block: BlockIx) -> BlockView {
        BlockView {
            current: self.measured(self.model.block_current[block.at()], as_current),
            occupancy: self.blocks[block.at()].state(),
        }
    }

    fn machine_view(&self, machine: MachineIx) -> MachineView {
        let it = &self.machines[machine.at()];
        let channel = self.model.machine_position[machine.at()];
        MachineView {
            position: it.position().map(|(at, value)| Measured {
                value,
                at,
                stale: self.store.slot(channel).stale,
            }),
            asked: it.asked().map(|(_, asked)| asked),
            last_throw: it.last_throw(),
            throws: it.throws(),
        }
    }

    fn frog_view(&self, frog: FrogIx) -> FrogView {
        let it = &self.frogs[frog.at()];
        let channel = self.model.frog_polarity[frog.at()];
        let district: DistrictIx = self.model.frogs[frog.at()].district;
        FrogView {
            expected: it.expectation().shown,
            measured: it.measured().map(|(at, value)| Measured {
                value,
                at,
                stale: self.store.slot(channel).stale,
            }),
            powered: self.powers[self.model.feed_at(Feed::District(district))].is_on(),
            mismatched: it.is_mismatched(),
        }
    }

    fn pole_view(&self, pole: PoleIx) -> PoleView {
        let it = &self.contacts[pole.at()];
        PoleView {
            image: thousandths(it.image_at(self.now).theta),
            current: it.through().amps,
            estimated: it.through().estimated,
            hits: it.hits,
        }
    }

    /// First-out first, then by priority, newest first.
    fn alarm_views(&self) -> Vec<AlarmView> {
        let mut views: Vec<AlarmView> = self
            .alarms
            .iter()
            .map(|(key, it)| AlarmView {
                alarm: *key,
                state: it.state,
                priority: it.priority,
                raised: it.raised,
                cleared: it.cleared,
                first_out: it.first_out,
                by: it.by.clone(),
                under: it.under,
                shelved_until: it.shelved_until,
                for_session: it.for_session && it.state == AlarmState::Shelved,
                latched: it.latched,
                feed: feed_of(*key, it.district),
                text: Arc::clone(&it.text),
            })
            .collect();
        views.sort_by_key(|it| {
            let silent = matches!(it.state, AlarmState::Shelved | AlarmState::OutOfService);
            (silent, !it.first_out, it.priority, std::cmp::Reverse(it.raised), it.alarm)
        });
        views
    }

    fn measured<T>(
        &self,
        channel: ChannelIx,
        as_value: fn(Value) -> Option<T>,
    ) -> Option<Measured<T>> {
        let slot = self.store.slot(channel);
        let (at, value) = slot.last?;
        as_value(value).map(|value| Measured { value, at, stale: slot.stale })
    }
}

fn feed_of(key: crate::alarm::AlarmKey, district: Option<DistrictIx>) -> Option<Feed> {
    match (key.subject, key.kind) {
        (Subject::Object(Object::Booster(it)), _) => Some(Feed::Booster(it)),
        (_, AlarmKind::NodeOffline | AlarmKind::HistoryFailing | AlarmKind::ClockSkew) => None,
        (_, _) => district.map(Feed::District),
    }
}

fn as_current(value: Value) -> Option<Microamps> {
    match value {
        Value::Current(amps) => Some(amps),
        Value::Voltage(_)
        | Value::Position(_)
        | Value::Asked(_)
        | Value::Polarity(_)
        | Value::Occupied(_)
        | Value::Feedback(_)
        | Value::Reverser(_)
        | Value::Invalid(_) => None,
    }
}

fn as_voltage(value: Value) -> Option<Millivolts> {
    match value {
        Value::Voltage(volts) => Some(volts),
        Value::Current(_)
        | Value::Position(_)
        | Value::Asked(_)
        | Value::Polarity(_)
        | Value::Occupied(_)
        | Value::Feedback(_)
        | Value::Reverser(_)
        | Value::Invalid(_) => None,
    }
}
