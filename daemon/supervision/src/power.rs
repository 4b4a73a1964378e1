//! Power of one feed: how it is found, a cut and its proof (IEEE C37.2: 50BF), a restore and its sight.
//!
//! An order is not a state: a cut counts when readings taken after it prove it. Trying never stops.

mod cut;

use std::collections::VecDeque;

use wiring::{
    protection::CutProof,
    units::{Microamps, Micros, Millivolts, Mono},
};

use self::cut::CutOrder;
use crate::{
    cause::Cause,
    noise::Noise,
    output::{Action, PowerState, ProofStrength},
    record::FaultNumber,
};

/// Two fresh samples prove, or show that current still flows.
const SAMPLES: u32 = 2;
/// A switched-on feed without a sensor that could show it counts as on after this.
const SEEN_WITHIN: Micros = Micros::from_millis(1000);
/// Voltage below this part of the booster's is none. Unit: percent.
const NO_VOLTAGE: i64 = 10;
/// Current from here on shows that power is there.
const FLOWS: Microamps = Microamps(5000);
/// A cut from before the start waits so long for its actuator's node.
const NODE_WITHIN: Micros = Micros::from_millis(5000);

/// What is fixed about a feed.
#[derive(Clone, Copy, Debug)]
pub(crate) struct PowerSettings {
    /// There is an actuator.
    pub(crate) actuator: bool,
    /// Below this no current flows; none: told by the sensor's noise.
    pub(crate) residual: Option<Microamps>,
    /// Proof is due after this.
    pub(crate) cut_within: Micros,
    /// Fault current must be gone after this.
    pub(crate) still_shorted_after: Micros,
    /// How a cut is proved; none: the best there is.
    pub(crate) proof: Option<CutProof>,
    /// Volts of the booster.
    pub(crate) volts: Millivolts,
    /// Voltage follows the throttle: none is no sign.
    pub(crate) dc: bool,
}

/// A sample with what it may prove.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Proving {
    /// When.
    pub(crate) at: Mono,
    /// Fresh and ordered.
    pub(crate) proves: bool,
}

/// What came of it.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Told {
    /// Hand this order out.
    Order {
        /// Cut or on.
        action: Action,
        /// Why.
        cause: Cause,
        /// For which fault.
        fault: Option<FaultNumber>,
        /// Which repetition.
        attempt: u8,
    },
    /// It did not cut: the feed above must go.
    CutAbove(Cause, Option<FaultNumber>),
    /// Proof failed for now.
    Failed(Cause),
    /// The cut is proved.
    Proved(Micros, ProofStrength),
    /// The state changed.
    Changed(PowerState),
    /// Power went without an order; so much flowed before.
    Gone(Microamps),
    /// Power is back.
    Back,
}

/// Power of one feed.
#[derive(Debug)]
pub(crate) struct Power {
    settings: PowerSettings,
    state: PowerState,
    cut: Option<CutOrder>,
    switched_on: Option<Mono>,
    /// It has been seen on since the start.
    been_on: bool,
    feedback: Option<bool>,
    has_feedback: bool,
    has_current: bool,
    has_voltage: bool,
    no_voltage: bool,
    /// Samples in a row that show power gone without an order, or current come back after a proved cut.
    odd: u32,
    last: Microamps,
    noise: Noise,
    /// Its node fell silent: by then its outputs are off by permit.
    off_by: Option<Mono>,
    told: VecDeque<(Mono, Told)>,
}

impl Power {
    /// Nothing is known of it.
    pub(crate) fn new(settings: PowerSettings) -> Self {
        Self {
            settings,
            state: PowerState::Unknown,
            cut: None,
            switched_on: None,
            been_on: false,
            feedback: None,
            has_feedback: false,
            has_current: false,
            has_voltage: false,
            no_voltage: false,
            odd: 0,
            last: Microamps::ZERO,
            noise: Noise::default(),
            off_by: None,
            told: VecDeque::new(),
        }
    }

    /// Other settings, from the next reading on.
    pub(crate) fn resettle(&mut self, settings: PowerSettings) {
        self.settings = settings;
    }

