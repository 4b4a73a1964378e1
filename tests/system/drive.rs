//! The loop: plant, wire, process, disk and people, one small step after another.

use std::collections::{BTreeMap, BTreeSet};

use history::{Item, What};
use simulator::{
    Crew, FaultPlan, Plan, Planned, SCENARIOS, SensorPlan, Truth, World, random::Random,
};
use supervision::{
    Supervisor,
    input::{Act, Input, OperatorRequest, RequestId},
    output::{Decision, Output},
    snapshot::Snapshot,
};
use wiring::{
    index::PoleIx,
    units::{Micros, Mono},
};

use super::{checks::Checks, disk::Disk, people, wire::Wire};
use crate::trial::bed::Bed;

/// The supervisor's task wakes at least so often.
const STEP: Micros = Micros::from_millis(10);
/// Between looks at everything that is shown.
const LOOK: Micros = Micros::from_millis(50);
/// The wall clock at the world's time zero. Unit: microseconds since 1970.
const WALL: i64 = 1_790_000_000_000_000;

/// What was done to the system, counted.
#[derive(Clone, Copy, Debug, Default)]
pub struct Incidents {
    pub kills: u64,
    pub kills_within_a_step: u64,
    pub stops: u64,
    pub disk_full: u64,
    pub disk_slow: u64,
    pub clock_steps: u64,
    pub acts: u64,
    pub faults: u64,
}

/// The process, while it lives.
struct Process {
    supervisor: Supervisor,
    began: Mono,
    /// The wall clock at its start.
    wall: i64,
    /// It is killed behind so many more outputs.
    fuse: Option<usize>,
    requests: u64,
    /// Requests by number: what was asked.
    asked: Vec<(u64, Act)>,
}

pub struct System<'a> {
    bed: &'a Bed,
    pub world: World,
    pub wire: Wire,
    pub disk: Disk,
    pub checks: Checks,
    process: Option<Process>,
    /// When a dead process starts again.
    starts: Mono,
    random: Random,
    pub now: Mono,
    next_look: Mono,
    next_incident: Mono,
    next_help: Mono,
    /// The wall clock against the true time.
    wall_offset: i64,
    pub troubled: bool,
    helping: bool,
    /// Faults of the plant that nobody has removed yet, and contacts that nobody has repaired.
    standing: BTreeMap<u32, &'static str>,
    damaged: BTreeSet<PoleIx>,
    pub incidents: Incidents,
    nodes: Vec<String>,
}

impl<'a> System<'a> {
    pub fn new(bed: &'a Bed, seed: u64, trouble_for: Micros) -> Self {
        let world = bed.world(plan(seed, trouble_for));
        let wire = Wire::new(&world, seed);
        let nodes = world.nodes().iter().map(|it| it.id.clone()).collect();
        let mut it = Self {
            bed,
            wire,
            disk: Disk::new(bed, seed),
            checks: Checks::new(bed, world.nodes()),
            world,
            process: None,
            starts: Mono::START,
            random: Random::new(seed, 0x5175),
            now: Mono::START,
            next_look: Mono::START,
            next_incident: Mono::START + Micros::from_millis(3000),
            next_help: Mono::START,
            wall_offset: 0,
            troubled: true,
            helping: false,
            standing: BTreeMap::new(),
            damaged: BTreeSet::new(),
            incidents: Incidents::default(),
            nodes,
        };
        it.wire.trouble = Some(200);
        it.start();
        it
    }

    fn wall(&self) -> i64 {
        WALL + i64::try_from(self.now.0).expect("a short run") + self.wall_offset
    }

    fn start(&mut self) {
        let wall = self.wall();
        let durable = self.disk.locked_out.clone();
        let remembered = self.disk.open(wall);
        self.checks.remembers(&durable, &remembered);
        let supervisor = self.bed.supervisor_after(remembered.clone());
        let began = self.now;
        self.process =
            Some(Process { supervisor, began, wall, fuse: None, requests: 0, asked: Vec::new() });
        self.wire.daemon_started(self.now);
        let snapshot = self.snapshot().expect("it has just started");
        self.checks.started(&remembered, &snapshot, self.now);
        self.drain();
    }

    /// Calm wires and hardware, a fault on the layout every few minutes, and an operator who restores.
    pub fn soaking(bed: &'a Bed, seed: u64, span: Micros) -> Self {
        let mut it = Self::new(bed, seed, Micros::ZERO);
        let mut plan = plan(seed, Micros::ZERO);
        let mut random = Random::new(seed, 0x50a4);
        let mut at = Mono::START + Micros::from_millis(60_000);
        let mut faults = Vec::new();
        while at < Mono::START + span {
            if let Some(scenario) = random.pick(SCENARIOS) {
                faults.push(Planned { at, scenario: scenario.id });
            }
            at = at + Micros::from_millis(120_000 + random.below(240_000) as u64);
        }
        plan.faults = FaultPlan::List(faults);
        it.world = bed.world(plan);
        it.calm();
        it.help();
        it
    }

