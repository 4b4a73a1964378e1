//! One frog: expected against measured polarity.

use wiring::{
    layout::Conductor,
    units::{Micros, Mono},
};

use crate::{input::MeasuredPolarity, output::ExpectedPolarity};

/// What the wiring model says for the positions of the moment.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) struct Expectation {
    /// What is shown: where the wiring ties it.
    pub(crate) shown: ExpectedPolarity,
    /// The conductor it is judged against: the one its rails need, else the one it is wired to.
    pub(crate) right: Option<Conductor>,
    /// The row of the proof; none while a machine moves or is unknown.
    pub(crate) row: Option<usize>,
}

/// Nothing is expected while a machine moves or its position is unknown.
const UNKNOWN: Expectation =
    Expectation { shown: ExpectedPolarity::Unknown, right: None, row: None };

/// One frog.
#[derive(Debug)]
pub(crate) struct Frog {
    mismatch_after: Micros,
    expectation: Expectation,
    /// Since when its machines have been at rest.
    rest: Option<Mono>,
    measured: Option<(Mono, MeasuredPolarity)>,
    /// First reading since they are at rest, and how many since.
    first: Option<Mono>,
    readings: u32,
    /// Polled: two readings must agree.
    polled: bool,
    /// Power is there and quiet, and a reverser is known: a reading means something, since then.
    judged: Option<Mono>,
    mismatched: bool,
    dead: bool,
    /// Mismatched when power went: it stands until measured right, and cuts only when measured again.
    held: bool,
    /// Where it was found right and wrong last: row and conductor.
    was_right: Option<(usize, Conductor)>,
    was_wrong: Option<(usize, Conductor)>,
    stays: Option<Conductor>,
}

impl Frog {
    /// Another time that a mismatch must last.
    pub(crate) fn resettle(&mut self, mismatch_after: Micros) {
        self.mismatch_after = mismatch_after;
    }

    /// Never heard of.
    pub(crate) const fn new(mismatch_after: Micros) -> Self {
        Self {
            mismatch_after,
            expectation: UNKNOWN,
            rest: None,
            measured: None,
            first: None,
            readings: 0,
            polled: false,
            judged: None,
            mismatched: false,
            dead: false,
            held: false,
            was_right: None,
            was_wrong: None,
            stays: None,
        }
    }

    /// Its machines stand otherwise. Says whether what is shown has changed.
    pub(crate) fn handle_expectation(&mut self, expectation: Expectation, now: Mono) -> bool {
        if self.expectation == expectation {
            return false;
        }
        let shown = self.expectation.shown != expectation.shown;
        if self.expectation.row != expectation.row {
            self.rest = expectation.row.map(|_| now);
            self.first = None;
            self.readings = 0;
            self.mismatched = false;
            self.dead = false;
            self.held = false;
            // A reading of the same instant counts whichever line came first.
            if self.rest.is_some() && self.measured.is_some_and(|(at, _)| at == now) {
                self.first = Some(now);
                self.readings = 1;
            }
        }
        self.expectation = expectation;
        shown
    }

    /// A polarity reading. Says whether it differs from the one before.
    pub(crate) fn handle_polarity(
        &mut self,
        polarity: MeasuredPolarity,
        polled: bool,
        now: Mono,
    ) -> bool {
        let changed = self.measured.is_none_or(|(_, before)| before != polarity);
        self.polled = polled;
        self.measured = Some((now, polarity));
        if self.rest.is_some() {
            if changed || self.first.is_none() {
                self.first = Some(now);
                self.readings = 0;
            }
            self.readings = self.readings.saturating_add(1);
        }
        // A reading while power is off says nothing about what was found before.
        if changed && self.judged.is_some() {
            self.mismatched = false;
            self.dead = false;
        }
        changed
    }

    /// Whether a reading means anything: power is there and quiet, no reverser is in doubt.
    pub(crate) fn handle_judged(&mut self, judged: bool, now: Mono) {
        match (judged, self.judged) {
            (true, None) => self.judged = Some(now),
            (false, Some(_)) => self.judged = None,
            (true, Some(_)) | (false, None) => {}
        }
    }

