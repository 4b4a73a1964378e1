//! A switch machine as it really is: its points, its contacts and what it reports can each go their own way.

use wiring::{
    layout::Position,
    units::{Micros, Mono},
};

use crate::pace::FINE;

/// Share of the travel after which the old contact opens, and the new one closes. Common practice of slow machines with
/// built-in contacts, no source.
const CONTACT_OPENS: f64 = 0.45;
const CONTACT_CLOSES: f64 = 0.6;
/// Share of the travel at which a blocked machine stands still: inside the contacts' dead band.
const STALLS_AT: f64 = 0.5;
/// Share of a travel's time after which a machine that stands still says that it knows nothing.
const GIVES_UP: f64 = 1.2;

/// How a machine behaves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Mood {
    /// As it should.
    Healthy,
    /// Takes this many times as long.
    Slow(f64),
    /// Stops midway.
    Stalls,
    /// Does not move.
    Dead,
    /// The machine moves, the points do not.
    PointsOff,
    /// Moves, and goes on reporting where it was.
    ReportsStuck(&'static str),
    /// Reports nothing that could be believed.
    ReportsUnknown,
}

/// A travel from one position to the other.
#[derive(Clone, Copy, Debug)]
struct Travel {
    to: Position,
    began: Mono,
}

/// A switch machine.
#[derive(Clone, Debug)]
pub(crate) struct Machine {
    /// Where its own contacts were at rest last.
    rest: Position,
    /// Where the points are.
    points: Position,
    travel: Option<Travel>,
    /// What panel or fascia asked for.
    pub(crate) asked: Position,
    pub(crate) mood: Mood,
    /// Its true time of one throw.
    throw_time: Micros,
    /// What its position sensor said when it was asked last.
    said: &'static str,
}

impl Machine {
    pub(crate) fn new(throw_time: Micros) -> Self {
        Self {
            rest: Position::Normal,
            points: Position::Normal,
            travel: None,
            asked: Position::Normal,
            mood: Mood::Healthy,
            throw_time,
            said: "",
        }
    }

    /// Begins to move; true when it does. A machine turned back midway starts a whole travel again.
    pub(crate) fn throw(&mut self, to: Position, now: Mono) -> bool {
        if self.mood == Mood::Dead || self.target() == to {
            return false;
        }
        self.travel = Some(Travel { to, began: now });
        true
    }

    /// Set by a hand under the table: at once, contacts and points.
    pub(crate) fn set_by_hand(&mut self, to: Position) {
        *self = Self { rest: to, points: to, travel: None, asked: to, ..self.clone() };
    }

    /// Lets it arrive; the position that it came to rest in.
    pub(crate) fn advance(&mut self, now: Mono) -> Option<Position> {
        let Travel { to, .. } = self.travel?;
        if self.progress(now) < 1.0 || self.mood == Mood::Stalls {
            return None;
        }
        self.travel = None;
        self.rest = to;
        if self.mood != Mood::PointsOff {
            self.points = to;
        }
        Some(to)
    }

    /// Where it goes, or stands.
    pub(crate) fn target(&self) -> Position {
        self.travel.map_or(self.rest, |travel| travel.to)
    }

    /// It stands still where it was sent.
    pub(crate) fn rests_at(&self, position: Position) -> bool {
        self.travel.is_none() && self.rest == position
    }

    /// It has not arrived.
    pub(crate) fn is_travelling(&self) -> bool {
        self.travel.is_some()
    }

    /// It is on its way and will get there.
    pub(crate) fn is_moving(&self) -> bool {
        self.travel.is_some() && self.mood != Mood::Stalls
    }

    /// Where the points lead; during a travel where they led before.
    pub(crate) fn points(&self) -> Position {
        self.points
    }

    /// Which contact is closed; none between the two.
    pub(crate) fn contact(&self, now: Mono) -> Option<Position> {
        let Some(Travel { to, .. }) = self.travel else { return Some(self.rest) };
        let progress = self.progress(now);
        let stopped = self.mood == Mood::Stalls && STALLS_AT <= progress;
        if stopped || (CONTACT_OPENS..CONTACT_CLOSES).contains(&progress) {
            None
        } else if progress < CONTACT_OPENS {
            Some(self.rest)
        } else {
            Some(to)
        }
    }

