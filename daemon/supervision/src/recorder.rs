//! The fault recorder: what was seen before and after a trip, one recording a fault.

use wiring::{
    index::{ChannelIx, DistrictIx, FrogIx, MachineIx},
    units::{Microamps, Micros, Mono},
};

use crate::{
    cause::Cause,
    input::{Feed, MachinePosition, MeasuredPolarity, Value},
    locate::Evidence,
    output::{Decision, ExpectedPolarity, Order, Output, ProofStrength},
    record::{Beside, ContactStress, Cut, FaultNumber, FaultRecord, Waveform},
    store::Store,
};

/// Samples from so long before the trigger.
pub(crate) const PRE_TRIGGER: Micros = Micros::from_millis(2000);
/// To so long after it.
pub(crate) const POST_TRIGGER: Micros = Micros::from_millis(3000);
/// Samples of one channel after the trigger: 3 s at 200 Hz.
const MOST_SAMPLES: usize = 600;
/// Events of one record.
const MOST_EVENTS: usize = 256;

/// A fault while its window is open.
#[derive(Debug)]
pub(crate) struct Recording {
    pub(crate) number: FaultNumber,
    pub(crate) district: DistrictIx,
    pub(crate) cause: Cause,
    pub(crate) onset: Mono,
    pub(crate) trigger: Mono,
    /// The load before the fault, and current from which on it flows.
    pub(crate) base: Microamps,
    pub(crate) pickup: Microamps,
    waveforms: Vec<Waveform>,
    /// Samples of each waveform that are from before the trigger.
    before: Vec<usize>,
    events: Vec<Output>,
    cuts: Vec<Cut>,
    pub(crate) contacts: Vec<ContactStress>,
    pub(crate) positions: Vec<(MachineIx, MachinePosition)>,
    pub(crate) polarity: Vec<(FrogIx, ExpectedPolarity, Option<MeasuredPolarity>)>,
    pub(crate) evidence: Evidence,
    /// What an earlier record of the same fault, in another district, was ranked by: this one is ranked by it too.
    pub(crate) joined: Option<Box<Evidence>>,
    /// The other records of the same fault.
    pub(crate) beside: Vec<Beside>,
}

/// What a recording begins with.
#[derive(Debug)]
pub(crate) struct Opening {
    pub(crate) number: FaultNumber,
    pub(crate) district: DistrictIx,
    pub(crate) cause: Cause,
    pub(crate) onset: Mono,
    pub(crate) trigger: Mono,
    pub(crate) base: Microamps,
    pub(crate) pickup: Microamps,
    pub(crate) positions: Vec<(MachineIx, MachinePosition)>,
    pub(crate) polarity: Vec<(FrogIx, ExpectedPolarity, Option<MeasuredPolarity>)>,
    pub(crate) evidence: Evidence,
    pub(crate) events: Vec<Output>,
}

impl Recording {
    /// Opens with what the channels of the district kept.
    pub(crate) fn open(opening: Opening, members: &[ChannelIx], store: &Store) -> Self {
        let from = opening.trigger - PRE_TRIGGER;
        let waveforms: Vec<Waveform> = members
            .iter()
            .map(|&channel| {
                let kept = store.slot(channel).samples();
                let samples = kept.iter().filter(|(at, _)| from <= *at).collect();
                Waveform { channel, samples }
            })
            .collect();
        let before = waveforms.iter().map(|it| it.samples.len()).collect();
        let Opening {
            number,
            district,
            cause,
            onset,
            trigger,
            base,
            pickup,
            positions,
            polarity,
            evidence,
            events,
        } = opening;
        Self {
            number,
            district,
            cause,
            onset,
            trigger,
            base,
            pickup,
            waveforms,
            before,
            events,
            cuts: Vec::new(),
            contacts: Vec::new(),
            positions,
            polarity,
            evidence,
            joined: None,
            beside: Vec::new(),
        }
    }

    /// The line of this fault in another district's record of it.
    pub(crate) const fn as_beside(&self) -> Beside {
        Beside {
            district: self.district,
            fault: self.number,
            cause: self.cause,
            trigger: self.trigger,
        }
    }

