//! The change-over contacts: heated by the true current, and damaged when their limit is passed.

use circuit::grid::PoleState;
use wiring::{
    layout::{Layout, Position},
    units::Mono,
};

use crate::{plan::Perturbation, random::Random};

/// Mean limit of damage as a multiple of rating squared times time constant. Assumed: the file's figures are a budget
/// with a reserve, not yet the damage.
const MEAN_LIMIT: f64 = 1.3;
/// What a contact carries for ever, as a multiple of the rating. Assumed.
const HOLDS: f64 = 1.1;
/// An arc at opening under current hurts as much as its current for this time. Assumed. Unit: second.
const ARC_LASTS: f64 = 0.02;
/// Current above which a hit is recorded, as a multiple of the rating.
const HIT_FROM: f64 = 1.2;
/// Share of damaged contacts that weld; the others burn open. Assumed.
const WELDS: f64 = 0.6;

/// One pole.
#[derive(Clone, Debug)]
pub(crate) struct Contact {
    /// What it does.
    pub(crate) state: PoleState,
    /// Factor on its resistance: film, age.
    pub(crate) film: f64,
    /// Factor that this specimen has from birth.
    pub(crate) made: f64,
    /// What has heated it and has not cooled away yet: it heats without loss while it carries more than it holds, and
    /// cools only below that. Unit: A2s.
    spent: f64,
    rating: f64,
    /// Current that it carries for ever. Unit: ampere.
    holds: f64,
    /// Time constant of its cooling. Unit: second.
    cools_in: f64,
    /// Where it gives way. Unit: A2s.
    limit: f64,
    hit: Option<Hit>,
    /// What it carries.
    amps: f64,
    /// When it was damaged.
    pub(crate) damaged: Option<Mono>,
}

#[derive(Clone, Copy, Debug)]
struct Hit {
    energy: f64,
    stress: f64,
}

/// What came of a moment's current.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Outcome {
    /// A hit is over.
    Hit { energy: f64, stress: f64 },
    /// It burnt open.
    Burnt,
    /// It welded.
    Welded(Position),
}

/// Current in the arc of a contact that opened under it. Unit: ampere.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Arc(pub(crate) f64);

impl Contact {
    /// The contacts of a layout, each a little different from its file.
    pub(crate) fn all(layout: &Layout, spread: &Perturbation, random: &mut Random) -> Vec<Self> {
        let poles = layout.poles.iter().map(|pole| {
            let machine = &layout.machines[pole.machine.at()];
            let rating = machine.contact_rating.amps().max(0.05);
            let time = machine.contact_time_constant.seconds().max(0.01);
            Self {
                state: PoleState::Follows,
                film: 1.0,
                made: random.factor(spread.resistance),
                spent: 0.0,
                rating,
                holds: rating * HOLDS * random.factor(0.5 * spread.contact),
                cools_in: time * random.factor(2.0 * spread.contact),
                limit: MEAN_LIMIT * rating * rating * time * random.factor(spread.contact),
                hit: None,
                amps: 0.0,
                damaged: None,
            }
        });
        poles.collect()
    }

    /// From now on it carries so much.
    pub(crate) fn load(&mut self, amps: f64) {
        self.amps = amps;
    }

    /// Carries its current for `span` seconds. `closed` is the side on which it carries.
    pub(crate) fn carry(
        &mut self,
        span: f64,
        closed: Option<Position>,
        now: Mono,
        random: &mut Random,
    ) -> Option<Outcome> {
        let amps = self.amps;
        let multiple = amps / self.rating;
        if amps <= self.holds {
            self.spent *= if self.spent < 1e-6 { 0.0 } else { (-span / self.cools_in).exp() };
        } else {
            self.spent += (amps * amps - self.holds * self.holds) * span;
        }
        if HIT_FROM <= multiple {
            let hit = self.hit.get_or_insert(Hit { energy: 0.0, stress: 0.0 });
            hit.energy += amps * amps * span;
            hit.stress = hit.stress.max(self.spent / self.limit);
        } else if let Some(Hit { energy, stress }) = self.hit.take() {
            return Some(Outcome::Hit { energy, stress });
        }
        let gives_way = self.limit <= self.spent && self.state == PoleState::Follows;
        let side = closed.filter(|_| gives_way)?;
        self.damaged = Some(now);
        if random.chance(WELDS) {
            self.state = PoleState::Stuck(side);
            Some(Outcome::Welded(side))
        } else {
            self.state = PoleState::Open;
            Some(Outcome::Burnt)
        }
    }