    /// What the supervisor holds, and how many items wait for the disk.
    pub fn held(&self) -> (supervision::Held, usize) {
        let held = self.process.as_ref().map(|it| it.supervisor.held());
        (held.unwrap_or_default(), self.disk.waiting())
    }

    /// The state as shown, where the process lives.
    pub fn snapshot(&self) -> Option<Snapshot> {
        self.process.as_ref().map(|it| it.supervisor.snapshot())
    }

    /// One step.
    pub fn advance(&mut self) {
        let to = self.now + STEP;
        self.world.advance(to);
        while let Some(reading) = self.world.poll_reading() {
            self.wire.send(reading, self.now);
        }
        while let Some(event) = self.world.poll_truth() {
            self.follow_truth(&event.what);
        }
        let lives = self.process.is_some();
        self.wire.advance(&mut self.world, to, lives);
        let arrivals = self.wire.arrivals(&self.world, &self.bed.channels, to);
        for (at, input) in arrivals {
            // Without a process nobody hears them.
            self.hand_over(input, at.max(self.now));
        }
        self.now = to;
        self.incident();
        if self.process.is_none() && self.starts <= self.now {
            self.start();
        }
        self.tick();
    }

    fn follow_truth(&mut self, what: &Truth) {
        match what {
            Truth::FaultStarted(report) => {
                self.incidents.faults += 1;
                self.standing.insert(report.number, report.scenario);
            }
            Truth::FaultEnded { number, .. } => {
                self.standing.remove(number);
            }
            Truth::ContactBurnt(pole) | Truth::ContactWelded(pole, _) => {
                self.damaged.insert(*pole);
            }
            Truth::ContactRepaired(pole) => {
                self.damaged.remove(pole);
            }
            _ => {}
        }
    }

    /// What is wrong on the layout itself: no supervisor can have it well.
    pub fn is_layout_sound(&self) -> bool {
        self.standing.is_empty() && self.damaged.is_empty()
    }

    fn tick(&mut self) {
        if self.process.is_none() {
            return;
        }
        if let Some(report) = self.disk.advance(self.now) {
            self.hand_over(Input::Link(report), self.now);
        }
        self.hand_over(Input::Tick, self.now);
        if self.next_look <= self.now
            && let Some(snapshot) = self.snapshot()
        {
            self.next_look = self.now + LOOK;
            let held = self.process.as_ref().map(|it| it.supervisor.held()).unwrap_or_default();
            self.checks.after_step(&snapshot, held, self.now);
            if self.helping && self.next_help <= self.now {
                self.next_help = self.now + Micros::from_millis(1000);
                for act in people::helpful_acts(&snapshot) {
                    self.ask("driver", act);
                }
            }
        }
    }

    fn hand_over(&mut self, input: Input, at: Mono) {
        let Some(process) = &mut self.process else { return };
        self.now = self.now.max(at);
        self.checks.input(&input, self.now);
        let own = Mono(self.now.0 - process.began.0);
        process.supervisor.handle(input, own);
        self.drain();
    }

    /// Performs outputs as the supervisor's task does: orders at once, the rest after the last of them.
    fn drain(&mut self) {
        let mut later = Vec::new();
        while let Some(process) = &mut self.process {
            let Some(output) = process.supervisor.poll_output() else { break };
            if let Some(fuse) = &mut process.fuse {
                if *fuse == 0 {
                    self.incidents.kills_within_a_step += 1;
                    self.kill();
                    return;
                }
                *fuse -= 1;
            }
            self.checks.output(&output, self.now);
            if let Decision::Order(order) = &output.what {
                self.wire.order(order.clone(), self.now);
            }
            later.push(output);
        }
        for output in later {
            self.announce(output);
        }
    }

    fn announce(&mut self, output: Output) {
        let Some(process) = &mut self.process else { return };
        let wall = process.wall + i64::try_from(output.at.0).expect("a short run");
        if let Decision::Answer { request, result } = &output.what {
            let place = process.asked.iter().position(|(number, _)| *number == request.0);
            let act = place.map(|place| process.asked.swap_remove(place).1);
            if let (Some(Act::Shelve { alarm, lasts, .. }), Ok(())) = (act, result) {
                let what = What::Shelving { alarm, until: output.at + lasts.span() };
                self.disk.record(Item { at: output.at, utc: wall, what }, self.now);
            }
        }
        let nodes = &self.nodes;
        let name = |node: supervision::input::NodeIx| nodes.get(usize::from(node.0)).cloned();
        if let Some(item) = Item::of(output, wall, name) {
            self.disk.record(item, self.now);
        }
    }

    fn ask(&mut self, who: &str, act: Act) {
        let Some(process) = &mut self.process else { return };
        process.requests += 1;
        let id = RequestId(process.requests);
        process.asked.push((id.0, act.clone()));
        self.checks.asked(who, &act, self.now);
        self.incidents.acts += 1;
        let request = OperatorRequest { id, who: who.to_owned(), act };
        self.hand_over(Input::Operator(request), self.now);
    }

