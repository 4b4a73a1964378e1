//! What the samples since the onset add to the facts of a fault: where current stepped, how it went, what others did.

use wiring::{
    channel::{Object, Quantity},
    index::{BlockIx, DistrictIx, FrogIx},
    units::{Microamps, Microohms, Micros, Mono},
};

use super::{Supervisor, facts::SAME, trips::is_fault_current};
use crate::{
    cause::Cause,
    input::Value,
    locate::{Evidence, Others, PowerBack, Shape, Step},
    protect::Trip,
    recorder::Recording,
};

/// Flips of a reverser around the onset.
const FLIPS_WITHIN: Micros = Micros::from_millis(1000);
/// Voltage tells of a limit this long after the current at most: two of its readings.
const TOLD_LATE: Micros = Micros::from_millis(200);
/// Less is load.
const LEAST_STEP: Microamps = Microamps(300_000);
/// Samples this near the highest show that it was reached. Unit: percent.
const SETTLED: i64 = 93;
/// Of the fault's current, on either side of a gap that a wheel joins: half of it each way. Unit: percent.
const EITHER_SIDE: i64 = 35;
/// … and on both sides together. Unit: percent.
const BOTH_SIDES: i64 = 75;
/// More than the whole is a current that went from the one to the other. Unit: percent.
const NO_MORE: i64 = 160;
/// A booster limits at this part of its limit, as sensors read it. Unit: percent.
const LIMITED: i64 = 90;
/// Blocks that together show less than this of the fault's current do not carry it. Unit: percent.
const BYPASSED: i64 = 20;
/// A reading of a block's current holds this time before it, one of its peak this.
const SAMPLE_HOLDS: Micros = Micros::from_millis(25);
const PEAK_HOLDS: Micros = Micros::from_millis(110);
/// A breaker takes at least this part of its delay. Unit: percent.
const BREAKER_IS_QUICK: u64 = 80;
/// A step elsewhere belongs to the fault within this.
const ALIKE_WITHIN: Micros = Micros::from_millis(100);
/// … and not after the cut, but for one sample.
const ONE_SAMPLE: Micros = Micros::from_millis(10);
/// A load of this part of the fault's current, this long before it, is no step. Unit: percent.
const CREPT: i64 = 70;
/// A load of this part of what opens a breaker opened it. Unit: percent.
const CREPT_OVER: i64 = 75;
const CREPT_BEFORE: Micros = Micros::from_millis(500);
/// What flows above the load before it is a fault's current from here on.
const LEAST_FAULT: Microamps = Microamps(1_000_000);
/// A fall of this part while the fault lasts is a decay. Unit: percent.
const DECAY: i64 = 70;

impl Supervisor {
    /// What holds voltage down is told by voltage, which is read slowly: the step of current lies before that. When it began,
    /// and the load before; none: it did not step, or the trip began with the step.
    pub(super) fn step_under(
        &self,
        district: DistrictIx,
        trip: &Trip,
    ) -> Option<(Mono, Microamps)> {
        if !matches!(trip.cause, Cause::AtLimit { .. }) {
            return None;
        }
        let kept = self.store.slot(self.model.district_current[district.at()]).samples();
        let mut late: Vec<(Mono, Microamps)> = Vec::new();
        for (at, value) in kept.newest_first().filter(|(at, _)| *at <= trip.onset) {
            if TOLD_LATE < trip.onset.since(at) {
                break;
            }
            if let Value::Current(amps) = value {
                late.push((at, amps));
            }
        }
        let high = late.first()?.1;
        let low = late.iter().map(|it| it.1).min()?;
        let half = low + (high - low).percent(50);
        let began = late.iter().take_while(|(_, amps)| half <= *amps).last()?.0;
        (LEAST_STEP <= high - low).then_some((began, low))
    }

    /// Flips of a reverser around the onset, also after it: a slow one flips too late.
    pub(super) fn flips_of(&self, reverser: wiring::index::ReverserIx, onset: Mono) -> u32 {
        let near = |flip: &&(Mono, wiring::index::ReverserIx)| {
            let apart = onset.since(flip.0).max(flip.0.since(onset));
            flip.1 == reverser && apart <= FLIPS_WITHIN
        };
        self.flips.iter().filter(near).count() as u32
    }

