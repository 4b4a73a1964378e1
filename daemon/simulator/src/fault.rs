//! Faults in time: armed, in place, cut, cleared by the crew. What each does to the layout is in `inject`.

use circuit::grid::Bridge;
use wiring::{
    channel::Object,
    index::{DistrictIx, MachineIx},
    layout::Position,
    units::{Micros, Mono},
};

use crate::{
    driver::RunThrough,
    effect::Effect,
    machine::Machine,
    output::{FaultReport, Truth},
    plan::{FaultPlan, Plan, Planned},
    rails::{Piece, outside},
    random::Random,
    scenario::{self, Inject, Scenario},
    world::World,
};

/// What a show plays, in turn.
const SHOW: [&str; 9] = ["F01", "F63", "F03", "F10", "F60", "F40", "F22", "F30", "F42"];
/// A run-through is given this long to come about in ordinary traffic; then a train is put in place for it.
const TRAFFIC_HAS: Micros = Micros::from_millis(12_000);
/// The same in a show, where somebody waits for it.
const SHOW_HAS: Micros = Micros::from_millis(4_000);
/// Current through one contact from which a run-through's wheels are at the frog. Unit: ampere.
const WHEELS_AT_FROG: f64 = 0.7;
/// A fault that finds no place is tried again after this.
const TRIES_AGAIN: Micros = Micros::from_millis(5_000);
/// … and given up after so many tries.
const MOST_TRIES: u32 = 24;

/// A fault to come.
#[derive(Clone, Debug)]
struct Waiting {
    at: Mono,
    scenario: &'static Scenario,
    tries: u32,
}

/// A fault that is armed or in place.
#[derive(Clone, Debug)]
pub(crate) struct Active {
    pub(crate) scenario: &'static Scenario,
    pub(crate) armed: Mono,
    /// Zero until it is in place.
    pub(crate) number: u32,
    pub(crate) started: Option<Mono>,
    cut_since: Option<Mono>,
    pub(crate) effects: Vec<Effect>,
    /// What is done later.
    pub(crate) deeds: Vec<(Mono, Deed)>,
    /// The mistake that it waits for, or that was made.
    pub(crate) run: Run,
    pub(crate) subject: String,
    pub(crate) place: String,
    pub(crate) districts: Vec<DistrictIx>,
    /// It is over by itself then.
    pub(crate) ends: Option<Mono>,
}

/// Something that is done in the course of a fault.
#[derive(Clone, Debug)]
pub(crate) enum Deed {
    /// A machine is asked to go there, unless a train holds it.
    Throw(MachineIx, Position),
    /// Something more happens to the layout.
    Do(Effect),
}

/// The part of a run-through in a fault.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Run {
    /// None in it.
    None,
    /// A driver shall make the mistake.
    Wanted(Twist),
    /// It is made; current flows as soon as the wheels are there.
    Made(RunThrough, Twist),
}

/// What is special about a run-through.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Twist {
    /// Nothing.
    Plain,
    /// Another, innocent turnout is thrown just before.
    Decoy,
    /// The operator throws the shorted turnout with the power on.
    ThrownUnderPower,
    /// The train stops just before the gap.
    StopsShort,
    /// The engine stays on the gap, the breaker is quick.
    Stays,
    /// The leg belongs to the neighbouring district from the frog on.
    Boundary,
    /// An inrush follows in another district.
    AndInrush,
}

/// All faults.
pub(crate) struct Faults {
    waiting: Vec<Waiting>,
    show: Option<Show>,
    pub(crate) active: Vec<Active>,
    count: u32,
    pub(crate) random: Random,
}

#[derive(Clone, Copy, Debug)]
struct Show {
    every: Micros,
    next: Mono,
    turn: usize,
}

