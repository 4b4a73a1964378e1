//! A session as a person sees it: what to do, what the meters say, how it stands, what can be pressed. Page and terminal
//! show the same.

use wiring::{
    index::{BlockIx, FrogIx, MachineIx},
    layout::{Conductor, Position},
    units::{Micros, Mono},
};

use super::{
    Outcome, Session, Step, StepResult,
    contact::THROWS,
    texts::{amps, millis, seconds},
    throwing::index,
};
use crate::{
    input::{MachinePosition, MeasuredPolarity},
    output::PowerState,
};

/// A session at one instant.
#[derive(Clone, Debug, PartialEq)]
pub struct SessionView {
    /// The machine.
    pub machine: MachineIx,
    /// Who is at it.
    pub who: String,
    /// Since when.
    pub since: Mono,
    /// The step.
    pub step: Step,
    /// One instruction of at most eight words.
    pub heading: String,
    /// What else to know, in a sentence or two; may be empty.
    pub note: String,
    /// Four live readings: what, and how much.
    pub readings: [(&'static str, String); 4],
    /// How it stands.
    pub verdict: Verdict,
    /// What can be done, the next wanted first.
    pub offers: Vec<Offer>,
    /// What the person has to hold to the rails now.
    pub wants: Wants,
    /// What came of the steps, in order.
    pub results: Vec<StepResult>,
}

/// What a step wants held to the rails.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Wants {
    /// Nothing.
    Nothing,
    /// A lamp across the rails of a block, so that a current can be seen to go.
    LampAcross(BlockIx),
    /// A lamp from a frog to the rail that it does not match, while the contact is measured.
    LampAtFrog(FrogIx),
    /// A coin, at this place of the study.
    Coin(String),
}

/// How a step stands.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Verdict {
    /// Good, bad or open.
    pub mood: Mood,
    /// One line.
    pub text: String,
}

/// Good, bad or open.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Mood {
    /// Not yet known.
    Open,
    /// So far right.
    Good,
    /// Wrong.
    Bad,
}

impl Mood {
    /// `open good bad`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Good => "good",
            Self::Bad => "bad",
        }
    }
}

/// Something that the person may do now.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Offer {
    /// `do` of the request.
    pub act: &'static str,
    /// Its argument: `normal`, `reverse`, `matches` …; empty: none.
    pub with: &'static str,
    /// What stands on the button.
    pub label: String,
    /// What it asks for first.
    pub ask: Ask,
}

/// What an offer asks for before it is sent.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Ask {
    /// Nothing.
    Nothing,
    /// Are you sure?
    Sure,
    /// Why.
    Reason,
    /// Volts across the contact, and amperes where they are not measured.
    Meter,
    /// A place of the study.
    Place,
    /// Initials.
    Initials,
}

impl Ask {
    /// `nothing sure reason meter place initials`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Nothing => "nothing",
            Self::Sure => "sure",
            Self::Reason => "reason",
            Self::Meter => "meter",
            Self::Place => "place",
            Self::Initials => "initials",
        }
    }
}

impl Session {
    /// As a person sees it. `by_order`: its throw channel is offered by a node that lives.
    pub(crate) fn view(&self, by_order: bool) -> SessionView {
        SessionView {
            machine: self.plan.machine,
            who: self.who.clone(),
            since: self.since,
            step: self.step,
            heading: self.heading(by_order),
            note: self.note(by_order),
            readings: self.readings(),
            verdict: self.verdict(),
            offers: self.offers(by_order),
            wants: self.wants(),
            results: self.results.iter().cloned().collect(),
        }
    }

    fn heading(&self, by_order: bool) -> String {
        let id = &self.plan.id;
        match self.step {
            Step::Name => format!("Find {id} under the table"),
            Step::Normal if by_order => format!("Throw {id} to normal"),
            Step::Normal => format!("Throw {id} to normal now"),
            Step::Reverse if by_order => format!("Throw {id} to reverse"),
            Step::Reverse => format!("Throw {id} to reverse now"),
            Step::Frog => format!("Throw to {} and watch the frog", self.frog_side().word()),
            Step::Contact => "Measure volts across the contact".to_owned(),
            Step::Trip => "Cut the district and watch".to_owned(),
            Step::Coin => "Lay a coin on plain rail".to_owned(),
            Step::Sign => format!("Sign off {id}"),
        }
    }

