//! The facts of a fault, as the locator weighs them.

use circuit::loops::FrogLoop;
use wiring::{
    channel::{Object, Quantity},
    index::{BlockIx, DistrictIx, FrogIx},
    layout::End,
    trackwork::Port,
    units::{Microamps, Microohms, Micros, Mono},
};

use super::Supervisor;
use crate::{
    cause::Cause,
    input::{Feed, MachinePosition, MeasuredPolarity, Value},
    locate::{
        Around, BlockFacts, Evidence, FrogFacts, MachineSign, Others, PolaritySign, ReverserFacts,
        Shape, Step, WrongLeg,
    },
    output::{ExpectedPolarity, Occupancy},
    recorder::Recording,
};

/// A throw counts as evidence for so long.
const THROWN_WITHIN: Micros = Micros::from_millis(4000);
/// An edge of a block's current does.
const EDGE_WITHIN: Micros = Micros::from_millis(3000);
/// Flips of a reverser around the onset.
const FLIPS_WITHIN: Micros = Micros::from_millis(1000);
/// An edge this close to the onset is the fault itself: blocks and district are sampled one after the other.
const SAME: Micros = Micros::from_millis(25);
/// A step elsewhere belongs to the fault within this.
const ALIKE_WITHIN: Micros = Micros::from_millis(100);
/// … and not after the cut, but for one sample.
const ONE_SAMPLE: Micros = Micros::from_millis(10);
/// A load of this part of the fault's current, this long before it, is no step. Unit: percent.
const CREPT: i64 = 70;
const CREPT_BEFORE: Micros = Micros::from_millis(500);
/// What flows above the load before it is a fault's current from here on.
const LEAST_FAULT: Microamps = Microamps(1_000_000);
/// A fall of this part while the fault lasts is a decay. Unit: percent.
const DECAY: i64 = 70;

impl Supervisor {
    /// What is known at the instant of the trip, before anything that follows from it.
    pub(super) fn gather(&self, district: DistrictIx, onset: Mono) -> Evidence {
        let mut evidence = Evidence::of(district);
        let model = &self.model;
        evidence.frogs =
            self.within_reach(district).map(|frog| self.frog_facts(frog, onset)).collect();
        evidence.blocks = model.district_blocks[district.at()]
            .iter()
            .map(|it| self.block_facts(*it, onset))
            .collect();
        evidence.reversers = self.reverser_facts(district, onset);
        evidence.movement = self.movement(district, onset);
        let feed = model.feed_at(Feed::District(district));
        let on_since = self.restores[feed].powered_since();
        evidence.powered_for = on_since.map(|since| onset.since(since));
        let current = self.store.slot(model.district_current[district.at()]);
        evidence.contradiction = current.last.is_none() || self.residuals[feed].stands();
        evidence
    }

