//! Machines in commissioning: their sessions, and what the supervisor does for them under its own rules.

use std::sync::Arc;

use wiring::{
    channel::Object,
    index::MachineIx,
    units::{Micros, Mono},
};

use super::{
    Supervisor,
    slots::{Timer, district_residual},
};
use crate::{
    alarm::{AlarmKey, AlarmState, Subject},
    alarms::{Condition, Grade},
    cause::Cause,
    commission::{
        Do, Kept, KeptWhat, LIMIT, Outcome, Plan, Proved, Remembered, Request, Session,
        SessionView, Step, StepResult, Told, When,
    },
    input::{Feed, Value},
    model::Route,
    output::{Decision, ProofStrength, Refusal},
    snapshot::Proof,
};

mod sight;

/// What is known of machines from commissioning.
#[derive(Debug)]
pub(crate) struct Commissioning {
    /// By machine: its wiring, and what was proved of it. Views share it.
    proofs: Arc<Vec<Proof>>,
    sessions: Vec<Session>,
    /// Results since the last signature, by machine.
    results: Vec<Vec<StepResult>>,
    /// By feed: the proof of its latest cut.
    cuts: Vec<Option<(Micros, ProofStrength)>>,
}

impl Commissioning {
    pub(super) fn new(wiring: Vec<String>, feeds: usize) -> Self {
        let machines = wiring.len();
        let proofs = wiring.into_iter().map(|wiring| Proof { wiring, proved: None }).collect();
        Self {
            proofs: Arc::new(proofs),
            sessions: Vec::new(),
            results: vec![Vec::new(); machines],
            cuts: vec![None; feeds],
        }
    }

    pub(super) fn poll_deadline(&self) -> Option<Mono> {
        self.sessions.iter().filter_map(Session::poll_deadline).min()
    }

    /// A cut of a feed is proved.
    pub(super) fn handle_cut(&mut self, feed: usize, after: Micros, how: ProofStrength) {
        self.cuts[feed] = Some((after, how));
    }

    fn place(&self, machine: MachineIx) -> Option<usize> {
        self.sessions.iter().position(|it| it.plan.machine == machine)
    }

    fn is_about(
        &self,
        subject: Subject,
        poles: impl Fn(MachineIx, wiring::index::PoleIx) -> bool,
    ) -> Option<usize> {
        let Subject::Object(object) = subject else { return None };
        self.sessions.iter().position(|it| match object {
            Object::Machine(machine) => it.plan.machine == machine,
            Object::Frog(frog) => it.plan.frogs.iter().any(|of| of.frog == frog),
            Object::Pole(pole) => poles(it.plan.machine, pole),
            Object::Booster(_) | Object::District(_) | Object::Block(_) | Object::Reverser(_) => {
                false
            }
        })
    }
}

impl Supervisor {
    /// What the history brings back. A session that was open when the program ended goes on.
    pub(super) fn remember_commissioning(&mut self, remembered: Vec<Remembered>, now: Mono) {
        for it in remembered {
            let at = it.machine.at();
            if self.commissioning.proofs.len() <= at {
                continue;
            }
            Arc::make_mut(&mut self.commissioning.proofs)[at].proved = it.proved;
            self.commissioning.results[at] = it.results;
            if let Some(who) = it.open {
                self.open_session(it.machine, &who, now);
            }
        }
    }

    pub(super) fn commission(
        &mut self,
        who: &str,
        machine: MachineIx,
        request: Request,
        at: Mono,
    ) -> Result<(), Refusal> {
        if self.model.layout.machines.len() <= machine.at() {
            return Err(Refusal::Unknown);
        }
        if request == Request::Begin {
            self.begin_session(machine, who, at);
        }
        let place = self.commissioning.place(machine).ok_or(Refusal::NotCommissioning)?;
        if self.commissioning.sessions[place].who != who {
            return Err(Refusal::NotCommissioning);
        }
        match self.commissioning.sessions[place].handle(request, at)? {
            // What is measured again is not known any more.
            Do::Nothing => {
                self.commissioning.results[machine.at()] =
                    self.commissioning.sessions[place].results.iter().cloned().collect();
            }
            Do::Throw(to, confirmed) => {
                let lit = self.commissioning.sessions[place].is_lit();
                self.throw(machine, to, confirmed, at).map_err(|why| match why {
                    Refusal::Occupied if lit => Refusal::LampOn,
                    other => other,
                })?;
                self.commissioning.sessions[place].handle_order(to, at);
            }
            Do::Cut => self.cut_for_test(place, at)?,
        }
        self.see_sessions(at);
        Ok(())
    }