    fn note(&self, by_order: bool) -> String {
        let district = &self.plan.district_id;
        match self.step {
            Step::Name => format!(
                "It sets {}. Compare its wires with the wiring sheet. Its alarms are out of service meanwhile.",
                self.plan.trackwork
            ),
            Step::Normal | Step::Reverse if by_order => {
                "Keep fingers off the points and the linkage.".to_owned()
            }
            Step::Normal | Step::Reverse => {
                "It has no throw channel here: use its panel, fascia switch or hand.".to_owned()
            }
            Step::Frog => "Feed the frog through a limited supply: about 1 A, lamp or resistor in series. Above 1.5 A \
                           the district is cut."
                .to_owned(),
            Step::Contact => format!(
                "With about 1 A through the frog, read volts from the common to the closed terminal. {THROWS} throws, \
                 one reading each. Above 1.5 A the district is cut."
            ),
            Step::Trip => format!(
                "Lay the lamp across the rails first, so that a current can be seen to go. All trains in {district} \
                 stop."
            ),
            Step::Coin => format!(
                "On plain rail only, never at a frog: there it is a full hit on the contact. It cuts {district}, raises \
                 its alarm and wants a restore."
            ),
            Step::Sign => "The turnout counts as proved until its wiring model changes.".to_owned(),
        }
    }

    /// The position that the frog has not been seen right in.
    fn frog_side(&self) -> Position {
        let open = |side: Position| self.frogs.iter().any(|it| it.found[index(side)].is_none());
        let here = self.throwing.rest().map(|(at, _)| at);
        match (here, open(Position::Normal), open(Position::Reverse)) {
            (Some(here), ..) if open(here) => here,
            (_, true, _) => Position::Normal,
            (_, false, true) => Position::Reverse,
            (here, false, false) => here.unwrap_or(Position::Normal),
        }
    }

