//! The trip test: an order to cut, and what shows that it was obeyed.

use wiring::units::{Microamps, Micros, Mono};

use super::DistrictSight;
use crate::output::{PowerState, ProofStrength};

/// A cut that was ordered to see it go.
#[derive(Clone, Copy, Debug)]
pub(crate) struct TripTest {
    pub(crate) ordered: Mono,
    /// Current when it was ordered.
    pub(crate) before: Option<Microamps>,
    /// When the actuator said off.
    pub(crate) feedback: Option<Micros>,
    /// When the current was gone.
    pub(crate) gone: Option<Micros>,
    pub(crate) end: Option<TripEnd>,
}

/// How it ended.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum TripEnd {
    /// Proved after this.
    Proved(Micros, ProofStrength),
    /// Proved after this, when it had been given up: every fault would take the booster too.
    Late(Micros),
    /// Given up: current flows, or the actuator says on.
    Failed,
    /// Given up: nothing shows that it is on, and no reading came in time to prove that it is off.
    Unproved,
}

impl TripTest {
    pub(crate) const fn new(before: Option<Microamps>, now: Mono) -> Self {
        Self { ordered: now, before, feedback: None, gone: None, end: None }
    }

    pub(crate) fn handle(&mut self, sight: &DistrictSight, residual: Microamps, now: Mono) {
        if matches!(self.end, Some(TripEnd::Proved(..) | TripEnd::Late(_))) {
            return;
        }
        let since = now.since(self.ordered);
        if sight.feedback == Some(false) {
            self.feedback.get_or_insert(since);
        }
        if sight.amps.is_some_and(|amps| amps < residual) && sight.amps_told > Some(self.ordered) {
            self.gone.get_or_insert(since);
        }
        // What was told before the order says nothing about it.
        let is_deaf = sight.amps_told.is_some_and(|at| at <= self.ordered);
        let flows = sight.amps.is_some_and(|amps| residual <= amps);
        let shows_on = !is_deaf && (flows || sight.feedback == Some(true));
        self.end = match (sight.power, sight.proved, self.end) {
            (Some(PowerState::Cut), Some((after, how)), None) => Some(TripEnd::Proved(after, how)),
            (Some(PowerState::Cut), Some((after, _)), Some(_)) => Some(TripEnd::Late(after)),
            (Some(PowerState::CutFailed), ..) if shows_on => Some(TripEnd::Failed),
            (Some(PowerState::CutFailed), _, None) => Some(TripEnd::Unproved),
            (_, _, before) => before,
        };
    }

    /// A current flowed that could be seen to go.
    pub(crate) fn had_load(&self, residual: Microamps) -> bool {
        self.before.is_some_and(|before| residual + residual <= before)
    }
}