    /// Power went: what was found stands, what is read from here on means nothing until it is back.
    pub(crate) fn handle_power_gone(&mut self) {
        self.held |= self.mismatched;
        self.mismatched = false;
        self.first = None;
        self.readings = 0;
    }

    /// Since when it has been measured so, with machines at rest and power there.
    fn since(&self) -> Option<Mono> {
        let enough = if self.polled { 2 } else { 1 };
        if self.readings < enough {
            return None;
        }
        Some(self.rest?.max(self.first?).max(self.judged?))
    }

    fn contradicts(&self) -> Option<Contradiction> {
        let right = self.expectation.right?;
        match self.measured?.1 {
            MeasuredPolarity::On(conductor) if conductor != right => Some(Contradiction::Wrong),
            MeasuredPolarity::On(_) => None,
            MeasuredPolarity::Dead => match self.expectation.shown {
                ExpectedPolarity::On(_) => Some(Contradiction::Dead),
                ExpectedPolarity::Unknown | ExpectedPolarity::None => None,
            },
        }
    }

    /// Settles what fell due.
    pub(crate) fn handle_timeout(&mut self, now: Mono) {
        if self.poll_deadline().is_none_or(|due| now < due) {
            return;
        }
        let contradiction = self.contradicts();
        self.mismatched = contradiction == Some(Contradiction::Wrong);
        self.dead = contradiction == Some(Contradiction::Dead);
        self.held = false;
        self.remember();
    }

    /// When the reading becomes a finding.
    pub(crate) fn poll_deadline(&self) -> Option<Mono> {
        let found = match self.contradicts() {
            Some(Contradiction::Wrong) => self.mismatched,
            Some(Contradiction::Dead) => self.dead,
            None => !self.mismatched && !self.dead && !self.held && self.is_remembered(),
        };
        if found { None } else { self.since().map(|since| since + self.mismatch_after) }
    }

    fn is_remembered(&self) -> bool {
        let (Some((_, MeasuredPolarity::On(conductor))), Some(row)) =
            (self.measured, self.expectation.row)
        else {
            return true;
        };
        self.expectation.right.is_none() || self.was_right == Some((row, conductor))
    }

    /// One conductor in two positions that want different ones: it does not switch.
    fn remember(&mut self) {
        let (Some((_, MeasuredPolarity::On(conductor))), Some(row), Some(_)) =
            (self.measured, self.expectation.row, self.expectation.right)
        else {
            return;
        };
        let other = if self.mismatched {
            self.was_wrong = Some((row, conductor));
            self.was_right
        } else {
            self.was_right = Some((row, conductor));
            self.was_wrong
        };
        if other.is_some_and(|(at, on)| at != row && on == conductor) {
            self.stays = Some(conductor);
        } else if !self.mismatched && self.stays.is_some_and(|stays| stays != conductor) {
            self.stays = None;
            self.was_wrong = None;
        }
    }

    /// On the wrong conductor for long enough to say so.
    pub(crate) const fn is_mismatched(&self) -> bool {
        self.mismatched || self.held
    }

    /// The same, by a reading taken since power is there.
    pub(crate) const fn is_mismatch_confirmed(&self) -> bool {
        self.mismatched
    }

    /// Dead where the wiring ties it, for long enough to say so.
    pub(crate) const fn is_dead(&self) -> bool {
        self.dead
    }

    /// It follows one position only.
    pub(crate) const fn stays(&self) -> Option<Conductor> {
        self.stays
    }

    /// What the model says.
    pub(crate) const fn expectation(&self) -> Expectation {
        self.expectation
    }

    /// The latest reading.
    pub(crate) const fn measured(&self) -> Option<(Mono, MeasuredPolarity)> {
        self.measured
    }

    /// It was found right in the position of the moment before.
    pub(crate) fn was_right_here(&self) -> bool {
        self.was_right.is_some_and(|(row, _)| Some(row) == self.expectation.row)
    }

    /// Readings mean something.
    pub(crate) const fn is_judged(&self) -> bool {
        self.judged.is_some()
    }
}

#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Contradiction {
    Wrong,
    Dead,
}