    /// Which blocks of its district stepped with a fault.
    fn block_steps(&self, recording: &Recording) -> Vec<(BlockIx, Option<bool>)> {
        let current = self.model.district_current[recording.district.at()];
        let fault = self.fault_size(recording, current);
        let blocks = self.model.district_blocks[recording.district.at()].iter();
        blocks.map(|&block| (block, self.stepped(recording, block, fault))).collect()
    }

    fn add_reversers(&self, evidence: &mut Evidence, recording: &Recording, fault: Microamps) {
        for facts in &mut evidence.reversers {
            let block = self.model.layout.reversers[facts.reverser.at()].block;
            facts.flips = self.flips_of(facts.reverser, recording.onset);
            facts.gap_stepped = self.gap_stepped(recording, block, fault);
        }
    }

    /// The block that a reverser swaps and one beside it both draw a part of the fault's current.
    fn gap_stepped(&self, recording: &Recording, block: BlockIx, fault: Microamps) -> bool {
        let part = |block: BlockIx| {
            let object = Object::Block(block);
            self.rise_of(recording, object).is_some_and(|rise| fault.percent(EITHER_SIDE) <= rise)
        };
        let near = self.model.neighbours.get(block.at()).map_or(&[][..], Vec::as_slice);
        part(block) && near.iter().any(|it| *it != block && part(*it))
    }

    /// Two neighbouring blocks that each drew a part of the fault's current, and nearly all of it together. A wheel on a
    /// gap between rails of one phase joins nothing, one between rails of different phase draws through both detectors.
    fn gap(&self, recording: &Recording, fault: Microamps) -> Option<(BlockIx, BlockIx)> {
        // Its readings up to the end alone: what engines draw as they charge after it is no part of the fault.
        let (end, _) = self.end_of(recording);
        let rise = |block: BlockIx| {
            let channel = self.model.channels.index(Object::Block(block), Quantity::Current)?;
            let during = recording.currents(channel).filter(|(at, _)| *at <= end);
            let rise = during.map(|(_, amps)| amps).max()? - before(recording, channel);
            (fault.percent(EITHER_SIDE) <= rise).then_some(rise)
        };
        let blocks = &self.model.district_blocks[recording.district.at()];
        blocks.iter().find_map(|&one| {
            let part = rise(one)?;
            let near = self.model.neighbours.get(one.at())?.iter();
            near.copied().filter(|other| one < *other).find_map(|other| {
                let sum = part + rise(other)?;
                let all = fault.percent(BOTH_SIDES)..=fault.percent(NO_MORE);
                all.contains(&sum).then_some((one, other))
            })
        })
    }

    /// The blocks of the district together did not draw what it drew.
    fn bypassed(&self, recording: &Recording, fault: Microamps) -> bool {
        let blocks = &self.model.district_blocks[recording.district.at()];
        let rises: Option<Vec<Microamps>> =
            blocks.iter().map(|it| self.rise_of(recording, Object::Block(*it))).collect();
        let Some(rises) = rises.filter(|it| !it.is_empty()) else { return false };
        let sum =
            rises.iter().fold(Microamps::ZERO, |sum, rise| sum + (*rise).max(Microamps::ZERO));
        sum < fault.percent(BYPASSED)
    }

    /// When the fault's current ended, and whether it did so by itself: before the actuator can have opened, and before
    /// the breaker was due.
    fn end_of(&self, recording: &Recording) -> (Mono, bool) {
        let it = &self.model.layout.districts[recording.district.at()];
        let current = self.model.district_current[recording.district.at()];
        let high = recording.pickup.min(recording.base + LEAST_FAULT);
        let low = |(at, amps): &(Mono, Microamps)| recording.onset < *at && *amps < high;
        let Some((end, _)) = recording.currents(current).find(low) else {
            return (recording.closes(), false);
        };
        let cut = recording.first_cut().map(|at| at + it.opens_in);
        let breaker = recording.onset + Micros(it.breaker.delay.0 * BREAKER_IS_QUICK / 100);
        (end, end < breaker && cut.is_none_or(|cut| end < cut))
    }

    /// Bursts of current in the samples before the onset, each over by itself.
    fn spikes(recording: &Recording, current: wiring::index::ChannelIx, fault: Microamps) -> u32 {
        let high = recording.base + fault.percent(50);
        let before =
            recording.samples(current).iter().filter(|(at, _)| *at + SAME < recording.onset);
        let mut spikes = 0;
        let mut above = false;
        for (_, value) in before {
            let Value::Current(amps) = value else { continue };
            spikes += u32::from(above && *amps < high);
            above = high <= *amps;
        }
        spikes
    }