    /// The transport of its actuator is known: proof is due after this.
    pub(crate) fn handle_transport(&mut self, cut_within: Micros) {
        self.settings.cut_within = cut_within;
    }

    /// What came of the last calls, oldest first.
    pub(crate) fn poll(&mut self) -> Option<(Mono, Told)> {
        self.told.pop_front()
    }

    /// Cut it. Fault current is current above `pickup`.
    pub(crate) fn order_cut(
        &mut self,
        cause: Cause,
        fault: Option<FaultNumber>,
        pickup: Microamps,
        now: Mono,
    ) {
        self.switched_on = None;
        self.odd = 0;
        let cut = CutOrder::new(cause, fault, pickup.max(self.residual()), now);
        self.cut = Some(cut);
        self.tell(now, cut.told());
        self.change(PowerState::Cutting, now);
    }

    /// A cut is known from before the start. It is ordered afresh, and its proof is due when its node is there.
    pub(crate) fn remember_cut(&mut self, cause: Cause, fault: Option<FaultNumber>, now: Mono) {
        self.order_cut(cause, fault, Microamps(i64::MAX), now);
        if let Some(cut) = &mut self.cut {
            cut.early = true;
        }
    }

    /// Switch it on.
    pub(crate) fn order_on(&mut self, cause: Cause, fault: Option<FaultNumber>, now: Mono) {
        self.cut = None;
        self.odd = 0;
        self.switched_on = Some(now);
        self.feedback = None;
        self.tell(now, Told::Order { action: Action::On, cause, fault, attempt: 1 });
        self.change(PowerState::Restoring, now);
        self.tell(now, Told::Back);
    }

    /// The feed above it is off, so it is.
    pub(crate) fn handle_above_off(&mut self, strength: ProofStrength, now: Mono) {
        match self.state {
            PowerState::Cutting | PowerState::CutFailed => self.prove(strength, now),
            PowerState::On | PowerState::Restoring | PowerState::Unknown => {
                self.change(PowerState::Cut, now);
            }
            PowerState::Cut => {}
        }
    }

    /// The feed above it is on again: what was not cut itself comes with it.
    pub(crate) fn handle_above_on(&mut self, now: Mono) {
        if self.state == PowerState::Cut && self.cut.is_none() {
            self.change(PowerState::Unknown, now);
            self.tell(now, Told::Back);
        }
    }

    /// A current sample.
    pub(crate) fn handle_current(&mut self, amps: Microamps, sample: Proving) {
        self.has_current = true;
        if !self.is_cutting() {
            self.noise.handle(amps);
        }
        match self.state {
            PowerState::Unknown if FLOWS <= amps => self.show_on(sample.at),
            // The actuator has not switched yet: the noise of its own sensor shows nothing.
            PowerState::Restoring if FLOWS.max(self.residual()) <= amps => self.show_on(sample.at),
            PowerState::Unknown | PowerState::Restoring => {}
            PowerState::On => self.last = amps,
            PowerState::Cut => self.judge_return(amps, sample),
            PowerState::Cutting | PowerState::CutFailed => self.judge_cut(amps, sample),
        }
        self.judge_permit(amps, sample);
    }

    fn judge_return(&mut self, amps: Microamps, sample: Proving) {
        if self.cut.is_none() {
            // Something has shown that it is off: the noise of its own sensor shows nothing else.
            if FLOWS.max(self.residual()) <= amps {
                self.show_on(sample.at);
            }
            return;
        }
        self.odd = if self.residual() < amps { self.odd + 1 } else { 0 };
        if self.odd >= SAMPLES {
            self.cut_again(Some(amps), sample.at);
        }
    }

    fn judge_cut(&mut self, amps: Microamps, sample: Proving) {
        let (residual, patience) = (self.residual(), self.settings.still_shorted_after);
        let Some(cut) = &mut self.cut else { return };
        if sample.at <= cut.first {
            return;
        }
        cut.handle_current(amps, residual, sample.proves);
        if cut.is_above() && cut.first + patience <= sample.at && !cut.escalated {
            self.escalate(Some(amps), sample.at);
        }
        self.try_proof(sample.at);
    }