impl Faults {
    pub(crate) fn new(plan: &Plan) -> Self {
        let mut waiting = Vec::new();
        let mut show = None;
        match &plan.faults {
            FaultPlan::None => {}
            FaultPlan::Show { first, every } => {
                let early = Micros::from_millis(8_000);
                let next = Mono(first.0.saturating_sub(early.0));
                show = Some(Show { every: *every, next, turn: 0 });
            }
            FaultPlan::List(list) => {
                for Planned { at, scenario } in list {
                    let found = scenario::find(scenario);
                    waiting.extend(found.map(|scenario| Waiting { at: *at, scenario, tries: 0 }));
                }
            }
        }
        let random = Random::new(plan.seed, 0xfa17);
        Self { waiting, show, active: Vec::new(), count: 0, random }
    }

    /// Bridges of all faults in place, and whether each is a load rather than a short.
    pub(crate) fn bridges<'a>(
        &'a self,
        machines: &'a [Machine],
        now: Mono,
    ) -> impl Iterator<Item = (Bridge, bool)> + 'a {
        let effects = self.active.iter().flat_map(|active| &active.effects);
        effects.filter_map(move |effect| effect.bridge(machines, now))
    }

    /// When something of a fault happens next.
    pub(crate) fn next_change(&self, machines: &[Machine], now: Mono) -> Option<Mono> {
        let effects = self.active.iter().flat_map(|active| &active.effects);
        let changes = effects.filter_map(|effect| effect.next_change(machines, now));
        changes.chain(self.waiting.iter().map(|it| it.at)).min()
    }

    /// A bridge of a fault changes with time.
    pub(crate) fn is_in_motion(&self) -> bool {
        self.active.iter().flat_map(|active| &active.effects).any(Effect::is_in_motion)
    }

    /// Number of the latest fault in place in one of these districts, or of the latest anywhere.
    pub(crate) fn latest(&self, districts: &[DistrictIx]) -> Option<u32> {
        let placed = || self.active.iter().filter(|it| it.started.is_some());
        let here = placed().filter(|it| it.districts.iter().any(|its| districts.contains(its)));
        here.map(|it| it.number).max().or_else(|| placed().map(|it| it.number).max())
    }
}

impl World {
    /// Starts what is due, follows what is active, ends what is over.
    pub(crate) fn advance_faults(&mut self) {
        self.plan_show();
        self.start_due();
        let mut at = 0;
        while at < self.faults.active.len() {
            let mut fault = self.faults.active.remove(at);
            if !self.follow(&mut fault) {
                self.faults.active.insert(at, fault);
                at += 1;
            }
        }
        if self.faults.active.is_empty() && self.now.0.is_multiple_of(1_000_000) {
            self.repair_contacts();
        }
    }

    fn plan_show(&mut self) {
        let Some(show) = &mut self.faults.show else { return };
        let idle = self.faults.active.is_empty() && self.faults.waiting.is_empty();
        if !idle {
            show.next = self.now + show.every;
            return;
        }
        let powered = self.districts.iter().chain(&self.boosters).all(|feed| feed.is_on());
        if self.now < show.next || !powered {
            return;
        }
        let id = SHOW[show.turn % SHOW.len()];
        show.turn += 1;
        let at = self.now;
        let found = scenario::find(id).map(|scenario| Waiting { at, scenario, tries: 0 });
        self.faults.waiting.extend(found);
    }

    fn start_due(&mut self) {
        let now = self.now;
        if !self.faults.waiting.iter().any(|it| it.at <= now) {
            return;
        }
        let waiting = std::mem::take(&mut self.faults.waiting);
        for mut it in waiting {
            if now < it.at {
                self.faults.waiting.push(it);
            } else if let Some(active) = self.inject(it.scenario) {
                self.place(active);
            } else if it.tries < MOST_TRIES {
                it.tries += 1;
                it.at = now + TRIES_AGAIN;
                self.faults.waiting.push(it);
            } else {
                self.tell(Truth::FaultSkipped { scenario: it.scenario.id });
            }
        }
    }

    /// Puts a fault in place; one that waits for a run-through starts later.
    pub(crate) fn place(&mut self, mut active: Active) {
        for effect in &active.effects {
            effect.apply(self);
        }
        self.look_again();
        if active.run == Run::None {
            self.start(&mut active, 0.0);
        }
        self.faults.active.push(active);
    }