#[cfg(test)]
mod tests {
    use super::*;

    // Row 0 wants A, row 1 wants B. Judged from the start, mismatch after 200 ms.

    #[test]
    fn wrong_for_its_time_after_rest_and_reading_is_a_mismatch() {
        check("0:row0 0:A 500:row1 600:A", "800 wrong stays-A");
        check("0:row1 100:A 250:B 900:B", "");
    }

    #[test]
    fn no_reading_since_the_machine_is_at_rest_is_no_finding() {
        check("0:row0 0:A 500:moving 900:row1", "");
    }

    #[test]
    fn a_moving_machine_is_not_judged() {
        check("0:row1 100:A 200:moving 900:A", "");
    }

    #[test]
    fn without_power_nothing_is_judged_and_time_starts_with_it() {
        check("0:off 0:row1 100:A 2000:on", "2200 wrong");
    }

    #[test]
    fn a_dead_frog_is_dead_not_wrong() {
        check("0:row0 100:dead", "300 dead");
        check("0:row0 100:dead 200:A", "");
    }

    #[test]
    fn a_welded_contact_is_told_until_both_positions_are_right() {
        check(
            "0:row0 0:A 500:row1 600:A 1500:row0 1500:A 2500:row1 2500:B",
            "800 wrong stays-A; 1500 stays-A; 2700 -",
        );
    }

    #[test]
    fn a_polled_reading_must_be_seen_twice() {
        check("0:row0 100:pollB 900:tick", "");
        check("0:row0 100:pollB 300:pollB", "300 wrong");
    }

    #[track_caller]
    fn check(events: &str, want: &str) {
        let mut sut = Frog::new(Micros::from_millis(200));
        sut.handle_judged(true, Mono(0));
        let mut got = Vec::new();
        let mut shown = String::from("-");
        let mut note = |at: Mono, sut: &Frog| {
            let now = show(sut);
            if now != shown {
                got.push(format!("{} {now}", at.0 / 1000));
                shown = now;
            }
        };
        let last = ["99999:tick"];
        for event in events.split_whitespace().chain(last) {
            let (at, what) = event.split_once(':').unwrap();
            let at = Mono(at.parse::<u64>().unwrap() * 1000);
            while let Some(due) = sut.poll_deadline().filter(|due| *due <= at) {
                sut.handle_timeout(due);
                note(due, &sut);
            }
            apply(&mut sut, what, at);
            while let Some(due) = sut.poll_deadline().filter(|due| *due <= at) {
                sut.handle_timeout(due);
            }
            note(at, &sut);
        }
        assert_eq!(got.join("; "), want);
    }

    fn apply(sut: &mut Frog, what: &str, at: Mono) {
        let tied = |row, conductor| Expectation {
            shown: ExpectedPolarity::On(conductor),
            right: Some(conductor),
            row: Some(row),
        };
        match what {
            "tick" => {}
            "on" => sut.handle_judged(true, at),
            "off" => sut.handle_judged(false, at),
            "row0" => drop(sut.handle_expectation(tied(0, Conductor::A), at)),
            "row1" => drop(sut.handle_expectation(tied(1, Conductor::B), at)),
            "moving" => drop(sut.handle_expectation(UNKNOWN, at)),
            "A" => drop(sut.handle_polarity(MeasuredPolarity::On(Conductor::A), false, at)),
            "B" => drop(sut.handle_polarity(MeasuredPolarity::On(Conductor::B), false, at)),
            "pollB" => drop(sut.handle_polarity(MeasuredPolarity::On(Conductor::B), true, at)),
            "dead" => drop(sut.handle_polarity(MeasuredPolarity::Dead, false, at)),
            other => panic!("{other}"),
        }
    }

    fn show(sut: &Frog) -> String {
        let mut words = Vec::new();
        if sut.is_mismatched() {
            words.push("wrong".to_owned());
        }
        if sut.is_dead() {
            words.push("dead".to_owned());
        }
        if let Some(stays) = sut.stays() {
            words.push(format!("stays-{}", stays.word()));
        }
        if words.is_empty() { "-".to_owned() } else { words.join(" ") }
    }
}