    /// Factor on the resistance that the file gives it.
    pub(crate) fn ohms_factor(&self) -> f64 {
        self.made * self.film
    }

    /// It carries more than it should.
    pub(crate) fn is_hit(&self) -> bool {
        self.hit.is_some() || HIT_FROM * self.rating <= self.amps
    }

    /// It must be followed moment by moment: below what it holds, it only cools.
    pub(crate) fn is_warm(&self) -> bool {
        self.hit.is_some() || self.holds < self.amps
    }

    /// It opened, with what it carried a moment ago: the arc, where it was more than its rating.
    pub(crate) fn open(&mut self) -> Option<Arc> {
        let amps = self.amps;
        let arcs = self.rating < amps && self.state == PoleState::Follows;
        arcs.then(|| {
            self.spent += amps * amps * ARC_LASTS;
            Arc(amps)
        })
    }

    /// As new.
    pub(crate) fn repair(&mut self) {
        self.state = PoleState::Follows;
        self.film = 1.0;
        self.damaged = None;
        self.spent = 0.0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn contact(limit: f64) -> Contact {
        Contact {
            state: PoleState::Follows,
            film: 1.0,
            made: 1.0,
            spent: 0.0,
            rating: 1.0,
            holds: 1.0,
            cools_in: 2.0,
            limit,
            hit: None,
            amps: 0.0,
            damaged: None,
        }
    }

    /// Milliseconds until something other than a hit comes of `amps`.
    fn lasts(amps: f64, limit: f64) -> Option<u64> {
        let mut contact = contact(limit);
        let mut random = Random::new(1, 1);
        (1..20_000).find(|_| {
            contact.load(amps);
            let outcome = contact.carry(1e-3, Some(Position::Normal), Mono::START, &mut random);
            matches!(outcome, Some(Outcome::Burnt | Outcome::Welded(_)))
        })
    }

    #[test]
    fn a_contact_gives_way_when_its_budget_is_spent() {
        // By hand: t = limit / (I2 - holds2), so 2 A2s at 5 A is 83.3 ms. Nothing below what it holds.
        assert_eq!(lasts(5.0, 2.0), Some(84));
        assert_eq!(lasts(8.0, 2.0), Some(32));
        assert_eq!(lasts(5.0, 4.0), Some(167));
        assert_eq!(lasts(0.9, 2.0), None);
    }

    #[test]
    fn what_was_spent_cools_away_between_two_hits() {
        let spent_after = |pause: f64| {
            let mut contact = contact(9.0);
            let mut random = Random::new(1, 1);
            contact.load(3.0);
            contact.carry(0.1, Some(Position::Normal), Mono::START, &mut random);
            contact.load(0.5);
            contact.carry(pause, Some(Position::Normal), Mono::START, &mut random);
            contact.spent
        };
        assert!((spent_after(0.0) - 0.8).abs() < 1e-9);
        assert!((spent_after(2.0) - 0.8 / std::f64::consts::E).abs() < 1e-9);
    }

    #[test]
    fn opening_under_current_costs_an_arc() {
        let mut contact = contact(9.0);
        contact.load(0.5);
        assert_eq!(contact.open(), None);
        contact.load(5.0);
        assert_eq!(contact.open(), Some(Arc(5.0)));
        assert!((contact.spent - 0.5).abs() < 1e-9);
    }

    #[test]
    fn a_hit_is_told_with_its_energy_once_it_is_over() {
        let mut contact = contact(9.0);
        let mut random = Random::new(1, 1);
        for _ in 0..100 {
            contact.load(4.0);
            let none = contact.carry(1e-3, Some(Position::Normal), Mono::START, &mut random);
            assert_eq!(none, None);
        }
        contact.load(0.0);
        let Some(Outcome::Hit { energy, stress }) =
            contact.carry(1e-3, Some(Position::Normal), Mono::START, &mut random)
        else {
            panic!("no hit told");
        };
        assert!(
            (energy - 1.6).abs() < 1e-9 && (stress - 1.5 / 9.0).abs() < 1e-9,
            "{energy} {stress}"
        );
    }
}
