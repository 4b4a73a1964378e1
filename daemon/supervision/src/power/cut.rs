//! A cut under way or proved: who ordered it when, how often, and what readings taken after it show.

use wiring::units::{Microamps, Mono};

use super::{Proving, SAMPLES, Told};
use crate::{cause::Cause, output::Action, record::FaultNumber};

/// A cut under way or proved.
#[derive(Clone, Copy, Debug)]
pub(super) struct CutOrder {
    pub(super) cause: Cause,
    pub(super) fault: Option<FaultNumber>,
    pub(super) first: Mono,
    pub(super) last: Mono,
    pub(super) attempt: u8,
    /// Fault current is above this.
    pickup: Microamps,
    /// Fresh samples in a row after the order: above the pick-up, below the residual, without voltage.
    above: u32,
    low: u32,
    no_volts: u32,
    pub(super) escalated: bool,
    /// From before the start, and its actuator's node has not been heard yet: nobody could have obeyed.
    pub(super) early: bool,
}

impl CutOrder {
    /// Ordered now.
    pub(super) const fn new(
        cause: Cause,
        fault: Option<FaultNumber>,
        pickup: Microamps,
        now: Mono,
    ) -> Self {
        Self {
            cause,
            fault,
            first: now,
            last: now,
            attempt: 1,
            pickup,
            above: 0,
            low: 0,
            no_volts: 0,
            escalated: false,
            early: false,
        }
    }

    /// The order as it is to be handed out.
    pub(super) const fn told(&self) -> Told {
        let Self { cause, fault, attempt, .. } = *self;
        Told::Order { action: Action::Cut, cause, fault, attempt }
    }

    /// It is ordered again: low samples from before it prove nothing.
    pub(super) fn repeat(&mut self, now: Mono) {
        self.last = now;
        self.early = false;
        self.attempt = self.attempt.saturating_add(1);
        self.low = 0;
    }

    /// The node of its actuator lives. The first order that it can hear is the first.
    pub(super) fn handle_node_back(&mut self, now: Mono) {
        self.last = now;
        if self.early {
            self.early = false;
            self.first = now;
        } else {
            self.attempt = self.attempt.saturating_add(1);
        }
    }

    /// A current taken after the order.
    pub(super) fn handle_current(&mut self, amps: Microamps, residual: Microamps, proves: bool) {
        self.above = if self.pickup <= amps { self.above + 1 } else { 0 };
        if residual <= amps {
            self.low = 0;
        } else if proves {
            self.low += 1;
        }
    }

    /// A voltage; one from before the order says nothing.
    pub(super) fn handle_voltage(&mut self, none: bool, sample: Proving) {
        if self.first < sample.at {
            self.no_volts = if none && sample.proves { self.no_volts + 1 } else { 0 };
        }
    }

    /// Fault current still flows.
    pub(super) const fn is_above(&self) -> bool {
        SAMPLES <= self.above
    }

    /// No current flows.
    pub(super) const fn is_low(&self) -> bool {
        SAMPLES <= self.low
    }

    /// No voltage is left.
    pub(super) const fn is_dead(&self) -> bool {
        SAMPLES <= self.no_volts
    }
}