    /// The node is silent: its outputs are off by permit, or it has none and counts as failed.
    fn judge_permit(&mut self, amps: Microamps, sample: Proving) {
        let Some(by) = self.off_by.filter(|by| *by <= sample.at) else { return };
        if self.state != PowerState::On {
            return;
        }
        self.odd = if self.residual() < amps { self.odd + 1 } else { 0 };
        if self.odd >= SAMPLES {
            let waited = sample.at.since(by);
            self.off_by = None;
            self.fail_permit(Cause::CutFailure { seen: Some(amps), waited }, sample.at);
        }
    }

    fn fail_permit(&mut self, cause: Cause, now: Mono) {
        self.order_cut(cause, None, self.residual(), now);
        if let Some(cut) = &mut self.cut {
            cut.escalated = true;
        }
        self.tell(now, Told::Failed(cause));
        self.tell(now, Told::CutAbove(cause, None));
        self.change(PowerState::CutFailed, now);
    }

    /// The node of its actuator fell silent. `permit` says after how long its outputs are off; none: never by itself.
    pub(crate) fn handle_node_lost(&mut self, permit: Option<Micros>, now: Mono) {
        if !matches!(self.state, PowerState::On | PowerState::Restoring) {
            return;
        }
        match permit {
            Some(permit) => self.off_by = Some(now + permit),
            None => {
                let cause = Cause::CutFailure { seen: None, waited: Micros::ZERO };
                self.fail_permit(cause, now);
            }
        }
    }

    /// The node of its actuator lives. After a restart of its own, a cut is ordered again.
    pub(crate) fn handle_node_back(&mut self, now: Mono) {
        self.off_by = None;
        if let Some(cut) = &mut self.cut {
            cut.handle_node_back(now);
            let order = cut.told();
            self.tell(now, order);
        }
    }

    /// A voltage reading.
    pub(crate) fn handle_voltage(&mut self, volts: Millivolts, sample: Proving) {
        self.has_voltage = true;
        let none = volts < self.settings.volts.percent(NO_VOLTAGE);
        // A voltmeter before an actuator that says it is off shows its supply, not its track.
        let there = self.settings.volts.percent(50) <= volts && self.feedback != Some(false);
        self.no_voltage = none && !self.settings.dc;
        match self.state {
            PowerState::Unknown | PowerState::Restoring if there => self.show_on(sample.at),
            PowerState::Unknown | PowerState::Restoring => {}
            PowerState::On if none && !self.settings.dc && self.is_idle() => {
                self.odd += 1;
                if self.odd >= SAMPLES {
                    self.go(sample.at);
                }
            }
            PowerState::On => self.odd = 0,
            PowerState::Cut if there && self.cut.is_none() => self.show_on(sample.at),
            PowerState::Cut => {}
            PowerState::Cutting | PowerState::CutFailed => {
                if let Some(cut) = &mut self.cut {
                    cut.handle_voltage(none, sample);
                }
                self.try_proof(sample.at);
            }
        }
    }

    fn is_idle(&self) -> bool {
        !self.has_current || self.last < self.residual()
    }

    /// What the actuator says of itself.
    pub(crate) fn handle_feedback(&mut self, on: bool, now: Mono) {
        let is_first_word = self.feedback.replace(on).is_none();
        self.has_feedback = true;
        match (self.state, on) {
            // Volts alone had shown it on: they are those of its supply, and it was off all the time.
            (PowerState::On, false) if is_first_word && self.is_idle() => {
                self.change(PowerState::Cut, now);
                self.been_on = false;
            }
            (PowerState::Unknown | PowerState::Restoring, true) => self.show_on(now),
            (PowerState::Unknown, false) => self.change(PowerState::Cut, now),
            (PowerState::On, false) => self.go(now),
            (PowerState::Cut, true) if self.cut.is_none() => self.show_on(now),
            (PowerState::Cut, true) => self.cut_again(None, now),
            (PowerState::Cutting | PowerState::CutFailed, _) => self.try_proof(now),
            (PowerState::On, true) | (PowerState::Restoring | PowerState::Cut, false) => {}
        }
    }

