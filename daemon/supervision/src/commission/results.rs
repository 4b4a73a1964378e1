//! What came of the steps of one session so far, at most one result a step.

use super::{Outcome, Step, StepResult};

/// Results by step.
#[derive(Debug)]
pub(crate) struct Results([Option<StepResult>; Step::ALL.len()]);

impl Results {
    pub(super) fn new(known: Vec<StepResult>) -> Self {
        let mut it = Self(std::array::from_fn(|_| None));
        known.into_iter().for_each(|result| it.keep(result));
        it
    }

    /// In the place of what was there of the same step.
    pub(super) fn keep(&mut self, result: StepResult) {
        let at = result.step.at();
        self.0[at] = Some(result);
    }

    pub(super) fn forget(&mut self, step: Step) {
        self.0[step.at()] = None;
    }

    pub(super) fn forget_failure(&mut self, step: Step) {
        self.0[step.at()].take_if(|it| it.outcome == Outcome::Failed);
    }

    /// In order of the steps.
    pub(crate) fn iter(&self) -> impl Iterator<Item = &StepResult> {
        self.0.iter().flatten()
    }

    pub(super) fn of(&self, step: Step) -> Option<&StepResult> {
        self.0[step.at()].as_ref()
    }

    pub(super) fn is(&self, step: Step, outcome: Outcome) -> bool {
        self.of(step).is_some_and(|it| it.outcome == outcome)
    }

    /// It failed already for the same reason.
    pub(super) fn has_failure(&self, step: Step, detail: &str) -> bool {
        self.of(step).is_some_and(|it| it.outcome == Outcome::Failed && it.detail == detail)
    }

    /// The first step from here on that is neither passed nor skipped.
    pub(super) fn first_open(&self, from: Step) -> Step {
        let is_done = |it: Step| self.is(it, Outcome::Passed) || self.is(it, Outcome::Skipped);
        let mut rest = Step::ALL.into_iter().filter(|it| *it >= from);
        rest.find(|it| !is_done(*it)).unwrap_or(Step::Sign)
    }
}
