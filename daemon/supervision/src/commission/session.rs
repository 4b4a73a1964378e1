//! One machine in commissioning: the step it is in, what is seen, and what came of the steps before.

use std::{collections::VecDeque, sync::Arc};

use wiring::{
    index::FrogIx,
    layout::{Layout, Position},
    units::{Microamps, Millivolts, Mono},
};

use super::{
    IDLE, LIMIT, Outcome, Plan, Request, STEADY, SeenFrog, Sight, Step, StepResult,
    coin::{CoinEnd, CoinTest},
    contact::{ContactCheck, LEAST},
    frogs::FrogCheck,
    results::Results,
    texts,
    throwing::{Stamp, Throwing, index},
    trip::{TripEnd, TripTest},
};
use crate::output::{PowerState, Refusal};

/// Readings above the limit that make a cut: nothing is cut on one bad sample.
const ABOVE: u8 = 2;
/// Longest text that a person gives. Unit: characters.
const TEXT: usize = 200;

/// What came of an input.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Told {
    /// A step ended.
    Result(StepResult),
    /// Both poles of a frog carry, or not.
    BothPoles { frog: FrogIx, carry: bool, detail: String },
    /// More flows than a limited supply gives: cut.
    Cut(Microamps),
    /// It is over, and why; none: signed.
    Ended(Option<&'static str>),
}

/// What the supervisor must do for a request, under its own rules.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Do {
    /// Nothing more.
    Nothing,
    /// Throw; then tell [`Session::handle_order`].
    Throw(Position, bool),
    /// Cut the district; then tell [`Session::handle_cut_order`].
    Cut,
}

/// A session.
#[derive(Debug)]
pub(crate) struct Session {
    pub(crate) plan: Plan,
    layout: Arc<Layout>,
    pub(crate) who: String,
    pub(crate) since: Mono,
    /// Alarms that it put out of service.
    pub(crate) aside: Vec<crate::alarm::AlarmKey>,
    pub(crate) step: Step,
    entered: Mono,
    heard: Mono,
    pub(crate) results: Results,
    pub(crate) throwing: Throwing,
    pub(crate) frogs: Vec<FrogCheck>,
    pub(crate) contact: ContactCheck,
    pub(crate) trip: Option<TripTest>,
    pub(crate) coin: Option<CoinTest>,
    /// Coins laid so far: in words, and whether each was right.
    pub(crate) coins: Vec<(bool, String)>,
    pub(crate) sight: Sight,
    above: u8,
    told: VecDeque<(Mono, Told)>,
}

impl Session {
    /// Begins, with the results that are still good.
    pub(crate) fn new(
        plan: Plan,
        layout: Arc<Layout>,
        who: &str,
        results: Vec<StepResult>,
        now: Mono,
    ) -> Self {
        let mut it = Self {
            throwing: Throwing::new(plan.throw_time),
            frogs: vec![FrogCheck::default(); plan.frogs.len()],
            contact: ContactCheck::default(),
            trip: None,
            coin: None,
            coins: Vec::new(),
            sight: Sight::default(),
            above: 0,
            plan,
            layout,
            who: who.to_owned(),
            since: now,
            aside: Vec::new(),
            step: Step::Name,
            entered: now,
            heard: now,
            results: Results::new(results),
            told: VecDeque::new(),
        };
        it.advance(Step::Name, now);
        it
    }

    pub(super) fn layout(&self) -> &Layout {
        &self.layout
    }

    /// The next thing that came of inputs.
    pub(crate) fn poll(&mut self) -> Option<(Mono, Told)> {
        self.told.pop_front()
    }

    /// Another person, or device, goes on.
    pub(crate) fn take_over(&mut self, who: &str, now: Mono) {
        who.clone_into(&mut self.who);
        self.heard = now;
    }

    /// What can be seen.
    pub(crate) fn handle_sight(&mut self, sight: Sight, now: Mono) {
        if let Some(position) = sight.position {
            self.throwing.handle_position(position, Stamp { at: now, node: sight.position_told });
        }
        if let Some(frog) = sight.frogs.first()
            && let Some(polarity) = frog.measured
        {
            self.throwing.handle_polarity(polarity, Stamp { at: now, node: frog.told });
        }
        let rest = self.throwing.rest().map(|(at, _)| at);
        for (frog, seen) in self.frogs.iter_mut().zip(&sight.frogs) {
            frog.handle(*seen, rest, now);
        }
        if let Some(trip) = &mut self.trip {
            trip.handle(&sight.district, self.plan.residual, now);
        }
        if let Some(coin) = &mut self.coin {
            coin.handle(&sight.district, now);
        }
        self.sight = sight;
        self.settle(now);
    }