    fn start(&mut self, active: &mut Active, amps: f64) {
        self.faults.count += 1;
        active.number = self.faults.count;
        active.started = Some(self.now);
        let (carriers, poles) = if 0.0 < amps { self.carriers(amps) } else { Default::default() };
        for district in carriers {
            if !active.districts.contains(&district) {
                active.districts.push(district);
            }
        }
        self.tell(Truth::FaultStarted(FaultReport {
            number: active.number,
            scenario: active.scenario.id,
            subject: active.subject.clone(),
            place: active.place.clone(),
            districts: active.districts.clone(),
            poles,
            amps,
        }));
    }

    /// Follows one fault; true when it is over.
    fn follow(&mut self, fault: &mut Active) -> bool {
        match fault.run {
            Run::None => {}
            Run::Wanted(twist) => self.await_mistake(fault, twist),
            Run::Made(run, twist) => self.await_wheels(fault, run, twist),
        }
        self.do_deeds(fault);
        let Some(started) = fault.started else { return false };
        let cut = fault.districts.iter().any(|district| self.is_cut(*district));
        match (cut, fault.cut_since) {
            (true, None) => fault.cut_since = Some(self.now),
            (false, Some(_)) => fault.cut_since = None,
            (true, Some(_)) | (false, None) => {}
        }
        let crew = self.plan.crew;
        let cleared =
            fault.cut_since.is_some_and(|since| crew.clears_after_cut <= self.now.since(since));
        let lasted = crew.patience <= self.now.since(started);
        let by_itself = fault.ends.is_some_and(|ends| ends <= self.now);
        let set_right = match fault.run {
            Run::Made(run, twist) if twist != Twist::StopsShort => {
                let gone = !self.stands_on(run.train, run.machine);
                gone || self.machines[run.machine.at()].rests_at(run.needed)
            }
            Run::Made(..) | Run::Wanted(_) | Run::None => false,
        };
        if cleared || lasted || by_itself || set_right {
            self.end(fault, cleared);
            return true;
        }
        false
    }

    fn do_deeds(&mut self, fault: &mut Active) {
        if fault.deeds.iter().all(|(at, _)| self.now < *at) {
            return;
        }
        for (at, deed) in std::mem::take(&mut fault.deeds) {
            match deed {
                _ if self.now < at => fault.deeds.push((at, deed)),
                Deed::Throw(machine, to) if !self.machine_is_held(machine) => {
                    self.throw(machine, to);
                }
                Deed::Throw(..) => {}
                Deed::Do(effect) => {
                    effect.apply(self);
                    fault.effects.push(effect);
                    self.look_again();
                }
            }
        }
    }

    fn end(&mut self, fault: &mut Active, after_cut: bool) {
        if let Run::Made(run, _) = fault.run {
            if !self.machine_is_held(run.machine)
                || self.driver.holds(run.train, &self.trains, Piece::Work(run.work))
            {
                self.machines[run.machine.at()].set_by_hand(run.needed);
            }
            self.trains[run.train].held = false;
        }
        let effects = std::mem::take(&mut fault.effects);
        for effect in &effects {
            effect.undo(self);
        }
        // Rewiring is put right last, when no effect of this fault counts any more.
        self.rewire();
        self.look_again();
        self.tell(Truth::FaultEnded { number: fault.number, after_cut });
    }

    /// The district's actuator is open, or its booster's.
    fn is_cut(&self, district: DistrictIx) -> bool {
        let booster = self.layout.districts[district.at()].booster;
        !self.districts[district.at()].actuator.is_closed()
            || !self.boosters[booster.at()].actuator.is_closed()
    }

    fn await_mistake(&mut self, fault: &mut Active, twist: Twist) {
        if let Some(run) = self.driver.made.take() {
            self.driver.mistake = None;
            self.take_up(fault, run, twist);
            return;
        }
        let patience = if self.faults.show.is_some() { SHOW_HAS } else { TRAFFIC_HAS };
        if patience <= self.now.since(fault.armed)
            && !self.driver.is_about_to_err()
            && let Some(run) = self.put_train_for_run_through()
        {
            self.driver.mistake = None;
            self.take_up(fault, run, twist);
        }
    }