    /// The facts with what the samples since the onset add: where current stepped, how it went, what others did.
    /// With the record of a district that the same fault took too, what its samples say is taken in.
    pub(super) fn evidence_of(&self, recording: &Recording, other: Option<&Recording>) -> Evidence {
        let mut evidence = recording.evidence.clone();
        let district = recording.district;
        let current = self.model.district_current[district.at()];
        let fault = self.fault_size(recording, current);
        evidence.shape = match evidence.power_back {
            Some(back) => shape_after_power(recording, current, back, self.trips_at(district)),
            None => shape(recording, current),
        };
        // Where power had just come back, a burst before is that of the breaker's earlier try.
        if evidence.power_back.is_none() && is_step(recording.cause) {
            evidence.spikes = Self::spikes(recording, current, fault);
        }
        evidence.ended_by_itself = is_step(recording.cause) && self.end_of(recording).1;
        evidence.gap = self
            .gap(recording, fault)
            .filter(|_| is_edge(recording.cause) && evidence.power_back.is_none());
        self.add_reversers(&mut evidence, recording, fault);
        evidence.opened_by_itself = matches!(recording.cause, Cause::PowerGone { .. });
        evidence.others = self.others(recording, fault);
        evidence.loop_measured = self.loop_measured(recording, current);
        let mut steps = self.block_steps(recording);
        if let Some(other) = other {
            self.take_in(&mut evidence, recording, other);
            steps.extend(self.block_steps(other));
        }
        let some = steps.iter().any(|(_, stepped)| *stepped == Some(true));
        evidence.bypassed = is_edge(recording.cause) && self.bypassed(recording, fault);
        self.keep_within_reach(&mut evidence);
        let sign = |block: Option<BlockIx>| {
            let stepped = block.and_then(|block| steps.iter().find(|it| it.0 == block)?.1);
            match stepped {
                Some(true) => Step::Here,
                Some(false) if some => Step::Elsewhere,
                Some(false) | None => Step::NotMeasured,
            }
        };
        for facts in &mut evidence.frogs {
            facts.own_current = self.own_current(recording, facts.frog, fault);
            let it = &self.model.frogs[facts.frog.at()];
            let mine =
                it.district == district || other.is_some_and(|of| of.district == it.district);
            // With its machine under way it is not known which side feeds it: then its own block.
            let seen_by = facts.seen_by.or(mine.then_some(it.block));
            facts.step = sign(seen_by);
            // Under way, its contact or a wheel may join any of its rails to any other.
            if facts.seen_by.is_none() && mine && facts.step != Step::Here {
                let legs = self.legs(facts.frog).map(|(_, block, _)| sign(Some(block)));
                facts.step =
                    legs.fold(facts.step, |step, leg| if leg == Step::Here { leg } else { step });
            }
            // What a sensor of another block shows in full did not flow here.
            if some && mine && facts.step == Step::NotMeasured && seen_by.is_some() {
                facts.step = Step::Elsewhere;
            }
            let leg = facts.wrong_leg.as_ref().map(|leg| leg.block);
            // The wheel at the gap of that leg joins its rail to the frog: current comes in by the one and goes out by
            // the other, and a detector watches one conductor only.
            let foreign = !mine && facts.step == Step::NotMeasured;
            if (facts.step == Step::Elsewhere || foreign) && sign(leg) == Step::Here {
                facts.step = Step::OnWrongLeg;
            }
        }
        for facts in &mut evidence.blocks {
            facts.step = sign(Some(facts.block));
        }
        evidence.same_train_elsewhere = self.same_train_elsewhere(&evidence);
        evidence
    }

    /// Current at which the district's breaker or its booster opens by itself.
    fn trips_at(&self, district: DistrictIx) -> Microamps {
        let it = &self.model.layout.districts[district.at()];
        let limit = self.model.layout.boosters[it.booster.at()].limit;
        it.breaker.trip.map_or(limit, |trip| trip.min(limit))
    }

