//! Currents through contacts: measured at the frog, or estimated from block and district.

use circuit::thermal::charged;
use wiring::{
    channel::{Object, Quantity},
    index::{BlockIx, DistrictIx, FrogIx, MachineIx, PoleIx},
    polarity::Wired,
    units::{Microamps, Mono},
};

use super::{Episode, HOUSEKEEPING, Supervisor, rest::Rest, slots::Timer};
use crate::{
    alarm::{AlarmKind, Subject},
    alarms::Grade,
    cause::Cause,
    contact::{Contact, Through},
    frog::Frog,
    input::{Feed, Value},
    model::Model,
    occupancy::Occupied,
    output::{Decision, EventKind, PowerState, StateValue},
    power::Power,
    protect::Trip,
    record::ContactStress,
    recorder::PRE_TRIGGER,
    words::Seen,
};

/// A cut contact's alarm clears below this image.
const COOL: f64 = 0.1;
/// A throw while fault current flows counts as so many hits.
const THROWN_HITS: u32 = 10;
/// Contacts of one district kept for a trip that is decided after its current has ended.
const MOST_CARRIED: usize = 256;

/// A wheel could stand on the frog now, and the frog is tied: its block or a neighbour is occupied, unknown or held.
pub(super) fn is_reachable(
    model: &Model,
    frogs: &[Frog],
    blocks: &[Occupied],
    frog: FrogIx,
) -> bool {
    let tied = match frogs[frog.at()].expectation().row {
        Some(row) => !matches!(model.proof.frog(frog).rows[row].wired, Wired::None),
        None => true,
    };
    let block = model.frogs[frog.at()].block;
    let near = model.neighbours.get(block.at()).map_or(&[][..], Vec::as_slice);
    tied && (blocks[block.at()].may_be_occupied()
        || near.iter().any(|it| blocks[it.at()].may_be_occupied()))
}

/// I_w: the step that brings the weakest pole that a wheel could now reach to its limit within the withstand time.
pub(super) fn withstand(
    model: &Model,
    frogs: &[Frog],
    blocks: &[Occupied],
    contacts: &[Contact],
    proved_pairs: &[bool],
    district: DistrictIx,
    at: Mono,
) -> Option<Microamps> {
    let reachable = model.district_frogs[district.at()]
        .iter()
        .filter(|frog| is_reachable(model, frogs, blocks, **frog));
    let of_frog = |frog: &FrogIx| {
        let keys = super::slots::frog_keys(model, *frog);
        let pair = f64::from(keys.pair_factor) / 1000.0;
        let poles = &model.frogs[frog.at()].poles;
        let factor = match poles.len() {
            2 if proved_pairs[frog.at()] => pair,
            many if many > 2 && proved_pairs[frog.at()] => 0.9 * many as f64,
            _ => 1.0,
        };
        poles
            .iter()
            .map(|(pole, _)| {
                let contact = &contacts[pole.at()];
                let settings = contact.settings();
                contact.image_at(at).pick_up(
                    settings.rating,
                    factor,
                    keys.withstand_time,
                    settings.time_constant,
                )
            })
            .min()
    };
    reachable.filter_map(of_frog).min()
}

/// A train may stand on a gap to a district that is off: its wheels would join that one to this.
pub(super) fn may_feed_another(
    model: &Model,
    blocks: &[Occupied],
    powers: &[Power],
    district: DistrictIx,
) -> bool {
    let off = |feed: Feed| powers[model.feed_at(feed)].state() == PowerState::Cut;
    let dead = |beyond: BlockIx| {
        let other = model.layout.district_of_block(beyond);
        // With its booster off it has nothing of its own: what flows there comes over the gap, and back through its
        // closed breaker into all that the booster feeds.
        let above = Feed::Booster(model.layout.districts[other.at()].booster);
        other != district && (off(Feed::District(other)) || off(above))
    };
    model.district_blocks[district.at()].iter().any(|own| {
        let beyond = model.neighbours.get(own.at()).map_or(&[][..], Vec::as_slice);
        let train = blocks[own.at()].may_be_occupied();
        beyond.iter().any(|it| dead(*it) && (train || blocks[it.at()].is_occupied()))
    })
}

impl Supervisor {
    /// The load part: the block's current, but no more than one locomotive's wheels draw through one frog.
    pub(super) fn carry_load(&mut self, block: BlockIx, amps: Microamps, at: Mono) {
        if self.seeing[block.at()].is_empty() {
            return;
        }
        for nth in 0..self.seeing[block.at()].len() {
            let frog = self.seeing[block.at()][nth];
            if !self.is_measured(frog) {
                let fault = self.fault_now(frog);
                let load = self.load_in(frog, amps, fault);
                self.carry(frog, Through { amps: load + fault, fault, estimated: true }, at);
            }
        }
        for nth in 0..self.seeing[block.at()].len() {
            let frog = self.seeing[block.at()][nth];
            self.trip_contacts(frog, at);
        }
        self.then(Rest::Loaded(block, at));
    }