    /// A fresh reading of the current through the frog or its block.
    pub(crate) fn handle_amps(&mut self, amps: Microamps, now: Mono) {
        let limited = matches!(self.step, Step::Frog | Step::Contact);
        let is_off = matches!(
            self.sight.district.power,
            Some(PowerState::Cut | PowerState::Cutting | PowerState::CutFailed)
        );
        if !limited || is_off || amps <= LIMIT {
            self.above = 0;
            return;
        }
        self.above = self.above.saturating_add(1);
        if self.above == ABOVE {
            self.told.push_back((now, Told::Cut(amps)));
        }
    }

    /// Settles what fell due.
    pub(crate) fn handle_timeout(&mut self, now: Mono) {
        if self.heard + IDLE <= now {
            self.told.push_back((now, Told::Ended(Some("nobody was there for 10 minutes"))));
            return;
        }
        self.settle(now);
    }

    /// When something falls due next.
    pub(crate) fn poll_deadline(&self) -> Option<Mono> {
        let step = match self.step {
            Step::Normal => self.throw_due(Position::Normal),
            Step::Reverse => self.throw_due(Position::Reverse),
            Step::Frog => self.frogs.iter().filter_map(FrogCheck::poll_deadline).min(),
            Step::Coin => self.coin.as_ref().and_then(CoinTest::poll_deadline),
            Step::Name | Step::Contact | Step::Trip | Step::Sign => None,
        };
        step.into_iter().chain(self.throwing.poll_deadline()).chain([self.heard + IDLE]).min()
    }

    /// When a throw to `to` counts, if it stays there.
    fn throw_due(&self, to: Position) -> Option<Mono> {
        let seen = self.throwing.seen[index(to)]?;
        let (_, since) = self.throwing.rest().filter(|(at, _)| *at == to)?;
        let due = if seen.told { seen.at } else { since.max(self.entered) + STEADY };
        self.throwing.fault[index(to)].is_none().then_some(due)
    }

    fn settle(&mut self, now: Mono) {
        self.throwing.handle_timeout(now);
        if self.step == Step::Frog {
            self.frogs.iter_mut().for_each(|it| it.handle_timeout(now));
        }
        if let Some(coin) = &mut self.coin {
            coin.handle_timeout(now);
        }
        match self.step {
            Step::Normal => self.judge_throw(Position::Normal, now),
            Step::Reverse => self.judge_throw(Position::Reverse, now),
            Step::Frog => self.judge_frogs(now),
            Step::Contact => self.judge_contact(now),
            Step::Trip => self.judge_trip(now),
            Step::Coin => self.judge_coin(now),
            Step::Name | Step::Sign => {}
        }
    }

    fn judge_throw(&mut self, to: Position, now: Mono) {
        if let Some(fault) = self.throwing.fault[index(to)] {
            self.fail(texts::throw_fault(&self.plan, fault, to), now);
        } else if self.throw_due(to).is_some_and(|due| due <= now)
            && let Some(seen) = self.throwing.seen[index(to)]
        {
            self.pass(texts::throw_detail(&self.plan, &seen), now);
        }
    }

    fn judge_frogs(&mut self, now: Mono) {
        if let Some(text) = self.frog_mistake() {
            self.fail(text, now);
        } else if self.frogs.iter().all(FrogCheck::is_right) {
            let told = self.frogs.iter().any(|it| it.told);
            self.pass(texts::frogs_detail(&self.plan, told), now);
        }
    }

    /// The likely mistake of the first frog that has one, with its remedy.
    pub(crate) fn frog_mistake(&self) -> Option<String> {
        let mut all = self.frogs.iter().zip(&self.plan.frogs);
        all.find_map(|(check, frog)| {
            let found = check.mistake()?;
            Some(texts::frog_mistake(&self.layout, &self.plan, frog, found))
        })
    }

    fn judge_contact(&mut self, now: Mono) {
        if !self.contact.is_complete() {
            return;
        }
        let (Some(grade), Some(worst)) = (self.contact.grade(), self.contact.worst()) else {
            return;
        };
        if grade.passes() {
            self.pass(texts::contact_detail(&self.contact, grade), now);
        } else {
            self.fail(texts::contact_weak(&self.layout, &self.plan, worst), now);
        }
    }