    /// A sample after the trigger.
    pub(crate) fn handle_sample(&mut self, channel: ChannelIx, at: Mono, value: Value) {
        let Ok(nth) = self.waveforms.binary_search_by_key(&channel, |it| it.channel) else {
            return;
        };
        let samples = &mut self.waveforms[nth].samples;
        if samples.len() < self.before[nth] + MOST_SAMPLES {
            samples.push((at, value));
        }
    }

    /// Anything that went out, but the records of other faults: one that holds another doubles with each fault of a
    /// burst, in time and in memory.
    pub(crate) fn handle_output(&mut self, output: &Output) {
        let is_record = matches!(output.what, Decision::FaultClosed(_));
        if !is_record && self.events.len() < MOST_EVENTS {
            self.events.push(output.clone());
        }
    }

    /// A cut was ordered.
    pub(crate) fn handle_cut(&mut self, feed: Feed, order: &Order, at: Mono) {
        if !self.cuts.iter().any(|cut| cut.feed == feed) {
            self.cuts.push(Cut { feed, order: order.clone(), ordered: at, proved: None });
        }
    }

    /// It was proved.
    pub(crate) fn handle_proof(&mut self, feed: Feed, at: Mono, strength: ProofStrength) {
        let open = |cut: &&mut Cut| cut.feed == feed && cut.proved.is_none();
        if let Some(cut) = self.cuts.iter_mut().find(open) {
            cut.proved = Some((at, strength));
        }
    }

    /// When the first cut was ordered.
    pub(crate) fn first_cut(&self) -> Option<Mono> {
        self.cuts.iter().map(|cut| cut.ordered).min()
    }

    /// When the window closes.
    pub(crate) fn closes(&self) -> Mono {
        self.trigger + POST_TRIGGER
    }

    /// Samples of one channel so far.
    pub(crate) fn samples(&self, channel: ChannelIx) -> &[(Mono, Value)] {
        match self.waveforms.binary_search_by_key(&channel, |it| it.channel) {
            Ok(nth) => &self.waveforms[nth].samples,
            Err(_) => &[],
        }
    }

    /// Currents of one channel from the onset on.
    pub(crate) fn currents(&self, channel: ChannelIx) -> impl Iterator<Item = (Mono, Microamps)> {
        let from = self.onset;
        self.samples(channel).iter().filter_map(move |(at, value)| match value {
            Value::Current(amps) if from <= *at => Some((*at, *amps)),
            _ => None,
        })
    }

    /// The end of fault current: the first sample below where it began, after the onset.
    pub(crate) fn end(&self, channel: ChannelIx, residual: Microamps) -> Option<Mono> {
        // Without a fault current of its own the end is the end of all current.
        let of_fault = self.pickup != Microamps(i64::MAX);
        let near_load = self.pickup.min(self.base + Microamps(500_000)).max(residual);
        let gone = if of_fault { near_load } else { residual };
        self.currents(channel).find(|(at, amps)| self.onset < *at && *amps < gone).map(|(at, _)| at)
    }

    /// Makes the record. Suspects and advice are the locator's.
    pub(crate) fn close(
        self,
        closed: Mono,
        current: ChannelIx,
        residual: Microamps,
    ) -> FaultRecord {
        let end = self.end(current, residual);
        let peak = self.currents(current).map(|(_, amps)| amps).max().unwrap_or(Microamps::ZERO);
        FaultRecord {
            number: self.number,
            district: self.district,
            cause: self.cause,
            onset: self.onset,
            trigger: self.trigger,
            closed,
            cut_short: closed < self.trigger + POST_TRIGGER,
            peak,
            cleared_after: end.map(|end| end.since(self.onset)),
            cuts: self.cuts,
            waveforms: self
                .waveforms
                .into_iter()
                .filter(|waveform| !waveform.samples.is_empty())
                .collect(),
            events: self.events,
            positions: self.positions,
            polarity: self.polarity,
            contacts: self.contacts,
            evidence: self.evidence,
            suspects: Vec::new(),
            inseparable: None,
            advice: crate::record::Advice::default(),
            beside: self.beside,
        }
    }
}
