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
    /// It did not go.
    Failed,
}

impl TripTest {
    pub(crate) const fn new(before: Option<Microamps>, now: Mono) -> Self {
        Self { ordered: now, before, feedback: None, gone: None, end: None }
    }

    pub(crate) fn handle(&mut self, sight: &DistrictSight, residual: Microamps, now: Mono) {
        if self.end.is_some() {
            return;
        }
        let since = now.since(self.ordered);
        if sight.feedback == Some(false) {
            self.feedback.get_or_insert(since);
        }
        if sight.amps.is_some_and(|amps| amps < residual) {
            self.gone.get_or_insert(since);
        }
        self.end = match (sight.power, sight.proved) {
            (Some(PowerState::Cut), Some((after, how))) => Some(TripEnd::Proved(after, how)),
            (Some(PowerState::CutFailed), _) => Some(TripEnd::Failed),
            (_, _) => None,
        };
    }

    /// A current flowed that could be seen to go.
    pub(crate) fn had_load(&self, residual: Microamps) -> bool {
        self.before.is_some_and(|before| residual + residual <= before)
    }
}
