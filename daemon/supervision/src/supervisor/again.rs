//! A booster that shuts itself down at its limit, tries again and shuts down again.
//!
//! A short between two of its districts may step neither far enough to arm `short`, and a booster that gives up after 150
//! ms is gone before `at limit` has counted. Left alone it tries for ever, and each try is a hit on whatever contact is in
//! the way. Where no voltage is read the whole current of a try counts as a step, and `short` cuts.
//!
//! The figures below are common practice, without a source.

use wiring::{
    channel::{Object, Quantity},
    index::{BoosterIx, ChannelIx, DistrictIx},
    layout::Booster,
    units::{Microamps, Micros, Millivolts, Mono},
};

use super::{Supervisor, power::JUST_BEFORE};
use crate::{cause::Cause, input::Value, protect::Trip};

/// Less is the end of the current that shut it down.
const FALLEN: Microamps = Microamps(200_000);
/// It stood at its limit for so long at least, by two samples or more.
const STOOD: Micros = Micros::from_millis(20);
/// At its limit: this part of it. Unit: percent.
const AT_LIMIT: i64 = 95;
/// Voltage below this part of its own is a short's, not that of engines that charge. Unit: percent.
const COLLAPSED: i64 = 25;
/// A voltage reading as old tells of the same current.
const VOLTS_WITHIN: Micros = Micros::from_millis(150);
/// It tries again within this.
const AGAIN_WITHIN: Micros = Micros::from_millis(30_000);
/// A district that drew this part of the limit may hold the short. Unit: percent.
const SHARE: i64 = 25;

impl Supervisor {
    /// It has shut down without an order. Cuts the districts that may hold what it tries again and again.
    pub(super) fn judge_shutdown(&mut self, booster: BoosterIx, at: Mono) {
        let b = booster.at();
        let before = self.shut_down[b].take().filter(|then| at.since(*then) <= AGAIN_WITHIN);
        let &Booster { limit, volts, .. } = &self.model.layout.boosters[b];
        let Some((fell, amps)) = self.stood_at(booster, limit.percent(AT_LIMIT), at) else {
            return;
        };
        if self.volts_at(booster, fell).is_none_or(|it| volts.percent(COLLAPSED) <= it) {
            return;
        }
        self.shut_down[b] = Some(at);
        if before.is_none() {
            return;
        }
        let model = std::sync::Arc::clone(&self.model);
        for &district in &model.booster_districts[b] {
            if limit.percent(SHARE) <= self.drew_at(district, fell) {
                let pickup = self.guards[district.at()].settings().residual;
                let cause = Cause::TrippedElsewhere { seen: amps };
                let trip = Trip { cause, onset: fell, pickup, base: Microamps::ZERO };
                self.trip(district, trip, at);
            }
        }
    }

    /// When its current was last whole before it fell, and how much, where it had stood above `least`.
    fn stood_at(
        &self,
        booster: BoosterIx,
        least: Microamps,
        at: Mono,
    ) -> Option<(Mono, Microamps)> {
        let kept = self.store.slot(self.model.booster_current[booster.at()]).samples();
        let amps = kept.newest_first().filter_map(|(when, value)| match value {
            Value::Current(amps) if at.since(when) <= JUST_BEFORE => Some((when, amps)),
            _ => None,
        });
        // The sample that it fell in holds a part of it.
        let mut whole = amps.skip_while(|(_, amps)| *amps < FALLEN).skip(1);
        let (fell, amps) = whole.next().filter(|(_, amps)| least <= *amps)?;
        let first = whole.take_while(|(_, amps)| least <= *amps).last()?.0;
        (STOOD <= fell.since(first)).then_some((fell, amps))
    }

    /// The lowest of what is read of its voltage and of that of its districts.
    fn volts_at(&self, booster: BoosterIx, when: Mono) -> Option<Millivolts> {
        let districts = self.model.booster_districts[booster.at()].iter();
        let objects = districts.map(|it| Object::District(*it)).chain([Object::Booster(booster)]);
        let volts = |object| {
            let channel = self.model.channel(object, Quantity::Voltage);
            match self.read_at(channel, when)? {
                (taken, Value::Voltage(volts)) if when.since(taken) <= VOLTS_WITHIN => Some(volts),
                _ => None,
            }
        };
        objects.filter_map(volts).min()
    }

    fn drew_at(&self, district: DistrictIx, when: Mono) -> Microamps {
        match self.read_at(self.model.district_current[district.at()], when) {
            Some((taken, Value::Current(amps))) if when.since(taken) <= VOLTS_WITHIN => amps,
            _ => Microamps::ZERO,
        }
    }

    fn read_at(&self, channel: ChannelIx, when: Mono) -> Option<(Mono, Value)> {
        self.store.slot(channel).samples().as_of(when)
    }
}
