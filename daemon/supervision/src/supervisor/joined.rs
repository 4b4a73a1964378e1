//! One fault that takes two districts, one after the other: where a wheel stands on their border, the second goes on feeding
//! what the first was cut for. Each has its record, and both tell one story: whichever is read, its ranking rests on what
//! both districts showed.

use wiring::{
    index::FrogIx,
    units::{Micros, Mono},
};

use super::Supervisor;
use crate::{
    cause::Cause,
    locate::{Evidence, Others},
    recorder::Recording,
};

use super::trips::is_fault_current;

/// Two faults in districts that meet are one within this: the time that first-out is told by.
const ONE_FAULT: Micros = Micros::from_millis(500);

impl Supervisor {
    /// What a recording is ranked by, were it closed now: with that of the other district, where one fault took both.
    pub(super) fn evidence_for(&self, recording: &Recording) -> Evidence {
        if let Some(joined) = &recording.joined {
            return (**joined).clone();
        }
        let open = || self.recordings.iter();
        if let Some(first) = open().find(|it| self.is_followed_by(it, recording)) {
            return self.evidence_for(first);
        }
        self.evidence_of(recording, open().find(|it| self.is_followed_by(recording, it)))
    }

    /// The records of the districts that the same fault took later, still open, get to know of the one that closes, and
    /// it of them.
    pub(super) fn hand_on(&mut self, recording: &mut Recording, evidence: &Evidence) {
        let mut open = std::mem::take(&mut self.recordings);
        let mut others = Vec::new();
        for later in open.iter_mut().filter(|it| self.is_followed_by(recording, it)) {
            later.joined.get_or_insert_with(|| Box::new(evidence.clone()));
            later.beside.push(recording.as_beside());
            others.push(later.as_beside());
        }
        recording.beside.append(&mut others);
        self.recordings = open;
    }

    /// Another district tripped after that of `first`, by the same fault as far as can be told.
    fn is_followed_by(&self, first: &Recording, later: &Recording) -> bool {
        let apart = later.onset.since(first.onset).max(first.onset.since(later.onset));
        let taken = is_fault_current(later.cause) || matches!(later.cause, Cause::PowerGone { .. });
        first.number < later.number
            && apart <= ONE_FAULT
            && is_fault_current(first.cause)
            && taken
            // Power that comes back there makes engines charge: that is another matter.
            && first.evidence.power_back.is_none()
            && later.evidence.power_back.is_none()
            && self.model.districts_meet(first.district, later.district)
    }

    /// Adds what another district knew when it followed. Its edges are counted from the onset of the first: those after
    /// it are the fault itself.
    pub(super) fn take_in(&self, evidence: &mut Evidence, first: &Recording, later: &Recording) {
        let after = later.onset.since(first.onset);
        let earlier = |ago: Micros| (after < ago).then(|| ago - after);
        if !matches!(evidence.others, Others::Stepped(_)) {
            evidence.others = Others::Followed(later.district, later.trigger.since(first.trigger));
        }
        evidence.blocks.extend(later.evidence.blocks.iter().map(|it| {
            let mut facts = *it;
            facts.edge = facts.edge.and_then(earlier);
            facts
        }));
        evidence.reversers.extend(later.evidence.reversers.iter().copied());
        evidence.movement = evidence.movement.max(later.evidence.movement);
        for facts in &later.evidence.frogs {
            if evidence.frogs.iter().any(|it| it.frog == facts.frog) {
                continue;
            }
            let mut facts = facts.clone();
            if let Some(leg) = &mut facts.wrong_leg {
                leg.edge = leg.edge.and_then(earlier);
            }
            if self.drew_since(facts.frog, first.onset) {
                facts.train_on_it = false;
                facts.shares_leg = false;
            }
            evidence.frogs.push(facts);
        }
        evidence.frogs.sort_by_key(|it| it.frog);
    }

    /// Current in the frog's own block rose from then on: what draws there is the fault, and no train was seen before it.
    fn drew_since(&self, frog: FrogIx, onset: Mono) -> bool {
        let own = self.model.frogs[frog.at()].block;
        self.blocks[own.at()].latest_edge().is_some_and(|edge| onset <= edge)
    }
}