    /// A current or voltage below it shows that it is on.
    pub(crate) fn handle_seen(&mut self, now: Mono) {
        let unsure = matches!(self.state, PowerState::Unknown | PowerState::Restoring);
        if unsure || (self.state == PowerState::Cut && self.cut.is_none()) {
            self.show_on(now);
        }
    }

    fn show_on(&mut self, now: Mono) {
        let back = self.state == PowerState::Cut;
        self.switched_on = None;
        self.odd = 0;
        self.change(PowerState::On, now);
        if back {
            self.tell(now, Told::Back);
        }
    }

    fn go(&mut self, now: Mono) {
        self.odd = 0;
        self.change(PowerState::Cut, now);
        self.tell(now, Told::Gone(self.last));
    }

    /// The order did not get out, or the node refused it: nobody waits for its proof. The feed above goes at once,
    /// and a restore is forgotten.
    pub(crate) fn handle_not_sent(&mut self, now: Mono) {
        match self.state {
            PowerState::Cutting | PowerState::CutFailed => {
                if self.cut.is_some_and(|cut| !cut.escalated && !cut.early) {
                    self.escalate(None, now);
                }
            }
            PowerState::Restoring => {
                self.switched_on = None;
                self.change(PowerState::Cut, now);
            }
            PowerState::Unknown | PowerState::On | PowerState::Cut => {}
        }
    }

    /// Settles what fell due.
    pub(crate) fn handle_timeout(&mut self, now: Mono) {
        if self.poll_deadline().is_none_or(|due| now < due) {
            return;
        }
        if self.switched_on.is_some() {
            self.switched_on = None;
            if self.feedback == Some(false) {
                // It did not switch on. A person may try again.
                self.change(PowerState::Cut, now);
            } else {
                self.show_on(now);
            }
            return;
        }
        let Some(cut) = self.cut else { return };
        if self.settings.proof == Some(CutProof::None) {
            self.prove(ProofStrength::Weak, now);
        } else if cut.attempt > 1 && !cut.escalated {
            self.escalate(None, now);
        } else {
            self.cut_again(None, now);
        }
    }

    /// When proof, or the sight of power, is due.
    pub(crate) fn poll_deadline(&self) -> Option<Mono> {
        match self.state {
            PowerState::Cutting | PowerState::CutFailed => {
                let within = self.settings.cut_within;
                self.cut
                    .map(|cut| cut.last + if cut.early { within.max(NODE_WITHIN) } else { within })
            }
            PowerState::Restoring => self.switched_on.map(|at| at + SEEN_WITHIN),
            PowerState::Unknown | PowerState::On | PowerState::Cut => None,
        }
    }

    /// Orders again and says that it failed.
    fn cut_again(&mut self, seen: Option<Microamps>, now: Mono) {
        let Some(cut) = &mut self.cut else { return };
        cut.repeat(now);
        let cut = *cut;
        self.odd = 0;
        self.tell(now, cut.told());
        if self.state != PowerState::CutFailed {
            let cause = Cause::CutFailure { seen, waited: now.since(cut.first) };
            self.tell(now, Told::Failed(cause));
            self.change(PowerState::CutFailed, now);
        }
    }

    /// Orders again by every means, and the feed above goes.
    fn escalate(&mut self, seen: Option<Microamps>, now: Mono) {
        let Some(cut) = &mut self.cut else { return };
        cut.escalated = true;
        let (first, fault) = (cut.first, cut.fault);
        self.cut_again(seen, now);
        let cause = Cause::CutFailure { seen, waited: now.since(first) };
        self.tell(now, Told::CutAbove(cause, fault));
    }