    /// Contacts that carry the load of a block.
    pub(super) fn show_loaded(&mut self, block: BlockIx, at: Mono) {
        for nth in 0..self.seeing[block.at()].len() {
            let frog = self.seeing[block.at()][nth];
            self.show_contacts(frog, at);
        }
    }

    /// The fault part that a frog is charged with at the moment, through all of its poles.
    fn fault_now(&self, frog: FrogIx) -> Microamps {
        let it = &self.model.frogs[frog.at()];
        match &self.episodes[it.district.at()] {
            Some(episode) if it.poles.iter().any(|(pole, _)| episode.poles.contains(pole)) => {
                self.part_of(frog, episode.step, episode.onset).min(it.most)
            }
            Some(_) | None => Microamps::ZERO,
        }
    }

    /// The load part of a block's current of which `fault` is a fault: what flows twice is counted once.
    fn load_in(&self, frog: FrogIx, amps: Microamps, fault: Microamps) -> Microamps {
        let most = super::slots::frog_keys(&self.model, frog).frog_load;
        (amps - fault).max(Microamps::ZERO).min(most)
    }

    fn is_measured(&self, frog: FrogIx) -> bool {
        let channel = self.model.frog_current[frog.at()];
        self.store.slot(channel).last.is_some() && !self.store.slot(channel).stale
    }

    pub(super) fn handle_frog_current(&mut self, frog: FrogIx, amps: Microamps, at: Mono) {
        let district = self.model.frogs[frog.at()].district;
        let step = self.guards[district.at()].settings().step;
        let faulty = self.episodes[district.at()].is_some() && step.percent(50) <= amps;
        let fault = if faulty { amps } else { Microamps::ZERO };
        self.carry(frog, Through { amps, fault, estimated: false }, at);
        self.trip_contacts(frog, at);
        self.then(Rest::Contacts(frog, at));
    }

    /// `through` flows through the frog: each of its poles is charged with its share.
    fn carry(&mut self, frog: FrogIx, through: Through, at: Mono) {
        let pair = f64::from(super::slots::frog_keys(&self.model, frog).pair_factor) / 1000.0;
        let poles = self.model.frogs[frog.at()].poles.len();
        for nth in 0..poles {
            let (pole, share) = self.model.frogs[frog.at()].poles[nth];
            // In making and breaking one pole takes all of it.
            let machine = self.model.layout.poles[pole.at()].machine;
            let moving = self.machines[machine.at()].is_moving();
            let part = if moving { 1.0 } else { charged(share, poles, pair) };
            let of = |amps: Microamps| Microamps((amps.0 as f64 * part).round() as i64);
            let through = Through { amps: of(through.amps), fault: of(through.fault), ..through };
            self.contacts[pole.at()].carry(through, at);
        }
    }

    /// A contact at its limit cuts.
    fn trip_contacts(&mut self, frog: FrogIx, at: Mono) {
        let district = self.model.frogs[frog.at()].district;
        let feed = self.model.feed_at(Feed::District(district));
        for nth in 0..self.model.frogs[frog.at()].poles.len() {
            let (pole, _) = self.model.frogs[frog.at()].poles[nth];
            let contact = &self.contacts[pole.at()];
            let through = contact.through();
            // Within the inrush window an estimate is only possible.
            let possible = through.estimated && self.guards[district.at()].is_inrush(at);
            if contact.trips() && !possible && self.powers[feed].is_guarded() {
                let episode = self.episodes[district.at()].as_ref();
                let Through { amps, estimated, .. } = through;
                let trip = Trip {
                    cause: Cause::Contact { pole, amps, estimated },
                    onset: episode.map_or(at, |it| it.onset),
                    pickup: Microamps(i64::MAX),
                    base: episode.map_or(Microamps::ZERO, |it| it.base),
                };
                self.trip(district, trip, at);
            }
        }
    }

    /// Near its limit a contact warns; its load is shown.
    pub(super) fn show_contacts(&mut self, frog: FrogIx, at: Mono) {
        let mut warm = false;
        for nth in 0..self.model.frogs[frog.at()].poles.len() {
            let (pole, _) = self.model.frogs[frog.at()].poles[nth];
            self.show_contact(pole, at);
            warm |= self.contacts[pole.at()].is_warm();
        }
        if warm && self.housekeeping.is_none() {
            self.housekeeping = Some(Mono((at.0 / HOUSEKEEPING.0 + 1) * HOUSEKEEPING.0));
            self.refresh_timer(Timer::Housekeeping);
        }
    }