    fn judge_trip(&mut self, now: Mono) {
        let Some(trip) = self.trip else { return };
        let loaded = trip.had_load(self.plan.residual);
        match trip.end {
            None => {}
            Some(TripEnd::Proved(..)) if loaded || trip.feedback.is_some() => {
                self.pass(texts::trip_detail(&trip, loaded), now);
            }
            Some(TripEnd::Proved(..)) => self.fail(texts::TRIP_BLIND.to_owned(), now),
            Some(TripEnd::Late(after)) => self.fail(texts::trip_late(&self.plan, after), now),
            Some(TripEnd::Failed) => self.fail(texts::trip_failed(&self.plan), now),
            Some(TripEnd::Unproved) => self.fail(texts::trip_unproved(&self.plan), now),
        }
    }

    fn judge_coin(&mut self, now: Mono) {
        let Some(coin) = self.coin.take_if(|it| it.passes().is_some()) else { return };
        let good = coin.passes().unwrap_or(false);
        let text = texts::coin(&self.plan, &coin);
        if coin.end != Some(CoinEnd::NotLaid) {
            self.coins.push((good, text.clone()));
        }
        if !good {
            self.fail(text, now);
        }
    }

    /// A request of the person whose session it is.
    ///
    /// # Errors
    /// [`Refusal`] when the step does not ask for this.
    pub(crate) fn handle(&mut self, request: Request, now: Mono) -> Result<Do, Refusal> {
        self.heard = now;
        match request {
            Request::Begin | Request::Stay => {}
            Request::Next => self.handle_next(now)?,
            Request::Throw { to, confirmed } => return Ok(Do::Throw(to, confirmed)),
            Request::SeenPosition(to) => self.handle_seen_position(to)?,
            Request::SeenFrog(seen) => self.handle_seen_frog(seen)?,
            Request::Meter { drop, amps, lifted } => self.handle_meter(drop, amps, lifted, now)?,
            Request::Cut if self.step == Step::Trip && self.plan.can_cut => return Ok(Do::Cut),
            Request::Coin { place, predicted } if self.step == Step::Coin => {
                self.results.forget_failure(self.step);
                self.coin = Some(CoinTest::new(place, predicted, now));
            }
            Request::Cut | Request::Coin { .. } => return Err(Refusal::WrongStep),
            Request::Again => self.reset(now),
            Request::Back => {
                self.step = self.step.before();
                self.reset(now);
            }
            Request::Skip(reason) => self.handle_skip(&reason, now)?,
            Request::Sign(initials) => self.handle_sign(&initials, now)?,
            Request::Leave => self.told.push_back((now, Told::Ended(Some("left")))),
        }
        self.settle(now);
        Ok(Do::Nothing)
    }

    /// The current of a test lamp flows: it is likely what keeps the block from being clear.
    pub(crate) fn is_lit(&self) -> bool {
        let asked = matches!(self.step, Step::Frog | Step::Contact | Step::Trip);
        asked && self.sight.amps.is_some_and(|amps| LEAST <= amps && amps <= LIMIT)
    }

    /// The throw was ordered.
    pub(crate) fn handle_order(&mut self, to: Position, now: Mono) {
        self.results.forget_failure(self.step);
        self.throwing.handle_order(to, now);
    }

    /// The cut was ordered.
    pub(crate) fn handle_cut_order(&mut self, now: Mono) {
        self.results.forget_failure(self.step);
        self.trip = Some(TripTest::new(self.sight.district.amps, now));
    }

    fn handle_next(&mut self, now: Mono) -> Result<(), Refusal> {
        match self.step {
            Step::Name => self.pass(format!("at {}", self.plan.id), now),
            Step::Coin if self.coins.iter().any(|(good, _)| *good) && self.coin.is_none() => {
                let texts: Vec<_> = self.coins.iter().map(|(_, text)| text.as_str()).collect();
                let text = texts.join(" ");
                if self.coins.iter().all(|(good, _)| *good) {
                    self.pass(text, now);
                } else {
                    return Err(Refusal::StepOpen);
                }
            }
            Step::Normal
            | Step::Reverse
            | Step::Frog
            | Step::Contact
            | Step::Trip
            | Step::Coin
            | Step::Sign => return Err(Refusal::WrongStep),
        }
        Ok(())
    }

    /// What a sensor tells is not overruled by what a person says.
    fn handle_seen_position(&mut self, to: Position) -> Result<(), Refusal> {
        if self.throwing.is_measured() {
            return Err(Refusal::WrongStep);
        }
        self.throwing.handle_told(to, self.heard);
        Ok(())
    }