    /// Frogs that contacts feed, of the district and of those that may share its fault: next to it, or on its booster.
    fn within_reach(&self, district: DistrictIx) -> impl Iterator<Item = FrogIx> + '_ {
        let layout = &self.model.layout;
        let booster = |it: DistrictIx| layout.districts[it.at()].booster;
        (0..layout.frogs.len()).map(FrogIx::new).filter(move |&frog| {
            let own = self.model.frogs[frog.at()].district;
            let fed = !layout.frogs[frog.at()].poles.is_empty();
            fed && (booster(own) == booster(district) || self.meets(frog, district))
        })
    }

    /// The frog or one of its legs lies in the district.
    fn meets(&self, frog: FrogIx, district: DistrictIx) -> bool {
        let layout = &self.model.layout;
        self.model.frogs[frog.at()].district == district
            || self.legs(frog).any(|(_, block, _)| layout.blocks[block.at()].district == district)
    }

    fn frog_facts(&self, frog: FrogIx, onset: Mono) -> FrogFacts {
        let mut facts = FrogFacts::of(frog);
        facts.polarity = self.polarity_sign(frog, onset);
        facts.machine = self.machine_sign(frog, onset);
        let machines = &self.model.proof.frog(frog).machines;
        facts.out_of_step = machines.iter().any(|it| self.machines[it.at()].is_out_of_step());
        facts.wrong_leg = self.wrong_leg(frog, onset);
        facts.around = self.around(frog);
        facts.lined_train = self.lined_train(frog, onset);
        facts.still = self.still(frog, onset);
        let own = self.model.frogs[frog.at()].block;
        facts.train_on_it = self.blocks[own.at()].is_occupied() || self.edge(own, onset).is_some();
        let shared = self.legs(frog).any(|(_, block, used)| !used && block == own);
        facts.shares_leg = shared && facts.train_on_it;
        facts.weak_contact = self.frogs[frog.at()].is_dead();
        facts.was_good_here = self.frogs[frog.at()].was_right_here();
        facts.earlier_faults = self.culprits[frog.at()];
        facts.loop_model = self.loop_model(frog);
        facts.sensor_group = self.sensor_group(frog);
        facts
    }

    /// The loop to a frog as its machines stand; where that is not known, the shortest.
    fn loop_model(&self, frog: FrogIx) -> Option<Microohms> {
        let loops = self.model.loops.frog(frog);
        let stands = |it: &&FrogLoop| {
            it.positions
                .iter()
                .all(|(machine, position)| self.machines[machine.at()].settled() == Some(*position))
        };
        let now = loops.iter().find(stands).map(|it| it.ohms);
        now.or_else(|| loops.iter().map(|it| it.ohms).min())
    }

    /// Frogs of one block without polarity readings of their own share every sensor.
    fn sensor_group(&self, frog: FrogIx) -> u32 {
        let has = |quantity| {
            let channel = self.model.channel(Object::Frog(frog), quantity);
            self.store.slot(channel).last.is_some()
        };
        let machines = &self.model.proof.frog(frog).machines;
        let placed = machines.iter().any(|it| self.machines[it.at()].position().is_some());
        if has(Quantity::Polarity) || has(Quantity::Current) || placed {
            u32::MAX - frog.0
        } else {
            self.model.frogs[frog.at()].block.0
        }
    }

    fn polarity_sign(&self, frog: FrogIx, onset: Mono) -> PolaritySign {
        let it = &self.frogs[frog.at()];
        if let Some(stays) = it.stays() {
            return PolaritySign::NotSwitching(stays);
        }
        let expectation = it.expectation();
        match (self.polarity_before(frog, onset), expectation.right) {
            (Some(MeasuredPolarity::On(on)), Some(right)) if on == right => PolaritySign::Matches,
            (Some(MeasuredPolarity::On(on)), Some(_)) => PolaritySign::WrongRail(on),
            (Some(MeasuredPolarity::Dead), Some(_))
                if matches!(expectation.shown, ExpectedPolarity::On(_)) =>
            {
                PolaritySign::Dead
            }
            (Some(_) | None, Some(_) | None) => PolaritySign::NotMeasured,
        }
    }

    fn machine_sign(&self, frog: FrogIx, onset: Mono) -> MachineSign {
        let machines = &self.model.proof.frog(frog).machines;
        let latest = machines.iter().max_by_key(|it| self.machines[it.at()].last_change());
        let Some(&machine) = latest else { return MachineSign::NotMeasured };
        let it = &self.machines[machine.at()];
        let changed = it.last_change().filter(|at| onset.since(*at) <= THROWN_WITHIN);
        match (it.position(), changed) {
            (None, _) => MachineSign::NotMeasured,
            (Some((_, MachinePosition::Moving)), _) => MachineSign::Moving(machine),
            (Some((_, MachinePosition::Unknown)), _) => MachineSign::Unknown(machine),
            (Some(_), Some(at)) => MachineSign::Thrown(machine, onset.since(at)),
            (Some((_, position)), None) => {
                position.at_rest().map_or(MachineSign::NotMeasured, MachineSign::AtRest)
            }
        }
    }

    /// The block that lies beyond each port of a frog's trackwork, and whether the port is on an open route.
    pub(super) fn legs(&self, frog: FrogIx) -> impl Iterator<Item = (Port, BlockIx, bool)> + '_ {
        let layout = &self.model.layout;
        let trackwork = &layout.trackwork[self.model.frogs[frog.at()].trackwork.at()];
        let row = self.frogs[frog.at()].expectation().row;
        let open = row.map(|row| self.model.proof.frog(frog).rows[row].open_ports);
        trackwork.at_port.iter().enumerate().filter_map(move |(nth, (port, joined))| {
            let (track, _) = (*joined)?;
            let used = open.is_none_or(|open| open & (1 << nth) != 0);
            Some((*port, self.beyond(track, trackwork.block), used))
        })
    }

    /// The block of a track, or of the track after it where it still lies in the trackwork's own block.
    fn beyond(&self, track: wiring::index::TrackIx, own: BlockIx) -> BlockIx {
        let layout = &self.model.layout;
        let it = &layout.tracks[track.at()];
        if it.block != own {
            return it.block;
        }
        let next = [it.from, it.to].into_iter().find_map(|end| match end {
            End::Joint(joint) => layout.joints[joint.at()]
                .ends
                .iter()
                .map(|(track, _)| layout.tracks[track.at()].block)
                .find(|block| *block != own),
            End::Port(..) => None,
        });
        next.unwrap_or(own)
    }

    /// A train on a leg that the turnout is not set for.
    pub(super) fn wrong_leg(&self, frog: FrogIx, onset: Mono) -> Option<WrongLeg> {
        let own = self.model.frogs[frog.at()].block;
        self.legs(frog).filter(|(_, block, used)| !used && *block != own).find_map(
            |(port, block, _)| {
                let edge = self.edge(block, onset);
                let there = self.blocks[block.at()].is_occupied();
                let edge = edge.or_else(|| self.entering(frog, onset).filter(|_| there));
                (there || edge.is_some()).then_some(WrongLeg { port, block, edge })
            },
        )
    }

    /// An edge in the turnout's own block that no train on the lined route can have made: with a train on a leg that
    /// the turnout is not set for, it is that train, entering.
    fn entering(&self, frog: FrogIx, onset: Mono) -> Option<Micros> {
        let own = self.model.frogs[frog.at()].block;
        self.edge(own, onset).filter(|_| !self.train_on_lined_legs(frog, onset))
    }

    fn train_on_lined_legs(&self, frog: FrogIx, onset: Mono) -> bool {
        let own = self.model.frogs[frog.at()].block;
        let there = |block: BlockIx| {
            self.blocks[block.at()].is_occupied() || self.edge(block, onset).is_some()
        };
        self.legs(frog).any(|(_, block, used)| used && block != own && there(block))
    }

    fn edge(&self, block: BlockIx, onset: Mono) -> Option<Micros> {
        let edge = self.blocks[block.at()].edge_before(onset - SAME)?;
        let ago = onset.since(edge);
        (ago <= EDGE_WITHIN).then_some(ago)
    }

    fn lined_train(&self, frog: FrogIx, onset: Mono) -> bool {
        let own = self.model.frogs[frog.at()].block;
        let here = self.blocks[own.at()].is_occupied() || self.edge(own, onset).is_some();
        // A train in the own block is on the lined route only where every other leg lies in a block of its own.
        let shared = self.legs(frog).any(|(_, block, used)| !used && block == own);
        self.train_on_lined_legs(frog, onset)
            || (here && !shared && self.wrong_leg(frog, onset).is_none())
    }

    /// Every block around it has a sensor, and none of them saw anything move. A train inside a block that holds a leg
    /// as well may creep from the one to the other without an edge.
    fn still(&self, frog: FrogIx, onset: Mono) -> bool {
        let own = self.model.frogs[frog.at()].block;
        let shared = self.legs(frog).any(|(_, block, used)| !used && block == own);
        let hidden = shared && self.blocks[own.at()].is_occupied();
        !hidden
            && self.legs(frog).map(|(_, block, _)| block).chain([own]).all(|block| {
                let channel = self.model.channel(Object::Block(block), Quantity::Current);
                self.store.slot(channel).last.is_some() && self.edge(block, onset).is_none()
            })
    }

    fn around(&self, frog: FrogIx) -> Around {
        let own = self.model.frogs[frog.at()].block;
        let states = self
            .legs(frog)
            .map(|(_, block, _)| block)
            .chain([own])
            .map(|block| self.blocks[block.at()].state());
        let mut around = Around::Clear;
        for state in states {
            match state {
                Occupancy::Occupied | Occupancy::Held { occupied: true } => {
                    return Around::Occupied;
                }
                Occupancy::Clear => {}
                Occupancy::Unknown | Occupancy::Held { occupied: false } => {
                    around = Around::NotKnown;
                }
            }
        }
        around
    }

    fn block_facts(&self, block: BlockIx, onset: Mono) -> BlockFacts {
        let occupied = match self.blocks[block.at()].state() {
            Occupancy::Occupied | Occupancy::Held { occupied: true } => Some(true),
            Occupancy::Clear => Some(false),
            Occupancy::Unknown | Occupancy::Held { occupied: false } => None,
        };
        BlockFacts { block, step: Step::NotMeasured, occupied, edge: self.edge(block, onset) }
    }

    fn movement(&self, district: DistrictIx, onset: Mono) -> Option<bool> {
        let blocks = &self.model.district_blocks[district.at()];
        let known = blocks.iter().any(|it| self.blocks[it.at()].state() != Occupancy::Unknown);
        known.then(|| blocks.iter().any(|it| self.edge(*it, onset).is_some()))
    }

    fn reverser_facts(&self, district: DistrictIx, onset: Mono) -> Vec<ReverserFacts> {
        let layout = &self.model.layout;
        let mine = |it: &(usize, &wiring::layout::Reverser)| {
            layout.district_of_block(it.1.block) == district
        };
        layout
            .reversers
            .iter()
            .enumerate()
            .filter(mine)
            .map(|(nth, it)| {
                let reverser = wiring::index::ReverserIx::new(nth);
                let near = |flip: &&(Mono, wiring::index::ReverserIx)| {
                    flip.1 == reverser && onset.since(flip.0) <= FLIPS_WITHIN
                };
                let state = self.blocks[it.block.at()].state();
                let edge = self.edge(it.block, onset).is_some();
                let train = match state {
                    Occupancy::Unknown => None,
                    Occupancy::Clear | Occupancy::Occupied | Occupancy::Held { .. } => {
                        Some(edge || self.blocks[it.block.at()].is_occupied())
                    }
                };
                ReverserFacts {
                    reverser,
                    flips: self.flips.iter().filter(near).count() as u32,
                    train,
                }
            })
            .collect()
    }

    /// The facts with what the samples since the onset add: where current stepped, how it went, what others did.
    pub(super) fn evidence_of(&self, recording: &Recording) -> Evidence {
        let mut evidence = recording.evidence.clone();
        let district = recording.district;
        let current = self.model.district_current[district.at()];
        let fault = self.fault_size(recording, current);
        evidence.shape = shape(recording, current);
        evidence.opened_by_itself = matches!(recording.cause, Cause::PowerGone { .. });
        evidence.others = self.others(recording, fault);
        self.keep_within_reach(&mut evidence);
        evidence.loop_measured = self.loop_measured(recording, current);
        let steps: Vec<(BlockIx, Option<bool>)> = self.model.district_blocks[district.at()]
            .iter()
            .map(|&block| (block, self.stepped(recording, block, fault)))
            .collect();
        let some = steps.iter().any(|(_, stepped)| *stepped == Some(true));
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
            facts.step = sign(self.seen_by[facts.frog.at()]);
            let leg = facts.wrong_leg.as_ref().map(|leg| leg.block);
            // The wheel at the gap of that leg joins its rail to the frog: current comes in by the one and goes out by
            // the other, and a detector watches one conductor only.
            if facts.step == Step::Elsewhere && sign(leg) == Step::Here {
                facts.step = Step::OnWrongLeg;
            }
        }
        for facts in &mut evidence.blocks {
            facts.step = sign(Some(facts.block));
        }
        evidence
    }

    /// Frogs of another district take part only where that district stepped as well, or meets this one at the frog.
    fn keep_within_reach(&self, evidence: &mut Evidence) {
        let mine = evidence.district;
        let other = match evidence.others {
            Others::Stepped(other) => Some(other),
            Others::Quiet | Others::Fell => None,
        };
        evidence.frogs.retain_mut(|facts| {
            let frog = facts.frog;
            let own = self.model.frogs[frog.at()].district;
            let here = self.meets(frog, mine);
            facts.at_boundary = here && other.is_some_and(|other| self.meets(frog, other));
            own == mine || facts.at_boundary || Some(own) == other
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
        let of = |quantity| self.model.channels.index(object, quantity);
        let current = of(Quantity::Current)?;
        let before = recording.samples(current).iter().rev().find_map(|(at, value)| match value {
            Value::Current(amps) if *at < recording.onset => Some(*amps),
            _ => None,
        });
        let most = [Some(current), of(Quantity::Peak)]
            .into_iter()
            .flatten()
            .flat_map(|channel| recording.currents(channel))
            .map(|(_, amps)| amps)
            .max()?;
        Some(fault.percent(50) <= most - before.unwrap_or(Microamps::ZERO))
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
        // Load alone says nothing of a loop.
        if it.limit.percent(95) <= peak || fault < LEAST_FAULT {
            return None;
        }
        let volts = it.volts.volts() - before.ohms() * peak.amps();
        let ohms = volts.max(0.0) / fault.amps();
        Some(Microohms((ohms * 1e6).round() as u64))
    }
}

/// The other's current is taken from a little before the onset.
const BEFORE_STEP: Micros = Micros::from_millis(30);

/// The current was nearly as high half a second before.
fn crept(recording: &Recording, current: wiring::index::ChannelIx) -> bool {
    // A frog on the wrong rail, or power that went, is cut or told without a fault current.
    if recording.pickup == Microamps(i64::MAX) {
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