    fn readings(&self) -> [(&'static str, String); 4] {
        let position = ("Position", self.position());
        match self.step {
            Step::Name => [
                ("Machine", self.plan.id.clone()),
                ("District", self.plan.district_id.clone()),
                position,
                ("Power", self.power()),
            ],
            Step::Normal => self.throw_readings(Position::Normal),
            Step::Reverse => self.throw_readings(Position::Reverse),
            Step::Frog => [
                position,
                ("Frog measured", self.frog_measured()),
                ("Frog expected", self.frog_expected()),
                ("Frog current", self.current()),
            ],
            Step::Contact => [
                position,
                ("Current", self.current()),
                (
                    "Contact",
                    self.contact
                        .drops
                        .last()
                        .map_or_else(|| "not yet".to_owned(), |it| it.ohms.to_string()),
                ),
                ("Throws", format!("{} of {THROWS}", self.contact.drops.len())),
            ],
            Step::Trip | Step::Coin => [
                ("Power", self.power()),
                ("Current", self.sight.district.amps.map_or_else(none, amps)),
                ("Feedback", self.feedback()),
                self.cut_reading(),
            ],
            Step::Sign => [
                ("Passed", self.count(Outcome::Passed)),
                ("Skipped", self.count(Outcome::Skipped)),
                position,
                ("Power", self.power()),
            ],
        }
    }

    fn throw_readings(&self, to: Position) -> [(&'static str, String); 4] {
        let seen = self.throwing.seen[index(to)];
        let measured = |text: Option<String>| match (seen, text) {
            (None, _) => "not yet".to_owned(),
            (Some(_), text) => text.unwrap_or_else(none),
        };
        let time = seen.filter(|it| !it.told).map(|it| seconds(it.took));
        let gap = seen.and_then(|it| it.gap).map(|(from, to)| millis(Micros(to.0 - from.0)));
        [
            ("Position", self.position()),
            ("Throw time", measured(time)),
            ("Change-over gap", measured(gap)),
            ("Frog measured", self.frog_measured()),
        ]
    }

    fn cut_reading(&self) -> (&'static str, String) {
        match (&self.coin, &self.trip) {
            (Some(coin), _) if self.step == Step::Coin => ("Predicted", amps(coin.predicted)),
            (_, Some(trip)) if self.step == Step::Trip => {
                ("Gone after", trip.gone.map_or_else(|| "not yet".to_owned(), millis))
            }
            (_, _) if self.step == Step::Coin => ("Coins", self.coins.len().to_string()),
            (_, _) => ("Gone after", "not yet".to_owned()),
        }
    }

    fn position(&self) -> String {
        let told =
            || self.throwing.rest().map_or_else(none, |(at, _)| format!("{}, told", at.word()));
        self.sight.position.map_or_else(told, |it: MachinePosition| it.word().to_owned())
    }

    fn frog_measured(&self) -> String {
        match self.sight.frogs.first().and_then(|it| it.measured) {
            Some(MeasuredPolarity::On(on)) => rail(on),
            Some(MeasuredPolarity::Dead) => "no power".to_owned(),
            None => none(),
        }
    }

    fn frog_expected(&self) -> String {
        match (self.throwing.rest(), self.sight.frogs.first().and_then(|it| it.right)) {
            (None, _) => "moving".to_owned(),
            (Some(_), Some(right)) => rail(right),
            (Some(_), None) => "either".to_owned(),
        }
    }

    fn current(&self) -> String {
        self.sight.amps.map_or_else(none, amps)
    }

    fn power(&self) -> String {
        let word = |it: PowerState| match it {
            PowerState::Unknown => "not known",
            PowerState::On => "on",
            PowerState::Cutting => "being cut",
            PowerState::Cut => "off",
            PowerState::CutFailed => "not proved off",
            PowerState::Restoring => "coming on",
        };
        self.sight.district.power.map_or_else(none, |it| word(it).to_owned())
    }

    fn feedback(&self) -> String {
        self.sight
            .district
            .feedback
            .map_or_else(none, |on| if on { "on" } else { "off" }.to_owned())
    }

    fn count(&self, outcome: Outcome) -> String {
        let all = self.results.iter();
        all.filter(|it| it.outcome == outcome).count().to_string()
    }

    fn verdict(&self) -> Verdict {
        if let Some(result) = self.results.of(self.step).filter(|it| it.outcome == Outcome::Failed)
        {
            return Verdict { mood: Mood::Bad, text: result.detail.clone() };
        }
        let (mood, text) = match self.step {
            Step::Name => (Mood::Open, "Press when you stand at it.".to_owned()),
            Step::Normal => self.throw_verdict(Position::Normal),
            Step::Reverse => self.throw_verdict(Position::Reverse),
            Step::Frog => self.frog_verdict(),
            Step::Contact => self.contact_verdict(),
            Step::Trip => self.trip_verdict(),
            Step::Coin => self.coin_verdict(),
            Step::Sign => (Mood::Good, "Every step is passed or skipped.".to_owned()),
        };
        Verdict { mood, text }
    }

    fn throw_verdict(&self, to: Position) -> (Mood, String) {
        let rest = self.throwing.rest().map(|(at, _)| at);
        let seen = self.throwing.seen[index(to)].is_some();
        if self.throwing.is_under_way() {
            return (Mood::Open, "Waiting for it to arrive.".to_owned());
        }
        match (rest, seen) {
            (Some(at), true) if at == to => (Mood::Good, "Right so far. Hold on.".to_owned()),
            (Some(at), false) if at == to => {
                let away = other(to).word();
                (
                    Mood::Open,
                    format!("It stands at {} already. Throw to {away}, then back.", to.word()),
                )
            }
            (Some(_), _) => (Mood::Open, "Ready to throw.".to_owned()),
            (None, _) if self.throwing.is_measured() => {
                (Mood::Open, "Its position is not known yet.".to_owned())
            }
            (None, _) => (Mood::Open, "No sensor tells its position. Say what you see.".to_owned()),
        }
    }

    fn frog_verdict(&self) -> (Mood, String) {
        let Some((here, _)) = self.throwing.rest() else {
            return (Mood::Open, "Waiting for it to arrive.".to_owned());
        };
        let unmeasured = self.sight.frogs.iter().any(|it| it.measured.is_none());
        let unpowered = self.sight.frogs.iter().any(|it| !it.judged);
        let open = self.frogs.iter().any(|it| it.found[index(here)].is_none());
        match (open, unmeasured, unpowered) {
            (true, true, _) => {
                (Mood::Open, "No sensor measures it. Use a lamp, say what you find.".to_owned())
            }
            (true, false, true) => {
                (Mood::Open, format!("Power of {} is off or in doubt.", self.plan.district_id))
            }
            (true, false, false) => (Mood::Open, "Reading it. Hold on.".to_owned()),
            (false, ..) => (
                Mood::Good,
                format!("Frog matches at {}. Now {}.", here.word(), other(here).word()),
            ),
        }
    }

    fn contact_verdict(&self) -> (Mood, String) {
        let next = self.throwing.rest().map(|(at, _)| at);
        match self.contact.drops.last() {
            None => (Mood::Open, "Enter what the meter reads.".to_owned()),
            Some(last) if Some(last.position) == next => {
                (Mood::Good, format!("{} at {}. Now throw.", last.ohms, last.position.word()))
            }
            Some(_) => (Mood::Open, "Enter what the meter reads here.".to_owned()),
        }
    }

    fn trip_verdict(&self) -> (Mood, String) {
        let load = self
            .sight
            .district
            .amps
            .is_some_and(|it| self.plan.residual + self.plan.residual <= it);
        match (&self.trip, load) {
            (Some(_), _) => (Mood::Open, "Ordered. Waiting for proof.".to_owned()),
            (None, _) if !self.is_on() => (Mood::Open, self.restore_first()),
            (None, true) => (Mood::Open, "Ready to cut.".to_owned()),
            (None, false) => {
                (Mood::Open, "No current flows: only the feedback can be tested.".to_owned())
            }
        }
    }

    /// Power is on.
    pub(super) fn is_on(&self) -> bool {
        self.sight.district.power == Some(PowerState::On)
    }

    fn restore_first(&self) -> String {
        format!("{} is not on. Restore it first.", self.plan.district_id)
    }

    /// What must be held to the rails now.
    fn wants(&self) -> Wants {
        let Some(frog) = self.plan.frogs.first().map(|it| it.frog) else { return Wants::Nothing };
        let here = self.throwing.rest().map(|(at, _)| at);
        let read = self.contact.drops.last().map(|it| it.position);
        match (self.step, &self.coin) {
            (Step::Trip, _) if self.is_on() && self.trip.is_none() => {
                Wants::LampAcross(self.layout().block_of_frog(frog))
            }
            (Step::Contact, _) if self.is_on() && here.is_some() && here != read => {
                Wants::LampAtFrog(frog)
            }
            (Step::Coin, Some(coin)) if self.is_on() => Wants::Coin(coin.place.clone()),
            (_, _) => Wants::Nothing,
        }
    }

    fn coin_verdict(&self) -> (Mood, String) {
        match (&self.coin, self.coins.last()) {
            (Some(coin), _) => (Mood::Open, format!("Lay it at {} now.", coin.place)),
            (None, Some((_, text))) => (Mood::Good, text.clone()),
            (None, None) if !self.is_on() => (Mood::Open, self.restore_first()),
            (None, None) => (Mood::Open, "Choose a place.".to_owned()),
        }
    }
}

pub(super) const fn other(position: Position) -> Position {
    match position {
        Position::Normal => Position::Reverse,
        Position::Reverse => Position::Normal,
    }
}

fn rail(on: Conductor) -> String {
    format!("rail {}", on.word())
}

fn none() -> String {
    "not measured".to_owned()
}