    fn try_proof(&mut self, now: Mono) {
        let Some(cut) = self.cut else { return };
        let says_off = self.feedback == Some(false);
        let proved = match self.proof() {
            CutProof::Current if !cut.is_low() => None,
            CutProof::Current => match self.feedback {
                Some(false) => Some(ProofStrength::Strong),
                Some(true) => None,
                None if self.has_feedback => None,
                None => Some(ProofStrength::Weak),
            },
            CutProof::Voltage => cut.is_dead().then_some(ProofStrength::Weak),
            CutProof::Feedback => says_off.then_some(ProofStrength::Weak),
            CutProof::None => None,
        };
        if let Some(strength) = proved {
            self.prove(strength, now);
        }
    }

    /// The proof in force: as configured, or the best there is.
    pub(crate) fn proof(&self) -> CutProof {
        self.settings.proof.unwrap_or(if self.has_current {
            CutProof::Current
        } else if self.has_voltage {
            CutProof::Voltage
        } else {
            CutProof::Feedback
        })
    }

    fn prove(&mut self, strength: ProofStrength, now: Mono) {
        let first = self.cut.map_or(now, |cut| cut.first);
        self.odd = 0;
        self.tell(now, Told::Proved(now.since(first), strength));
        self.change(PowerState::Cut, now);
    }

    fn change(&mut self, state: PowerState, now: Mono) {
        if self.state != state {
            self.state = state;
            self.been_on |= state == PowerState::On;
            self.tell(now, Told::Changed(state));
        }
    }

    fn tell(&mut self, now: Mono, told: Told) {
        self.told.push_back((now, told));
    }

    /// The state.
    pub(crate) const fn state(&self) -> PowerState {
        self.state
    }

    const fn is_cutting(&self) -> bool {
        matches!(self.state, PowerState::Cutting | PowerState::CutFailed)
    }

    /// Below this no current flows: as set, or by the sensor's noise.
    pub(crate) fn residual(&self) -> Microamps {
        self.settings.residual.unwrap_or_else(|| self.noise.residual())
    }

    /// It has been seen on since the start.
    pub(crate) const fn has_been_on(&self) -> bool {
        self.been_on
    }

    /// There is an actuator.
    pub(crate) const fn has_actuator(&self) -> bool {
        self.settings.actuator
    }

    /// A cut of ours stands, proved or not.
    pub(crate) const fn is_cut_by_order(&self) -> bool {
        self.cut.is_some()
    }

    /// Why it is off, and the fault that did it.
    pub(crate) fn why(&self) -> Option<(Cause, Option<FaultNumber>)> {
        self.cut.map(|cut| (cut.cause, cut.fault))
    }

    /// Cut by us and proved.
    pub(crate) fn is_proved_off(&self) -> bool {
        self.state == PowerState::Cut
    }

    /// On, as far as anything shows.
    pub(crate) fn is_on(&self) -> bool {
        self.state == PowerState::On
    }

    /// Elements judge its current: it is not known to be off.
    pub(crate) const fn is_guarded(&self) -> bool {
        matches!(self.state, PowerState::Unknown | PowerState::On | PowerState::Restoring)
    }

    /// Its latest voltage is none.
    pub(crate) const fn is_dead(&self) -> bool {
        self.no_voltage
    }