    fn show_contact(&mut self, pole: PoleIx, at: Mono) {
        let was = self.contacts[pole.at()].is_warned();
        let warns = self.contacts[pole.at()].warns();
        let theta = self.contacts[pole.at()].image().theta;
        let estimated = self.contacts[pole.at()].through().estimated;
        let subject = Subject::Object(Object::Pole(pole));
        if warns && !was {
            let seen = Seen::Near { percent: (theta * 100.0).round() as u32, estimated };
            self.raise(AlarmKind::ContactOverload, subject, Grade::Other, at, seen);
        }
        if let Some(percent) = self.contacts[pole.at()].poll_load(at) {
            let channel = self.model.channel(Object::Pole(pole), Quantity::Load);
            let value = StateValue::Load { percent, estimated };
            self.emit(at, Decision::State { channel, value });
        }
    }

    /// Loads fade, alarms of cool contacts clear.
    pub(super) fn keep_house(&mut self, at: Mono) {
        let mut warm = false;
        for nth in 0..self.contacts.len() {
            if !self.contacts[nth].is_warm() {
                continue;
            }
            let pole = PoleIx::new(nth);
            self.contacts[nth].pass(at);
            self.show_contact(pole, at);
            let subject = Subject::Object(Object::Pole(pole));
            let key = crate::alarm::AlarmKey { kind: AlarmKind::ContactOverload, subject };
            if self.alarms.stands(key) {
                let cut = self.alarms.is_high(key);
                let over = !self.contacts[nth].is_warned();
                if over && (!cut || self.contacts[nth].image().theta < COOL) {
                    self.lower(AlarmKind::ContactOverload, subject, at);
                }
            }
            warm |= self.contacts[nth].is_warm();
        }
        self.housekeeping = warm.then(|| at + HOUSEKEEPING);
    }

    /// The fault part of the district's current flows through every frog of the stepped block that a wheel could reach.
    pub(super) fn carry_fault(&mut self, district: DistrictIx, amps: Microamps, at: Mono) {
        let Some(mut episode) = self.episodes[district.at()].take() else { return };
        let fault = (amps - episode.base).max(Microamps::ZERO);
        episode.step = fault;
        let model = std::sync::Arc::clone(&self.model);
        let onset = episode.onset;
        self.episodes[district.at()] = Some(episode);
        for &frog in &model.district_frogs[district.at()] {
            let mine = self.episodes[district.at()].as_ref().is_some_and(|episode| {
                model.frogs[frog.at()].poles.iter().any(|(pole, _)| episode.poles.contains(pole))
            });
            if !mine || self.is_measured(frog) {
                continue;
            }
            let part = self.fault_now(frog);
            let load = self.load_of(frog, part, onset);
            self.carry(frog, Through { amps: load + part, fault: part, estimated: true }, at);
        }
        for &frog in &model.district_frogs[district.at()] {
            self.trip_contacts(frog, at);
        }
        self.then(Rest::Carried(district, amps, at));
    }

    /// Contacts that carried a fault are shown; without current a fault that was cut is over.
    pub(super) fn show_carried(&mut self, district: DistrictIx, amps: Microamps, at: Mono) {
        for nth in 0..self.model.district_frogs[district.at()].len() {
            let frog = self.model.district_frogs[district.at()][nth];
            self.show_contacts(frog, at);
        }
        let residual = self.guards[district.at()].settings().residual;
        let tripped = self.episodes[district.at()].as_ref().is_some_and(|it| it.fault.is_some());
        if tripped && amps < residual {
            self.end_episode(district, at);
        }
    }

    /// Blocks that have been read since the fault began and did not step feed no frog of the fault: but where the leg
    /// for which a turnout is not set stepped, a wheel at its gap joins that leg's rail to the frog. The current then
    /// comes in by the one and goes out by the other, and a detector watches one conductor only.
    fn part_of(&self, frog: FrogIx, fault: Microamps, onset: Mono) -> Microamps {
        let Some(block) = self.seen_by[frog.at()] else { return fault };
        let is_quiet = self.has_stepped(block, fault, onset) == Some(false);
        if is_quiet && !self.steps_in_wrong_leg(frog, fault, onset) {
            Microamps::ZERO
        } else {
            fault
        }
    }

    /// Whether a block carries the fault; none: it has not been read since it began.
    fn has_stepped(&self, block: BlockIx, fault: Microamps, onset: Mono) -> Option<bool> {
        match self.store.slot(self.model.block_current[block.at()]).last {
            Some((at, Value::Current(amps))) if onset <= at => Some(fault.percent(50) <= amps),
            Some(_) | None => None,
        }
    }