    /// Frogs of another district take part only where that district stepped as well, or meets this one at the frog.
    fn keep_within_reach(&self, evidence: &mut Evidence) {
        let mine = evidence.district;
        let other = match evidence.others {
            Others::Stepped(other) | Others::Followed(other, _) => Some(other),
            Others::Quiet | Others::Fell => None,
        };
        evidence.frogs.retain_mut(|facts| {
            let frog = facts.frog;
            let own = self.model.frogs[frog.at()].district;
            let here = self.model.frog_meets(frog, mine);
            facts.at_boundary =
                here && other.is_some_and(|other| self.model.frog_meets(frog, other));
            // A train on a leg that lies here draws from here, by the leg's rail, into a frog of the district beside.
            let leg = facts
                .wrong_leg
                .is_some_and(|leg| self.model.layout.district_of_block(leg.block) == mine);
            // Fed from here past the detectors: whatever has a train against it.
            let fed = evidence.bypassed && (facts.wrong_leg.is_some() || facts.shares_leg);
            own == mine || facts.at_boundary || Some(own) == other || leg || fed
        });
    }

    /// What the sensor of a frog's own current says.
    fn own_current(&self, recording: &Recording, frog: FrogIx, fault: Microamps) -> Step {
        match self.object_stepped(recording, Object::Frog(frog), fault) {
            Some(true) => Step::Here,
            Some(false) => Step::Elsewhere,
            None => Step::NotMeasured,
        }
    }

    fn fault_size(&self, recording: &Recording, current: wiring::index::ChannelIx) -> Microamps {
        let peak = recording.currents(current).map(|(_, amps)| amps).max();
        (peak.unwrap_or(Microamps::ZERO) - recording.base).max(Microamps(500_000))
    }

    /// Whether a block's current or peak stepped with the fault; none: it is not measured there.
    fn stepped(&self, recording: &Recording, block: BlockIx, fault: Microamps) -> Option<bool> {
        self.object_stepped(recording, Object::Block(block), fault)
    }

    fn object_stepped(
        &self,
        recording: &Recording,
        object: Object,
        fault: Microamps,
    ) -> Option<bool> {
        self.rise_of(recording, object).map(|rise| fault.percent(50) <= rise)
    }

    /// By how much the current of a block or frog rose with the fault; none: it is not measured.
    fn rise_of(&self, recording: &Recording, object: Object) -> Option<Microamps> {
        let of = |quantity| self.model.channels.index(object, quantity);
        let current = of(Quantity::Current)?;
        let (end, by_itself) = self.end_of(recording);
        // A sample holds what went before it. Once the short has gone by itself engines charge, and a peak holds that too.
        let peak = of(Quantity::Peak).filter(|_| !by_itself).map(|channel| (channel, PEAK_HOLDS));
        let most = [Some((current, SAMPLE_HOLDS)), peak]
            .into_iter()
            .flatten()
            .flat_map(|(channel, holds)| {
                recording.currents(channel).filter(move |(at, _)| *at <= end + holds)
            })
            .map(|(_, amps)| amps)
            .max()?;
        Some(most - before(recording, current))
    }

    fn others(&self, recording: &Recording, fault: Microamps) -> Others {
        let mine = recording.district;
        let booster = self.model.layout.districts[mine.at()].booster;
        let mut fell = false;
        for nth in 0..self.model.layout.districts.len() {
            let other = DistrictIx::new(nth);
            if other == mine {
                continue;
            }
            if self.other_stepped(recording, other, fault) {
                return Others::Stepped(other);
            }
            let guard = &self.guards[nth];
            let same = self.model.layout.districts[nth].booster == booster;
            fell |= same
                && guard.volts().is_some_and(|(at, volts)| {
                    recording.onset <= at && volts < guard.settings().half_volts()
                });
        }
        if fell { Others::Fell } else { Others::Quiet }
    }

    fn other_stepped(&self, recording: &Recording, other: DistrictIx, fault: Microamps) -> bool {
        let channel = self.model.district_current[other.at()];
        let kept = self.store.slot(channel).samples();
        let amps = |sample: Option<(Mono, Value)>| match sample {
            Some((_, Value::Current(amps))) => amps,
            Some(_) | None => Microamps::ZERO,
        };
        let before = amps(kept.as_of(recording.onset - BEFORE_STEP));
        // After the cut the booster's voltage is back, and engines there charge.
        let until = (recording.onset + ALIKE_WITHIN).min(recording.trigger + ONE_SAMPLE);
        let most = kept
            .iter()
            .filter(|(at, _)| recording.onset <= *at && *at <= until)
            .map(|sample| amps(Some(sample)))
            .max();
        most.is_some_and(|most| fault.percent(60) <= most - before)
    }