    /// Its contact has changed over to the new side, and so far it is within `share` of the travel after that: the side
    /// that it comes from.
    pub(crate) fn just_changed(&self, share: f64, now: Mono) -> Option<Position> {
        self.travel?;
        let progress = self.progress(now);
        (CONTACT_CLOSES..CONTACT_CLOSES + share).contains(&progress).then_some(self.rest)
    }

    /// It travels between where its contacts may open and where they have settled.
    pub(crate) fn is_changing(&self, now: Mono) -> bool {
        self.travel.is_some() && (0.4..0.8).contains(&self.progress(now))
    }

    /// What its position sensor says.
    pub(crate) fn report(&self, now: Mono) -> &'static str {
        match (self.mood, self.travel) {
            (Mood::ReportsStuck(word), _) => word,
            (Mood::ReportsUnknown, _) => "unknown",
            (Mood::Stalls, Some(_)) if GIVES_UP <= self.progress(now) => "unknown",
            (_, Some(_)) => "moving",
            (_, None) => self.rest.word(),
        }
    }

    /// It says something new.
    pub(crate) fn has_news(&mut self, now: Mono) -> bool {
        let word = self.report(now);
        std::mem::replace(&mut self.said, word) != word
    }

    /// When its contacts, its points or what it says change next.
    pub(crate) fn next_change(&self, now: Mono) -> Option<Mono> {
        let Travel { began, .. } = self.travel?;
        let progress = self.progress(now);
        let marks = [CONTACT_OPENS, STALLS_AT, CONTACT_CLOSES, 1.0, GIVES_UP];
        let mark = marks.into_iter().find(|mark| progress < *mark)?;
        let at = began + Micros((mark * self.takes() * 1e6).ceil() as u64);
        Some(at.max(now + FINE))
    }

    /// Time of one throw. Unit: second.
    fn takes(&self) -> f64 {
        let factor = if let Mood::Slow(factor) = self.mood { factor } else { 1.0 };
        self.throw_time.seconds().max(0.02) * factor
    }

    fn progress(&self, now: Mono) -> f64 {
        let Some(Travel { began, .. }) = self.travel else { return 1.0 };
        now.since(began).seconds() / self.takes()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(millis: u64) -> Mono {
        Mono::START + Micros::from_millis(millis)
    }

    #[test]
    fn contacts_open_and_close_on_the_way() {
        let mut machine = Machine::new(Micros::from_millis(1000));
        assert!(machine.throw(Position::Reverse, at(0)));
        let cases = [
            (100, Some(Position::Normal), "moving"),
            (500, None, "moving"),
            (700, Some(Position::Reverse), "moving"),
        ];
        for (millis, contact, report) in cases {
            assert_eq!(machine.advance(at(millis)), None);
            assert_eq!(
                (machine.contact(at(millis)), machine.report(at(millis))),
                (contact, report)
            );
        }
        assert_eq!(machine.advance(at(1000)), Some(Position::Reverse));
        assert_eq!(machine.report(at(1000)), "reverse");
    }

    #[test]
    fn each_mood_breaks_one_thing() {
        let check = |mood, want: (Position, Option<Position>, &str)| {
            let mut machine = Machine::new(Micros::from_millis(1000));
            machine.mood = mood;
            machine.throw(Position::Reverse, at(0));
            machine.advance(at(1500));
            assert_eq!(
                (machine.points(), machine.contact(at(1500)), machine.report(at(1500))),
                want
            );
        };
        use Position::{Normal, Reverse};
        check(Mood::Healthy, (Reverse, Some(Reverse), "reverse"));
        check(Mood::Slow(2.0), (Normal, Some(Reverse), "moving"));
        check(Mood::Stalls, (Normal, None, "unknown"));
        check(Mood::Dead, (Normal, Some(Normal), "normal"));
        check(Mood::PointsOff, (Normal, Some(Reverse), "reverse"));
        check(Mood::ReportsStuck("normal"), (Reverse, Some(Reverse), "normal"));
        check(Mood::ReportsUnknown, (Reverse, Some(Reverse), "unknown"));
    }
}
