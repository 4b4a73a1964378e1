//! The change-over contacts: heated by the true current, and damaged when their limit is passed.

use circuit::grid::PoleState;
use wiring::{
    layout::{Layout, Position},
    units::Mono,
};

use crate::{plan::Perturbation, random::Random};

/// Mean limit of damage as a multiple of a full thermal image. Assumed: a full image spends the rating's budget, it is
/// not yet the damage.
const MEAN_LIMIT: f64 = 1.3;
/// Current above which a hit is recorded, as a multiple of the rating.
const HIT_FROM: f64 = 1.2;
/// Current above which a contact may reach its limit of damage in the end, as a multiple of the rating: the square of it
/// is below the least limit.
const WARM_FROM: f64 = 0.6;
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
    /// True image: 1 is what the rating holds for ever.
    heat: f64,
    rating: f64,
    time_constant: f64,
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

impl Contact {
    /// The contacts of a layout, each a little different from its file.
    pub(crate) fn all(layout: &Layout, spread: &Perturbation, random: &mut Random) -> Vec<Self> {
        let poles = layout.poles.iter().map(|pole| {
            let machine = &layout.machines[pole.machine.at()];
            Self {
                state: PoleState::Follows,
                film: 1.0,
                made: random.factor(spread.resistance),
                heat: 0.0,
                rating: machine.contact_rating.amps().max(0.05),
                time_constant: machine.contact_time_constant.seconds().max(0.01)
                    * random.factor(spread.contact),
                limit: MEAN_LIMIT * random.factor(spread.contact),
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
        if multiple < 0.01 && self.heat < 1e-4 && self.hit.is_none() {
            return None;
        }
        self.heat += (multiple * multiple - self.heat) * (1.0 - (-span / self.time_constant).exp());
        if HIT_FROM <= multiple {
            let hit = self.hit.get_or_insert(Hit { energy: 0.0, stress: 0.0 });
            hit.energy += amps * amps * span;
            hit.stress = hit.stress.max(self.heat / self.limit);
        } else if let Some(Hit { energy, stress }) = self.hit.take() {
            return Some(Outcome::Hit { energy, stress });
        }
        let gives_way = self.limit <= self.heat && self.state == PoleState::Follows;
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
        self.hit.is_some()
    }

    /// Its image must be followed moment by moment: no lower current comes near a limit of damage.
    pub(crate) fn is_warm(&self) -> bool {
        self.hit.is_some() || WARM_FROM < self.amps / self.rating
    }

    /// As new.
    pub(crate) fn repair(&mut self) {
        self.state = PoleState::Follows;
        self.film = 1.0;
        self.damaged = None;
        self.heat = 0.0;
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
            heat: 0.0,
            rating: 1.0,
            time_constant: 2.0,
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
        // supervision.md: 1 A, 2 s: 5 A 82 ms, 8 A 31 ms to a full image. t = tau ln(I^2 / (I^2 - limit)).
        assert_eq!(lasts(5.0, 1.0), Some(82));
        assert_eq!(lasts(8.0, 1.0), Some(32));
        assert_eq!(lasts(5.0, 2.0), Some(167));
        assert_eq!(lasts(0.9, 1.0), None);
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
        assert!((energy - 1.6).abs() < 1e-9 && 0.05 < stress && stress < 0.1, "{energy} {stress}");
    }
}