    /// The actuator says off.
    pub(crate) fn says_off(&self) -> bool {
        self.feedback == Some(false)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_district_is_on_when_feedback_or_current_shows_it() {
        check("0:fb=on", "0 on");
        check("0:0.0 10:0.3", "10 on");
        check("0:0.0 10:0.0", "");
    }

    #[test]
    fn a_cut_is_proved_by_feedback_and_two_samples_taken_after_it() {
        check(
            "0:fb=on 100:cut 100:0.0 110:0.0 120:fb=off 130:0.0",
            "0 on; 100 cut#1; 100 cutting; 130 proved strong; 130 cut",
        );
    }

    #[test]
    fn without_feedback_the_proof_is_weak() {
        check(
            "0:0.3 100:cut 110:0.0 120:0.0",
            "0 on; 100 cut#1; 100 cutting; 120 proved weak; 120 cut",
        );
    }

    #[test]
    fn fault_current_that_stays_takes_the_feed_above_at_once() {
        check(
            "0:0.3 100:cut 120:5 140:5 160:5 180:0 200:0",
            "0 on; 100 cut#1; 100 cutting; 160 cut#2; 160 failed; 160 cut-failed; 160 above; \
             200 proved weak; 200 cut",
        );
    }

    #[test]
    fn silence_after_a_cut_is_no_proof_and_trying_never_stops() {
        check(
            "0:0.3 100:cut 1400:tick",
            "0 on; 100 cut#1; 100 cutting; 400 cut#2; 400 failed; 400 cut-failed; 700 cut#3; 700 above; \
             1000 cut#4; 1300 cut#5",
        );
    }

    #[test]
    fn current_that_comes_back_after_a_proved_cut_is_cut_again() {
        check(
            "0:0.3 100:cut 110:0 120:0 500:1 520:1",
            "0 on; 100 cut#1; 100 cutting; 120 proved weak; 120 cut; 520 cut#2; 520 failed; 520 cut-failed",
        );
    }

    #[test]
    fn a_breaker_that_opens_or_recloses_by_itself_is_told() {
        check("0:fb=on 50:0.3 100:fb=off 900:fb=on", "0 on; 100 cut; 100 gone; 900 on; 900 back");
    }

    #[test]
    fn the_noise_of_a_sensor_does_not_show_power_where_it_went_by_itself() {
        check(
            "0:fb=on 50:0.3 100:fb=off 110:0.02 120:0.04 900:0.1",
            "0 on; 100 cut; 100 gone; 900 on; 900 back",
        );
    }

    #[test]
    fn the_noise_of_a_sensor_is_no_sight_of_a_restore() {
        check(
            "0:fb=on 50:0.3 100:cut 110:0 120:0 120:fb=off 500:on 510:0.02 650:fb=on",
            "0 on; 100 cut#1; 100 cutting; 120 proved strong; 120 cut; 500 on#1; 500 restoring; 500 back; 650 on",
        );
    }

    #[test]
    fn a_restore_is_seen_by_its_current() {
        check(
            "0:0.3 100:cut 110:0 120:0 500:on 520:0.2",
            "0 on; 100 cut#1; 100 cutting; 120 proved weak; 120 cut; 500 on#1; 500 restoring; 500 back; 520 on",
        );
    }

    #[track_caller]
    fn check(events: &str, want: &str) {
        let mut sut = Power::new(PowerSettings {
            actuator: true,
            residual: Some(Microamps(50_000)),
            cut_within: Micros::from_millis(300),
            still_shorted_after: Micros::from_millis(60),
            proof: None,
            volts: Millivolts(15_000),
            dc: false,
        });
        let mut got = Vec::new();
        for event in events.split_whitespace() {
            let (at, what) = event.split_once(':').unwrap();
            let at = Mono(at.parse::<u64>().unwrap() * 1000);
            while let Some(due) = sut.poll_deadline().filter(|due| *due <= at) {
                sut.handle_timeout(due);
            }
            match what {
                "tick" => {}
                "fb=on" => sut.handle_feedback(true, at),
                "fb=off" => sut.handle_feedback(false, at),
                "cut" => sut.order_cut(Cause::Operator, None, Microamps(2_000_000), at),
                "on" => sut.order_on(Cause::Operator, None, at),
                amps => {
                    let amps = Microamps::from_amps(amps.parse().unwrap());
                    sut.handle_current(amps, Proving { at, proves: true });
                }
            }
            while let Some((at, told)) = sut.poll() {
                got.push(format!("{} {}", at.0 / 1000, show(told)));
            }
        }
        assert_eq!(got.join("; "), want);
    }

    fn show(told: Told) -> String {
        match told {
            Told::Order { action, attempt, .. } => format!("{}#{attempt}", action.word()),
            Told::CutAbove(..) => "above".to_owned(),
            Told::Failed(..) => "failed".to_owned(),
            Told::Proved(_, ProofStrength::Strong) => "proved strong".to_owned(),
            Told::Proved(_, ProofStrength::Weak) => "proved weak".to_owned(),
            Told::Changed(state) => state.word().to_owned(),
            Told::Gone(_) => "gone".to_owned(),
            Told::Back => "back".to_owned(),
        }
    }
}
