//! The frogs of a machine under test: on the right rail in both positions?

use wiring::{found::Found, layout::Position, units::Mono};

use super::{FrogSight, STEADY, SeenFrog, throwing::index};
use crate::input::MeasuredPolarity;

/// What a frog was found to be in one position.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Finding {
    /// On the rail it must match.
    Right,
    /// On the other one.
    Wrong,
    /// On none.
    Dead,
    /// No train can be on it in this position.
    Free,
}

/// One frog.
#[derive(Clone, Debug, Default)]
pub(crate) struct FrogCheck {
    /// What it looks like now, in which position, since when.
    now: Option<(Position, Finding, Mono)>,
    /// By position.
    pub(crate) found: [Option<Finding>; 2],
    /// A person said it.
    pub(crate) told: bool,
}

impl FrogCheck {
    /// What can be seen with the machine at rest in `position`, or on its way.
    pub(crate) fn handle(&mut self, sight: FrogSight, position: Option<Position>, now: Mono) {
        if let (Some(position), true) = (position, sight.wrong) {
            self.found[index(position)] = Some(Finding::Wrong);
        }
        let finding = position.and_then(|position| Some((position, finding(sight)?)));
        let Some((position, finding)) = finding else {
            self.now = None;
            return;
        };
        match self.now {
            Some((at, before, _)) if (at, before) == (position, finding) => {}
            Some(_) | None => self.now = Some((position, finding, now)),
        }
    }

    /// What a person found.
    pub(crate) fn handle_told(&mut self, seen: SeenFrog, position: Position) {
        self.told = true;
        self.found[index(position)] = Some(match seen {
            SeenFrog::Matches => Finding::Right,
            SeenFrog::Wrong => Finding::Wrong,
            SeenFrog::Dead => Finding::Dead,
        });
    }

    /// What has stood for long enough is found.
    pub(crate) fn handle_timeout(&mut self, now: Mono) {
        if let Some((position, finding, since)) = self.now
            && since + STEADY <= now
        {
            self.found[index(position)] = Some(finding);
        }
    }

    /// When what is seen has stood for long enough.
    pub(crate) fn poll_deadline(&self) -> Option<Mono> {
        let (position, finding, since) = self.now?;
        (self.found[index(position)] != Some(finding)).then_some(since + STEADY)
    }

    /// Found in both positions, and nothing wrong.
    pub(crate) fn is_right(&self) -> bool {
        let good = |it: &Option<Finding>| matches!(it, Some(Finding::Right | Finding::Free));
        self.found.iter().all(good)
    }

    /// The likely mistake; none: nothing wrong so far.
    pub(crate) fn mistake(&self) -> Option<Found> {
        use Finding as F;
        let [normal, reverse] = self.found;
        match (normal, reverse) {
            (Some(F::Dead), Some(F::Dead)) => Some(Found::Dead),
            (Some(F::Dead), _) => Some(Found::DeadIn(Position::Normal)),
            (_, Some(F::Dead)) => Some(Found::DeadIn(Position::Reverse)),
            (Some(F::Wrong), Some(F::Right)) => Some(Found::Stays(Position::Normal)),
            (Some(F::Right), Some(F::Wrong)) => Some(Found::Stays(Position::Reverse)),
            (Some(F::Wrong), _) | (_, Some(F::Wrong)) => Some(Found::Swapped),
            (None | Some(F::Right | F::Free), None | Some(F::Right | F::Free)) => None,
        }
    }
}

fn finding(sight: FrogSight) -> Option<Finding> {
    let measured = sight.measured.filter(|_| sight.judged)?;
    Some(match (sight.right, measured) {
        (None, _) => Finding::Free,
        (Some(_), MeasuredPolarity::Dead) => Finding::Dead,
        (Some(right), MeasuredPolarity::On(on)) if right == on => Finding::Right,
        (Some(_), MeasuredPolarity::On(_)) => Finding::Wrong,
    })
}