    fn handle_seen_frog(&mut self, seen: SeenFrog) -> Result<(), Refusal> {
        let Some((position, _)) = self.throwing.rest().filter(|_| self.step == Step::Frog) else {
            return Err(Refusal::WrongStep);
        };
        let mut unmeasured = self.frogs.iter_mut().zip(&self.sight.frogs);
        // Several frogs without a sensor are asked for one after the other.
        let next = unmeasured.find(|(check, sight)| {
            sight.measured.is_none() && check.found[index(position)].is_none()
        });
        next.ok_or(Refusal::WrongStep)?.0.handle_told(seen, position);
        Ok(())
    }

    fn handle_meter(
        &mut self,
        drop: Millivolts,
        amps: Option<Microamps>,
        lifted: Option<u8>,
        now: Mono,
    ) -> Result<(), Refusal> {
        let Some((position, _)) = self.throwing.rest().filter(|_| self.step == Step::Contact)
        else {
            return Err(Refusal::WrongStep);
        };
        let amps = amps.or(self.sight.amps).filter(|amps| LEAST <= *amps && *amps <= LIMIT);
        let amps = amps.ok_or(Refusal::NoTestCurrent)?;
        self.results.forget_failure(self.step);
        self.contact.handle(position, drop, amps, lifted);
        let Some(frog) = self.plan.frogs.first() else { return Ok(()) };
        if lifted.is_some()
            && let Some(carry) = self.contact.both_carry(&frog.poles)
        {
            let detail = texts::both_poles(carry);
            self.told.push_back((now, Told::BothPoles { frog: frog.frog, carry, detail }));
        }
        Ok(())
    }

    fn handle_skip(&mut self, reason: &str, now: Mono) -> Result<(), Refusal> {
        let reason = cleaned(reason);
        if matches!(self.step, Step::Name | Step::Sign) || reason.is_empty() {
            return Err(Refusal::WrongStep);
        }
        self.end_step(Outcome::Skipped, reason, now);
        Ok(())
    }

    fn handle_sign(&mut self, initials: &str, now: Mono) -> Result<(), Refusal> {
        let initials = cleaned(initials);
        if initials.is_empty() {
            return Err(Refusal::WrongStep);
        }
        if self.results.first_open(Step::Name) != Step::Sign {
            return Err(Refusal::StepOpen);
        }
        self.who = initials;
        self.step = Step::Sign;
        let (outcome, detail) = texts::signature(&self.results);
        self.keep(outcome, detail, now);
        self.told.push_back((now, Told::Ended(None)));
        Ok(())
    }

    fn pass(&mut self, detail: String, now: Mono) {
        self.end_step(Outcome::Passed, detail, now);
    }

    fn end_step(&mut self, outcome: Outcome, detail: String, now: Mono) {
        self.keep(outcome, detail, now);
        self.advance(self.step, now);
    }

    fn fail(&mut self, detail: String, now: Mono) {
        if !self.results.has_failure(self.step, &detail) {
            self.keep(Outcome::Failed, detail, now);
        }
    }

    fn keep(&mut self, outcome: Outcome, detail: String, now: Mono) {
        let result = StepResult { step: self.step, outcome, detail, who: self.who.clone() };
        self.results.keep(result.clone());
        self.told.push_back((now, Told::Result(result)));
    }

    /// To the next open step; those that this machine cannot have are skipped on the way.
    fn advance(&mut self, from: Step, now: Mono) {
        let mut step = self.results.first_open(from);
        while let Some(reason) = texts::not_here(&self.plan, step) {
            self.step = step;
            self.keep(Outcome::Skipped, reason, now);
            step = self.results.first_open(step.next());
        }
        self.step = step;
        self.entered = now;
    }

    /// Measures the step from the beginning.
    fn reset(&mut self, now: Mono) {
        self.entered = now;
        self.results.forget(self.step);
        match self.step {
            Step::Normal => self.throwing.again(Position::Normal),
            Step::Reverse => self.throwing.again(Position::Reverse),
            Step::Frog => self.frogs.fill(FrogCheck::default()),
            Step::Contact => self.contact = ContactCheck::default(),
            Step::Trip => self.trip = None,
            Step::Coin => {
                self.coin = None;
                self.coins.clear();
            }
            Step::Name | Step::Sign => {}
        }
    }
}

fn cleaned(text: &str) -> String {
    text.trim().chars().filter(|it| !it.is_control()).take(TEXT).collect()
}