    fn cut_for_test(&mut self, place: usize, at: Mono) -> Result<(), Refusal> {
        let district = self.commissioning.sessions[place].plan.district.ok_or(Refusal::Unknown)?;
        let feed = Feed::District(district);
        let nth = self.model.feed_at(feed);
        if !self.powers[nth].is_on() {
            let booster = self.model.layout.districts[district.at()].booster.at();
            let dead = self.powers[booster].is_proved_off();
            return Err(if dead { Refusal::FedFromDead } else { Refusal::NotOn });
        }
        self.commissioning.cuts[nth] = None;
        self.commissioning.sessions[place].handle_cut_order(at);
        self.cut_by_hand(feed, Cause::Operator, at)
    }

    fn begin_session(&mut self, machine: MachineIx, who: &str, at: Mono) {
        match self.commissioning.place(machine) {
            Some(place) if self.commissioning.sessions[place].who == who => return,
            Some(place) => self.commissioning.sessions[place].take_over(who, at),
            None => self.open_session(machine, who, at),
        }
        self.keep(machine, who, KeptWhat::Begun, at);
    }

    fn open_session(&mut self, machine: MachineIx, who: &str, at: Mono) {
        let model = std::sync::Arc::clone(&self.model);
        let plan = Plan::new(&model.layout, machine, |it| district_residual(&model, it));
        let results = self.commissioning.results[machine.at()].clone();
        let layout = std::sync::Arc::clone(&model.layout);
        let session = Session::new(plan, layout, who, results, at);
        self.commissioning.sessions.push(session);
        let standing: Vec<AlarmKey> = self.alarms.iter().map(|(key, _)| *key).collect();
        for key in standing {
            self.set_aside(key, at);
        }
        self.drain_alarms();
        self.see_sessions(at);
    }

    /// Alarms of what is in commissioning are out of service, from when they would come.
    pub(super) fn set_aside(&mut self, key: AlarmKey, at: Mono) {
        let layout = &self.model.layout;
        let place = self
            .commissioning
            .is_about(key.subject, |machine, pole| layout.poles[pole.at()].machine == machine);
        let Some(place) = place else { return };
        let session = &mut self.commissioning.sessions[place];
        if session.aside.contains(&key) {
            return;
        }
        session.aside.push(key);
        if self.alarms.state(key) != AlarmState::OutOfService {
            let district = self.model.district_of(key.subject);
            // Refused only where it is out of service already.
            let _ = self.alarms.remove(Condition { key, district, grade: Grade::Usual }, at);
        }
    }

    /// Somebody else has a turnout of this feed in commissioning.
    pub(super) fn is_commissioned_by_another(&self, feed: Feed, who: &str) -> bool {
        self.commissioning.sessions.iter().any(|it| {
            let Some(district) = it.plan.district else { return false };
            let same = match feed {
                Feed::District(of) => of == district,
                Feed::Booster(of) => self.model.layout.districts[district.at()].booster == of,
            };
            same && it.who != who
        })
    }

    /// A reading came: those sessions look that it concerns.
    pub(super) fn show_sessions(&mut self, route: Route, value: Option<Value>, at: Mono) {
        if self.commissioning.sessions.is_empty() {
            return;
        }
        let mut any = false;
        for place in 0..self.commissioning.sessions.len() {
            if self.concerns(place, route) {
                self.see_session(place, at);
                if let (Some(Value::Current(amps)), true) =
                    (value, self.is_test_current(place, route))
                {
                    self.commissioning.sessions[place].handle_amps(amps, at);
                }
                any = true;
            }
        }
        if any {
            self.drain_sessions();
        }
    }

