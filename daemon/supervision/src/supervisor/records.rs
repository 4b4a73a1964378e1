//! Fault records: opened with a trip, closed when their window is over.

use wiring::{
    index::{DistrictIx, FrogIx},
    units::{Micros, Mono},
};

use super::{Supervisor, slots::Timer};
use crate::{
    input::{Feed, Value},
    locate,
    output::{Decision, Order, Output},
    protect::Trip,
    record::{Accused, FaultNumber},
    recorder::{Opening, PRE_TRIGGER, Recording},
};

/// Polarity is taken from so long before the onset.
pub(super) const BEFORE_ONSET: Micros = Micros::from_millis(200);
/// Faults whose suspects an operator can still name.
const NAMEABLE: usize = 64;
/// Windows that can be open at a time.
const MOST_RECORDINGS: usize = 16;

impl Supervisor {
    /// Opens the record of a trip, before anything that follows from it is seen.
    pub(super) fn open_recording(
        &mut self,
        district: DistrictIx,
        number: FaultNumber,
        trip: &Trip,
        at: Mono,
    ) {
        if self.recordings.len() >= MOST_RECORDINGS {
            self.close_recording(0, at);
        }
        let (onset, base) = self.step_under(district, trip).unwrap_or((trip.onset, trip.base));
        let evidence = self.gather(district, onset);
        let from = at - PRE_TRIGGER;
        let opening = Opening {
            number,
            district,
            cause: trip.cause,
            onset,
            trigger: at,
            base,
            pickup: trip.pickup,
            positions: self.positions_of(district),
            polarity: self.polarity_of(district, onset),
            evidence,
            events: self.recent.iter().filter(|it| from <= it.at).cloned().collect(),
        };
        let members = &self.model.members[district.at()];
        let mut recording = Recording::open(opening, members, &self.store);
        let carried = self.carried[district.at()].drain(..);
        recording.contacts.extend(carried.filter(|(end, _)| onset <= *end).map(|(_, it)| it));
        self.recordings.push(recording);
        self.refresh_timer(Timer::Recorder);
    }

    /// The order that cut went out just before the record was opened.
    pub(super) fn note_cut(&mut self, fault: FaultNumber, feed: usize, order: &Order, at: Mono) {
        let feed = self.model.feed(feed);
        if let Some(recording) = self.recordings.iter_mut().find(|it| it.number == fault) {
            recording.handle_cut(feed, order, at);
            recording.handle_output(&Output { at, what: Decision::Order(order.clone()) });
        }
    }

    fn positions_of(
        &self,
        district: DistrictIx,
    ) -> Vec<(wiring::index::MachineIx, crate::input::MachinePosition)> {
        let mut machines: Vec<_> = self.model.district_frogs[district.at()]
            .iter()
            .flat_map(|frog| self.model.proof.frog(*frog).machines.iter().copied())
            .collect();
        machines.sort_unstable();
        machines.dedup();
        machines
            .into_iter()
            .filter_map(|it| self.machines[it.at()].position().map(|(_, position)| (it, position)))
            .collect()
    }

    fn polarity_of(
        &self,
        district: DistrictIx,
        onset: Mono,
    ) -> Vec<(FrogIx, crate::output::ExpectedPolarity, Option<crate::input::MeasuredPolarity>)>
    {
        self.model.district_frogs[district.at()]
            .iter()
            .map(|&frog| {
                let expected = self.frogs[frog.at()].expectation().shown;
                (frog, expected, self.polarity_before(frog, onset))
            })
            .collect()
    }

    /// A frog's polarity as it was measured before the onset; what is read while the district is shorted means nothing.
    pub(super) fn polarity_before(
        &self,
        frog: FrogIx,
        onset: Mono,
    ) -> Option<crate::input::MeasuredPolarity> {
        let channel = self.model.frog_polarity[frog.at()];
        let kept = self.store.slot(channel).samples();
        match kept.as_of(onset - BEFORE_ONSET) {
            Some((_, Value::Polarity(polarity))) => Some(polarity),
            Some(_) | None => None,
        }
    }

    /// Closes every window that is over.
    pub(super) fn close_due(&mut self, at: Mono) {
        while let Some(nth) = self.recordings.iter().position(|it| it.closes() <= at) {
            self.close_recording(nth, at);
        }
    }

    /// Closes one window: ranks, advises, hands out.
    pub(super) fn close_recording(&mut self, nth: usize, at: Mono) {
        let district = self.recordings[nth].district;
        let number = self.recordings[nth].number;
        let mine = |it: &super::Episode| it.fault == Some(number);
        if self.episodes[district.at()].as_ref().is_some_and(mine) {
            self.end_episode(district, at);
        }
        let mut recording = self.recordings.remove(nth);
        let evidence = self.evidence_for(&recording);
        self.hand_on(&mut recording, &evidence);
        self.remember_train(&evidence);
        let layout = std::sync::Arc::clone(&self.model.layout);
        let suspects = locate::rank(&evidence, &layout);
        let feed = self.model.feed_at(Feed::District(district));
        let booster = layout.districts[district.at()].booster.at();
        let off = self.powers[feed].is_proved_off() || self.powers[booster].is_proved_off();
        let cut = match (off, self.cut_target(district)) {
            (true, _) => locate::Cut::Proved,
            (false, Some(_)) => locate::Cut::NotProved,
            (false, None) => locate::Cut::Impossible,
        };
        let residual = self.guards[district.at()].settings().residual;
        let current = self.model.district_current[district.at()];
        let mut record = recording.close(at, current, residual);
        record.inseparable = locate::inseparable(&evidence, &suspects, &layout);
        record.advice = locate::advice(&evidence, &suspects, (district, cut), &layout);
        record.suspects = suspects;
        record.evidence = evidence;
        if self.closed.len() >= NAMEABLE {
            self.closed.pop_front();
        }
        self.closed.push_back((number, record.suspects.iter().map(|it| it.accused).collect()));
        self.emit(at, Decision::FaultClosed(Box::new(record)));
        self.refresh_timer(Timer::Recorder);
    }

    /// Who would be named first if the window closed at this instant.
    pub(super) fn first_suspect(&self, recording: &Recording) -> Option<Accused> {
        let evidence = self.evidence_for(recording);
        locate::rank(&evidence, &self.model.layout).first().map(|it| it.accused)
    }
}