    fn kill(&mut self) {
        self.incidents.kills += 1;
        self.process = None;
        self.disk.kill();
        let away = 200 + self.random.below(5000) as u64;
        self.starts = self.now + Micros::from_millis(away);
    }

    /// An orderly stop: everything cut, what can be saved is saved.
    fn stop(&mut self) {
        self.incidents.stops += 1;
        self.ask("checkrail", Act::Shutdown);
        let Some(process) = &mut self.process else { return };
        let own = Mono(self.now.0 - process.began.0);
        process.supervisor.finish(own);
        self.drain();
        if self.process.take().is_some() {
            self.disk.stop(self.now);
            self.starts = self.now + Micros::from_millis(500 + self.random.below(3000) as u64);
        }
    }

    /// Something happens to the system itself, every few seconds while there is trouble.
    fn incident(&mut self) {
        if !self.troubled || self.now < self.next_incident {
            return;
        }
        self.next_incident = self.now + Micros::from_millis(300 + self.random.below(3000) as u64);
        let span = Micros::from_millis(300 + self.random.below(6000) as u64);
        match self.random.below(16) {
            0 => self.kill_if_alive(),
            1 | 2 => {
                let fuse = self.random.below(12);
                if let Some(process) = &mut self.process {
                    process.fuse = Some(fuse);
                }
            }
            3 => self.stop(),
            4 => self.wire.stop_broker(self.now, span),
            5 | 6 => {
                let node = self.random.below(self.wire.nodes());
                self.wire.restart_node(node, &mut self.world, self.now, span);
            }
            7 => {
                self.incidents.disk_full += 1;
                self.disk.ailing.full_until = self.now + span;
            }
            8 => {
                self.incidents.disk_slow += 1;
                self.disk.ailing.slow_until = self.now + span;
            }
            9 => {
                self.incidents.clock_steps += 1;
                let steps = [-86_400, -3600, -1, 1, 3600, 86_400];
                let step = self.random.pick(&steps).copied().unwrap_or_default();
                self.wall_offset += step * 1_000_000;
            }
            _ => self.somebody_acts(),
        }
    }

    fn kill_if_alive(&mut self) {
        if self.process.is_some() {
            self.kill();
        }
    }

    fn somebody_acts(&mut self) {
        let Some(snapshot) = self.snapshot() else { return };
        let who = if self.random.chance(0.5) { "driver" } else { "visitor" };
        if let Some(act) = people::random_act(&mut self.random, &snapshot) {
            self.ask(who, act);
        }
    }

    /// No more trouble from outside; the faults on the layout end by themselves.
    pub fn calm(&mut self) {
        self.troubled = false;
        self.wire.trouble = None;
        if let Some(process) = &mut self.process {
            process.fuse = None;
        }
    }

    /// Somebody has everything put on again.
    pub fn help(&mut self) {
        self.helping = true;
        if let Some(snapshot) = self.snapshot() {
            for (feed, view) in people::feeds(&snapshot) {
                if view.held_by.iter().any(|it| it == "visitor") {
                    self.ask("visitor", Act::Release(feed));
                }
            }
        }
    }

    /// The end: everything on disk; faults that were announced as saved are there.
    pub fn finish(&mut self) -> Result<(), String> {
        self.disk.ailing = super::disk::Ailing::default();
        if let Some(process) = &mut self.process {
            let own = Mono(self.now.0 - process.began.0);
            process.supervisor.finish(own);
        }
        self.drain();
        self.process = None;
        self.disk.stop(self.now);
        let announced = self.disk.announced.clone();
        let reader = self.disk.reader();
        for fault in announced {
            let found = reader.fault(fault.0);
            found.map_err(|error| format!("{fault:?} was announced as saved: {error}"))?;
        }
        Ok(())
    }
}

/// Faults of all kinds, one after another.
fn plan(seed: u64, trouble_for: Micros) -> Plan {
    let mut random = Random::new(seed, 0xfa17);
    let mut at = Mono::START + Micros::from_millis(2500);
    let end = Mono::START + trouble_for;
    let mut faults = Vec::new();
    while at < end {
        if let Some(scenario) = random.pick(SCENARIOS) {
            faults.push(Planned { at, scenario: scenario.id });
        }
        at = at + Micros::from_millis(1500 + random.below(8000) as u64);
    }
    let ms = Micros::from_millis;
    Plan {
        faults: FaultPlan::List(faults),
        crew: Crew { clears_after_cut: ms(3000), patience: ms(12_000), repairs_after: ms(5000) },
        sensors: SensorPlan {
            trip_hz: 50,
            voltage_hz: 10,
            block_hz: 20,
            peak_hz: 0,
            polarity: true,
            frog_hz: if seed.is_multiple_of(3) { 20 } else { 0 },
        },
        ..Plan::clean(seed)
    }
}