    /// Something else than a reading happened: every session looks.
    pub(super) fn see_sessions(&mut self, at: Mono) {
        for place in 0..self.commissioning.sessions.len() {
            self.see_session(place, at);
        }
        self.drain_sessions();
    }

    /// Settles what fell due in sessions.
    pub(super) fn settle_sessions(&mut self, at: Mono) {
        for place in 0..self.commissioning.sessions.len() {
            self.see_session(place, at);
            self.commissioning.sessions[place].handle_timeout(at);
        }
        self.drain_sessions();
    }

    /// Acts on everything that sessions have told.
    fn drain_sessions(&mut self) {
        let mut place = 0;
        while let Some(session) = self.commissioning.sessions.get_mut(place) {
            match session.poll() {
                Some((at, told)) => {
                    if self.heed_session(place, told, at) {
                        // The next one has moved up to this place.
                        continue;
                    }
                }
                None => place += 1,
            }
        }
        self.refresh_timer(Timer::Commissioning);
    }

    /// Says whether the session is over.
    fn heed_session(&mut self, place: usize, told: Told, at: Mono) -> bool {
        let session = &self.commissioning.sessions[place];
        let (machine, who) = (session.plan.machine, session.who.clone());
        match told {
            Told::Result(result) => {
                self.keep_result(machine, &result, at);
                let StepResult { step, outcome, detail, who } = result;
                let what = if step == Step::Sign {
                    let results =
                        self.commissioning.sessions[place].results.iter().cloned().collect();
                    KeptWhat::Signed { proved: outcome == Outcome::Passed, detail, results }
                } else {
                    KeptWhat::Result { step, outcome, detail }
                };
                self.keep(machine, &who, what, at);
            }
            Told::BothPoles { frog, carry, detail } => {
                self.proved_pairs[frog.at()] = carry || self.model.layout.frogs[frog.at()].proved;
                self.keep(machine, &who, KeptWhat::BothPoles { frog, carry, detail }, at);
            }
            Told::Cut(seen) => {
                if let Some(district) = session.plan.district {
                    let cause = Cause::TestLimit { seen, limit: LIMIT };
                    // Without an actuator the person is told by the reading alone.
                    let _ = self.cut_by_hand(Feed::District(district), cause, at);
                }
            }
            Told::Ended(why) => {
                let results = session.results.iter().cloned().collect();
                self.end_session(place, at);
                if let Some(why) = why {
                    let what = KeptWhat::Ended { why: why.to_owned(), results };
                    self.keep(machine, &who, what, at);
                }
                return true;
            }
        }
        false
    }

    fn keep_result(&mut self, machine: MachineIx, result: &StepResult, at: Mono) {
        let results = &mut self.commissioning.results[machine.at()];
        if result.step != Step::Sign {
            results.retain(|it| it.step != result.step);
            results.push(result.clone());
            return;
        }
        results.clear();
        let proved = Proved {
            wiring: self.commissioning.proofs[machine.at()].wiring.clone(),
            who: result.who.clone(),
            when: When::Run(at),
        };
        Arc::make_mut(&mut self.commissioning.proofs)[machine.at()].proved =
            (result.outcome == Outcome::Passed).then_some(proved);
    }

    /// Its alarms return to service: those whose condition stands come.
    fn end_session(&mut self, place: usize, at: Mono) {
        let session = self.commissioning.sessions.remove(place);
        for key in session.aside {
            // A person may have returned it by hand.
            let _ = self.alarms.return_to_service(key, at);
        }
        self.drain_alarms();
    }

    fn keep(&mut self, machine: MachineIx, who: &str, what: KeptWhat, at: Mono) {
        let wiring = self.commissioning.proofs[machine.at()].wiring.clone();
        let kept = Kept { machine, wiring, who: who.to_owned(), what };
        self.emit(at, Decision::Commissioned(Box::new(kept)));
    }

    pub(super) fn session_views(&self) -> Vec<SessionView> {
        let view = |it: &Session| it.view(self.is_throw_offered(it.plan.machine));
        self.commissioning.sessions.iter().map(view).collect()
    }

    pub(super) fn proofs(&self) -> Arc<Vec<Proof>> {
        Arc::clone(&self.commissioning.proofs)
    }
}