    fn take_up(&mut self, fault: &mut Active, run: RunThrough, twist: Twist) {
        fault.run = Run::Made(run, twist);
        self.describe_run_through(fault, run);
        let effect = match twist {
            Twist::Decoy => {
                self.throw_a_decoy(run);
                None
            }
            Twist::Stays => fault.districts.first().map(|district| {
                let share = self.faults.random.between(0.15, 1.0);
                let own = self.layout.districts[district.at()].breaker.delay;
                Effect::Slow(*district, Micros((own.0 as f64 * share) as u64))
            }),
            Twist::Boundary => {
                let block = outside(&self.layout, run.work, run.leg).block(&self.layout);
                fault.districts.push(self.layout.district_of_block(block));
                Some(Effect::Boundary(run.work, run.leg))
            }
            Twist::Plain | Twist::ThrownUnderPower | Twist::StopsShort | Twist::AndInrush => None,
        };
        if let Some(effect) = effect {
            effect.apply(self);
            fault.effects.push(effect);
            self.look_again();
        }
    }

    fn await_wheels(&mut self, fault: &mut Active, run: RunThrough, twist: Twist) {
        let started = fault.started.is_some();
        if twist == Twist::StopsShort && !started && self.stands_before(run) {
            self.trains[run.train].held = true;
            self.start(fault, 0.0);
        }
        // He sees the train come and throws, too late: the contact is to open a moment after the wheels are there.
        let machine = &self.layout.machines[run.machine.at()];
        let before = 0.45 * machine.throw_time.seconds() - 0.25;
        let thrown = self.machines[run.machine.at()].target() == run.needed;
        let late = started || self.arrives_within(run, before);
        if twist == Twist::ThrownUnderPower && !thrown && late {
            self.throw(run.machine, run.needed);
        }
    }

    /// A short of `amps` begins: it is that of a mistake whose wheels have come to the frog.
    pub(crate) fn start_run_throughs(&mut self, amps: f64) {
        let mut active = std::mem::take(&mut self.faults.active);
        let mut beside = false;
        for fault in &mut active {
            if let Run::Made(run, twist) = fault.run
                && fault.started.is_none()
                && WHEELS_AT_FROG <= self.amps_at_work(run.work)
                && self.stands_on(run.train, run.machine)
            {
                self.start(fault, amps);
                // A weak short does not stop an engine; its driver does.
                let stays = Inject::RunThroughResistive == fault.scenario.inject
                    || Inject::RunThroughThrown == fault.scenario.inject;
                self.trains[run.train].held = stays || twist == Twist::Stays;
                beside |= twist == Twist::AndInrush;
            }
        }
        self.faults.active = active;
        if beside {
            self.inject_beside("F40");
        }
    }

    /// Machines with a damaged contact are changed when nothing else is the matter.
    fn repair_contacts(&mut self) {
        let after = self.plan.crew.repairs_after;
        for at in 0..self.contacts.len() {
            if self.contacts[at].damaged.is_some_and(|since| after <= self.now.since(since)) {
                self.contacts[at].repair();
                self.tell(Truth::ContactRepaired(wiring::index::PoleIx::new(at)));
            }
        }
    }

    /// `district/quarry`: an object in words.
    pub(crate) fn subject(&self, object: Object) -> String {
        wiring::channel::subject(&self.layout, object)
    }
}

impl Active {
    /// A fault armed at `now`, with nothing in it.
    pub(crate) fn new(scenario: &'static Scenario, now: Mono) -> Self {
        Self {
            scenario,
            armed: now,
            number: 0,
            started: None,
            cut_since: None,
            effects: Vec::new(),
            deeds: Vec::new(),
            run: Run::None,
            subject: String::new(),
            place: String::new(),
            districts: Vec::new(),
            ends: None,
        }
    }
}