    fn steps_in_wrong_leg(&self, frog: FrogIx, fault: Microamps, onset: Mono) -> bool {
        let own = self.seen_by[frog.at()];
        let known = self.frogs[frog.at()].expectation().row.is_some();
        self.legs(frog).any(|(_, leg, used)| {
            let may = !(known && used) && Some(leg) != own;
            may && self.has_stepped(leg, fault, onset) == Some(true)
        })
    }

    /// The load part while `fault` flows since `onset`. A reading from before holds no fault.
    fn load_of(&self, frog: FrogIx, fault: Microamps, onset: Mono) -> Microamps {
        let Some(block) = self.seen_by[frog.at()] else { return Microamps::ZERO };
        let channel = self.model.block_current[block.at()];
        let is_since = self.store.slot(channel).last.is_some_and(|(at, _)| onset <= at);
        match self.store.fresh(channel) {
            Some(Value::Current(amps)) => {
                self.load_in(frog, amps, if is_since { fault } else { Microamps::ZERO })
            }
            _ => Microamps::ZERO,
        }
    }

    /// A fault current is under watch: the poles that may carry it are remembered as they are.
    pub(super) fn begin_episode(&mut self, district: DistrictIx, base: Microamps, at: Mono) {
        if self.episodes[district.at()].is_some() {
            return;
        }
        let model = std::sync::Arc::clone(&self.model);
        let mut poles = Vec::new();
        for &frog in &model.district_frogs[district.at()] {
            if is_reachable(&model, &self.frogs, &self.blocks, frog) {
                poles.extend(model.frogs[frog.at()].poles.iter().map(|(pole, _)| *pole));
            }
        }
        poles.sort_unstable();
        poles.dedup();
        // The current may have risen right after the last good sample that did not show it.
        let since = self.guards[district.at()].before_last().unwrap_or(at).min(at);
        for pole in &poles {
            self.contacts[pole.at()].begin_stress(since, at);
        }
        self.episodes[district.at()] = Some(Episode {
            onset: at,
            poles,
            thrown: None,
            fault: None,
            base,
            step: Microamps::ZERO,
        });
    }

    /// The fault current is over: hits, with their energy.
    pub(super) fn end_episode(&mut self, district: DistrictIx, at: Mono) {
        let Some(episode) = self.episodes[district.at()].take() else { return };
        let least = if episode.fault.is_some() { 1 } else { 2 };
        for &pole in &episode.poles {
            let contact = &mut self.contacts[pole.at()];
            let settings = *contact.settings();
            let mut through = contact.through();
            through.amps = through.amps - through.fault;
            through.fault = Microamps::ZERO;
            let stress = contact.end_stress(least);
            contact.carry(through, at);
            let Some(stress) = stress.filter(|it| Microamps::ZERO < it.amps) else { continue };
            let machine = self.model.layout.poles[pole.at()].machine;
            let hits = if episode.thrown == Some(machine) { THROWN_HITS } else { 1 };
            let energy = stress.micro_a2s();
            contact.count(hits, energy);
            let record = ContactStress {
                pole,
                before: thousandths(stress.before),
                after: thousandths(stress.after),
                energy,
                amps: stress.amps,
                estimated: stress.estimated,
                softening: stress.softens(&settings),
                melting: stress.melts(&settings),
                hits,
            };
            let mine = |it: &&mut crate::recorder::Recording| Some(it.number) == episode.fault;
            if let Some(recording) = self.recordings.iter_mut().find(mine) {
                recording.contacts.push(record);
            } else if episode.fault.is_none() {
                self.keep_carried(district, record, at);
            }
            let (amps, estimated) = (stress.amps, stress.estimated);
            let kind = EventKind::Hit { pole, hits, energy, amps, estimated };
            self.emit_event(at, kind, episode.fault);
        }
    }

    /// A fault current that ended by itself: a trip that is decided after its end belongs to it.
    fn keep_carried(&mut self, district: DistrictIx, record: ContactStress, at: Mono) {
        let carried = &mut self.carried[district.at()];
        carried.retain(|(ended, _)| at - PRE_TRIGGER <= *ended);
        if carried.len() < MOST_CARRIED {
            carried.push((at, record));
        }
    }

    /// A machine moves while its poles carry a fault current.
    pub(super) fn mark_thrown(&mut self, machine: MachineIx) {
        for episode in self.episodes.iter_mut().flatten() {
            let layout = &self.model.layout;
            if episode.poles.iter().any(|pole| layout.poles[pole.at()].machine == machine) {
                episode.thrown = Some(machine);
            }
        }
    }
}

/// An image in thousandths.
pub(super) fn thousandths(theta: f64) -> u32 {
    (theta * 1000.0).round().clamp(0.0, f64::from(u32::MAX)) as u32
}