    /// The loop that the fault current saw from the district's head, after its breaker: the district's current is
    /// measured, the voltage at its head is the booster's less what its source and the head drop at that current. Not
    /// told where the booster was at its limit, or where a lamp heads the district.
    pub(super) fn loop_measured(
        &self,
        recording: &Recording,
        current: wiring::index::ChannelIx,
    ) -> Option<Microohms> {
        let district = recording.district;
        let booster = self.model.layout.districts[district.at()].booster;
        let it = &self.model.layout.boosters[booster.at()];
        let before = self.model.loops.before(district)?;
        let peak = recording.currents(current).map(|(_, amps)| amps).max()?;
        let fault = peak - recording.base;
        // A sensor averages: a current that was cut before it settled reads too low, and the loop too long.
        let near = |amps: Microamps| peak.percent(SETTLED) <= amps;
        if recording.currents(current).filter(|(_, amps)| near(*amps)).count() < 2 {
            return None;
        }
        // Other districts share what the booster gives at its limit.
        let whole = self.model.booster_current[booster.at()];
        let total = recording.currents(whole).map(|(_, amps)| amps).max();
        let most = total.unwrap_or(peak).max(peak);
        // Load alone says nothing of a loop.
        if it.limit.percent(LIMITED) <= most || fault < LEAST_FAULT {
            return None;
        }
        let volts = it.volts.volts() - before.ohms() * peak.amps();
        let ohms = volts.max(0.0) / fault.amps();
        Some(Microohms((ohms * 1e6).round() as u64))
    }
}

/// The other's current is taken from a little before the onset.
const BEFORE_STEP: Micros = Micros::from_millis(30);

/// The last reading of a current before the onset.
fn before(recording: &Recording, channel: wiring::index::ChannelIx) -> Microamps {
    let last = recording.samples(channel).iter().rev().find_map(|(at, value)| match value {
        Value::Current(amps) if *at < recording.onset => Some(*amps),
        _ => None,
    });
    last.unwrap_or(Microamps::ZERO)
}

/// The current was nearly as high half a second before.
fn crept(recording: &Recording, current: wiring::index::ChannelIx) -> bool {
    // At a limit for a while: the onset is that of the limit, and the step lies before it.
    if !is_step(recording.cause) || matches!(recording.cause, Cause::AtLimit { .. }) {
        return false;
    }
    let peak = recording.currents(current).map(|(_, amps)| amps).max();
    let early = recording.onset - CREPT_BEFORE;
    let before = recording.samples(current).iter().rev().find_map(|(at, value)| match value {
        Value::Current(amps) if *at <= early => Some(*amps),
        _ => None,
    });
    let (Some(peak), Some(before)) = (peak, before) else { return false };
    LEAST_FAULT < peak && peak.percent(CREPT) < before
}

/// Current is what tripped. A frog on the wrong rail, or power that went, is cut or told without a fault current.
const fn is_step(cause: Cause) -> bool {
    is_fault_current(cause) || matches!(cause, Cause::Overload { .. })
}

/// The onset is that of the current, to a sample.
const fn is_edge(cause: Cause) -> bool {
    matches!(cause, Cause::Short { .. } | Cause::TrippedElsewhere { .. })
}

/// After power came back it is the load before it went that tells load from a short.
fn shape_after_power(
    recording: &Recording,
    current: wiring::index::ChannelIx,
    back: PowerBack,
    trips_at: Microamps,
) -> Shape {
    let peak = recording.currents(current).map(|(_, amps)| amps).max();
    match (peak, back.load_before) {
        (Some(peak), Some(load)) if LEAST_FAULT < peak && trips_at.percent(CREPT_OVER) < load => {
            Shape::Crept
        }
        _ => shape(recording, current),
    }
}

/// How current went while the fault lasted: flat, or falling smoothly.
fn shape(recording: &Recording, current: wiring::index::ChannelIx) -> Shape {
    let mut fault: Vec<Microamps> = Vec::new();
    if crept(recording, current) {
        return Shape::Crept;
    }
    for (at, amps) in recording.currents(current) {
        if recording.onset < at && amps < recording.pickup {
            break;
        }
        fault.push(amps);
    }
    let (Some(first), Some(last)) = (fault.first(), fault.last()) else { return Shape::NotKnown };
    if fault.len() < 3 {
        return Shape::NotKnown;
    }
    let falls = fault.windows(2).all(|pair| pair[1] <= pair[0]);
    if falls && *last < first.percent(DECAY) { Shape::Decaying } else { Shape::Flat }
}
