//! The simulated layout as a whole: one clock, one order of happening.

use std::{
    collections::{BTreeMap, VecDeque},
    sync::Arc,
};

use circuit::grid::{Bridge, Flow, Ohms, Switches, Terminal};
use wiring::{
    channel::{ChannelTable, Object, Quantity},
    index::{BlockIx, BoosterIx, ChannelIx, DistrictIx, MachineIx, PoleIx, ReverserIx},
    layout::{Conductor, Layout, Position, Supply},
    units::{Micros, Mono},
};

use crate::{
    contact::{Contact, Outcome},
    driver::{Driver, MARGIN, starting_places, thin_out},
    fault::Faults,
    machine::Machine,
    output::{Node, SimReading, Truth, TruthEvent},
    plan::Plan,
    plant::Plant,
    rails::Step,
    random::Random,
    reverser::Reverser,
    sensor::{Discrete, Sensors, polarity_word},
    supply::{Change, Feed},
    train::Train,
};

/// Step of the virtual clock while nothing electrical is about to happen.
const COARSE: Micros = Micros::from_millis(10);
/// Step around faults, switching and wheels on gaps.
const FINE: Micros = Micros::from_millis(1);
/// Steps in the search of the volts of charging vehicles: to a seventieth of a volt.
const HALVINGS: usize = 10;
/// Current through a wheel or a fault from which it is a short, and below which it is over. Unit: ampere.
const SHORT_FROM: f64 = 1.2;
const SHORT_OVER: f64 = 0.6;

/// A layout that runs, and misbehaves as planned.
pub struct World {
    /// As its file says.
    pub(crate) layout: Arc<Layout>,
    /// As it was really wired.
    pub(crate) built: Layout,
    pub(crate) channels: Arc<ChannelTable>,
    pub(crate) plan: Plan,
    pub(crate) now: Mono,
    pub(crate) trains: Vec<Train>,
    pub(crate) driver: Driver,
    pub(crate) machines: Vec<Machine>,
    pub(crate) contacts: Vec<Contact>,
    pub(crate) boosters: Vec<Feed>,
    pub(crate) districts: Vec<Feed>,
    pub(crate) reversers: Vec<Reverser>,
    pub(crate) plant: Plant,
    pub(crate) sensors: Sensors,
    pub(crate) faults: Faults,
    /// Chance of damage and of loads.
    pub(crate) random: Random,
    /// Loads of vehicles: bridge, train, vehicle.
    loads: Vec<(usize, usize, usize)>,
    /// First bridge that is no standing load, and those that are loads, by bridge.
    is_load: Vec<bool>,
    orders: BTreeMap<(Mono, u64), (ChannelIx, Command)>,
    orders_taken: u64,
    short: bool,
    /// Currents of districts and poles before the short that flows, or of the last moment without one.
    calm: (Vec<f64>, Vec<f64>),
    readings: VecDeque<SimReading>,
    truth: VecDeque<TruthEvent>,
}

/// An order, understood.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Command {
    On,
    Cut,
    Throw(Position),
}

impl World {
    /// A layout at time zero: power on, machines normal, trains standing.
    #[must_use]
    pub fn new(layout: Arc<Layout>, channels: Arc<ChannelTable>, plan: Plan) -> Self {
        let built = (*layout).clone();
        let mut random = Random::new(plan.seed, 0x3017);
        let spread = plan.perturbation;
        let contacts = Contact::all(&layout, &spread, &mut random);
        let trains = starting_trains(&layout, &plan, &mut random);
        let machines = layout.machines.iter().map(|it| {
            let time = it.throw_time.0 as f64 * random.factor(spread.throw);
            Machine::new(Micros(time as u64))
        });
        let machines: Vec<_> = machines.collect();
        let boosters = layout.boosters.iter();
        let boosters = boosters.map(|it| Feed::of_booster(it, spread.breaker, &mut random));
        let boosters: Vec<_> = boosters.collect();
        let districts = layout.districts.iter();
        let districts = districts.map(|it| Feed::of_district(it, spread.breaker, &mut random));
        let districts = districts.collect();
        let reversers = layout.reversers.iter();
        let reversers = reversers.map(|it| Reverser::new(&layout, it, &mut random)).collect();
        let plant = Plant::new(&built, &contacts, &spread, &mut random);
        let sensors = Sensors::new(&layout, &channels, &plan);
        let driver = Driver::new(&layout, trains.len(), Random::new(plan.seed, 0xd21e));
        let faults = Faults::new(&plan);
        Self {
            built,
            now: Mono::START,
            trains,
            driver,
            machines,
            contacts,
            boosters,
            districts,
            reversers,
            plant,
            sensors,
            faults,
            random,
            loads: Vec::new(),
            is_load: Vec::new(),
            orders: BTreeMap::new(),
            orders_taken: 0,
            short: false,
            calm: (Vec::new(), Vec::new()),
            readings: VecDeque::new(),
            truth: VecDeque::new(),
            layout,
            channels,
            plan,
        }
    }

    /// Lets time pass up to `to`. Earlier than now does nothing. The steps do not depend on how calls divide the time,
    /// as long as orders come at the same times.
    pub fn advance(&mut self, to: Mono) {
        loop {
            let into_step = self.now.0 % COARSE.0;
            let rest = Micros(COARSE.0 - into_step);
            let step = if into_step != 0 || self.is_delicate(rest) { FINE } else { rest };
            if to < self.now + step {
                return;
            }
            self.tick(step);
        }
    }

    /// An order to an actuator, received at `at`: `on`, `cut`, `normal`, `reverse`. Other words are ignored, and so is
    /// an order for what has no actuator. An order of the past is obeyed at once.
    pub fn order(&mut self, channel: ChannelIx, word: &str, at: Mono) {
        let quantity = self.channels.channel(channel).quantity;
        let command = match (quantity, word) {
            (Quantity::Power, "on") => Command::On,
            (Quantity::Power, "cut") => Command::Cut,
            (Quantity::Throw, "normal") => Command::Throw(Position::Normal),
            (Quantity::Throw, "reverse") => Command::Throw(Position::Reverse),
            _ => return,
        };
        self.orders_taken += 1;
        self.orders.insert((at, self.orders_taken), (channel, command));
    }

    /// The next reading, in order of arrival.
    pub fn poll_reading(&mut self) -> Option<SimReading> {
        self.readings.pop_front()
    }

    /// The next thing that really happened.
    pub fn poll_truth(&mut self) -> Option<TruthEvent> {
        self.truth.pop_front()
    }

    /// The nodes with their channels, for their births.
    #[must_use]
    pub fn nodes(&self) -> &[Node] {
        &self.sensors.nodes
    }

    /// The virtual clock.
    #[must_use]
    pub fn now(&self) -> Mono {
        self.now
    }

    /// The true currents and voltages of this moment.
    #[must_use]
    pub fn flow(&self) -> &Flow {
        &self.plant.flow
    }

    /// How often the network was solved so far.
    #[must_use]
    pub fn solutions(&self) -> u64 {
        self.plant.solutions
    }

    /// Where the head of each train is: its block, and metres from the start of the piece it stands on.
    #[must_use]
    pub fn train_heads(&self) -> Vec<(BlockIx, f64)> {
        let on = self.trains.iter().filter(|train| !train.lifted);
        on.map(|train| (train.path[0].block(&self.layout), train.head)).collect()
    }

    pub(crate) fn tell(&mut self, what: Truth) {
        self.truth.push_back(TruthEvent { at: self.now, what });
    }

    /// Something electrical may happen within the next `rest`: time must pass in fine steps.
    fn is_delicate(&self, rest: Micros) -> bool {
        let seconds = rest.seconds();
        let order_due = self.orders.keys().next().is_some_and(|(at, _)| *at < self.now + rest);
        order_due
            || self.short
            || self.faults.is_delicate(self.now + rest)
            || self.boosters.iter().chain(&self.districts).any(|it| it.is_busy(self.now + rest))
            || self.reversers.iter().any(Reverser::is_busy)
            || self.contacts.iter().any(Contact::is_hit)
            || self.trains.iter().filter(|train| !train.lifted).any(|train| {
                let reach = train.speed * seconds + 1e-3;
                train.is_charging()
                    || (0.0 < train.speed && train.to_next_rails(&self.layout) < reach)
            })
    }

    fn tick(&mut self, step: Micros) {
        let span = step.seconds();
        self.now = self.now + step;
        self.take_orders();
        self.advance_faults();
        self.drive(span);
        self.move_machines();
        self.solve();
        self.feed_trains(span);
        self.watch_short();
        self.protect(span);
        self.heat_contacts(span);
        self.sense(span);
    }

    fn take_orders(&mut self) {
        while let Some(entry) = self.orders.first_entry() {
            if self.now < entry.key().0 {
                return;
            }
            let (channel, command) = entry.remove();
            let object = self.channels.channel(channel).object;
            match (object, command) {
                (Object::Booster(it), Command::On | Command::Cut) => {
                    self.boosters[it.at()].actuator.order(command == Command::On, self.now);
                }
                (Object::District(it), Command::On | Command::Cut) => {
                    self.districts[it.at()].actuator.order(command == Command::On, self.now);
                }
                (Object::Machine(it), Command::Throw(to)) => self.throw(it, to),
                _ => {}
            }
        }
    }

    /// A throw asked for at the panel or by order. A machine on track power needs its district.
    pub(crate) fn throw(&mut self, machine: MachineIx, to: Position) {
        let powered = match self.layout.machines[machine.at()].supply {
            Supply::Own => true,
            Supply::District(district) => 7.0 < self.plant.flow.district_volts[district.at()].0,
        };
        self.machines[machine.at()].asked = to;
        if powered && self.machines[machine.at()].throw(to, self.now) {
            self.tell(Truth::ThrowBegan(machine, to));
        }
    }

    fn drive(&mut self, span: f64) {
        let round = self.now.0 / COARSE.0;
        let thinks = self.now.0.is_multiple_of(COARSE.0);
        for at in 0..self.trains.len() {
            if thinks && (round + at as u64).is_multiple_of(10) && !self.trains[at].lifted {
                let Self { driver, trains, machines, layout, .. } = self;
                let throws = driver.think(at, trains, machines, layout, self.now);
                for (machine, to) in throws {
                    self.throw(machine, to);
                }
                if (round / 10 + at as u64).is_multiple_of(10) {
                    self.trains[at].wander(&mut self.random);
                }
            }
            if self.trains[at].roll(&self.layout, span, MARGIN) {
                let step = self.trains[at].path[0];
                let track = if let Step::Track(track, _) = step { Some(track) } else { None };
                let block = step.block(&self.layout);
                self.tell(Truth::TrainMoved { train: at, block, track });
            }
        }
    }

    fn move_machines(&mut self) {
        for at in 0..self.machines.len() {
            if let Some(position) = self.machines[at].advance(self.now) {
                self.tell(Truth::ThrowEnded(MachineIx::new(at), position));
            }
        }
    }

    fn switches(&self) -> Switches {
        Switches {
            boosters_on: self.boosters.iter().map(Feed::is_on).collect(),
            districts_on: self.districts.iter().map(Feed::is_on).collect(),
            machines: self.machines.iter().map(|it| it.contact(self.now)).collect(),
            poles: self.contacts.iter().map(|it| it.state).collect(),
            reversers_swapped: self.reversers.iter().map(|it| it.swapped).collect(),
        }
    }

    /// Finds the currents. While capacitors charge, what a vehicle draws depends on the volts that it sees: they are
    /// searched by halving, all vehicles at once, because more volts always mean more current and so fewer volts.
    fn solve(&mut self) {
        self.solve_once();
        let nominal = self.nominal();
        let charging: Vec<(usize, usize, usize)> = self
            .loads
            .iter()
            .copied()
            .filter(|&(bridge, train, vehicle)| {
                self.trains[train].would_charge(vehicle, self.volts_across(bridge))
            })
            .collect();
        if charging.is_empty() {
            return;
        }
        for (_, train, vehicle) in &charging {
            self.trains[*train].open_bracket(*vehicle, nominal);
        }
        for _ in 0..HALVINGS {
            self.solve_once();
            for &(bridge, train, vehicle) in &charging {
                let volts = self.volts_across(bridge);
                self.trains[train].narrow_bracket(vehicle, volts);
            }
        }
        self.solve_once();
    }

    /// Volts across a load, as solved.
    fn volts_across(&self, bridge: usize) -> f64 {
        self.plant.flow.bridges[bridge].0.abs() * self.plant.bridges()[bridge].resistance.0
    }

    fn solve_once(&mut self) {
        let nominal = self.nominal();
        let mut bridges = Vec::new();
        let mut is_load = Vec::new();
        for (at, block) in self.layout.blocks.iter().enumerate() {
            let amps = block.standing_load.amps();
            if 0.0 < amps {
                let end = |conductor| Terminal::Block(BlockIx::new(at), conductor);
                let (from, to) = (end(Conductor::A), end(Conductor::B));
                bridges.push(Bridge { from, to, resistance: Ohms(nominal / amps) });
                is_load.push(true);
            }
        }
        let mut contacts = Vec::new();
        self.loads.clear();
        for (train, it) in self.trains.iter().enumerate() {
            contacts.clear();
            it.contacts(&self.built, nominal, &mut contacts);
            for contact in &contacts {
                if let Some(vehicle) = contact.load_of {
                    self.loads.push((bridges.len(), train, vehicle));
                }
                let resistance = Ohms(contact.ohms);
                bridges.push(Bridge { from: contact.from, to: contact.to, resistance });
                let sound = contact.load_of.is_some_and(|vehicle| it.is_sound(vehicle));
                is_load.push(sound);
            }
        }
        for (bridge, load) in self.faults.bridges(self.now) {
            bridges.push(bridge);
            is_load.push(load);
        }
        self.is_load = is_load;
        let switches = self.switches();
        self.plant.solve(switches, bridges);
    }

    /// The volts that vehicles are made for.
    fn nominal(&self) -> f64 {
        self.layout.boosters.first().map_or(15.0, |it| it.volts.volts())
    }

    fn feed_trains(&mut self, span: f64) {
        let nominal = self.nominal();
        for &(bridge, train, vehicle) in &self.loads {
            let amps = self.plant.flow.bridges[bridge].0.abs();
            let volts = self.volts_across(bridge);
            self.trains[train].feed(vehicle, nominal, volts, amps, span);
        }
    }

    /// A short is what boosters give beyond what loads take. A wheel that joins two districts carries honest current.
    fn watch_short(&mut self) {
        let given: f64 = self.plant.flow.boosters.iter().map(|amps| amps.0).sum();
        let amps = given - self.load_amps();
        if !self.short && SHORT_FROM <= amps {
            self.short = true;
            self.start_run_throughs(amps);
            let (districts, poles) = self.carriers(amps);
            let fault = self.faults.latest();
            self.tell(Truth::ShortBegan { fault, amps, districts, poles });
        } else if self.short && amps < SHORT_OVER {
            self.short = false;
            self.tell(Truth::ShortEnded);
        }
        if !self.short {
            let flow = &self.plant.flow;
            self.calm.0.clear();
            self.calm.0.extend(flow.districts.iter().map(|amps| amps.0));
            self.calm.1.clear();
            self.calm.1.extend(flow.poles.iter().map(|amps| amps.0));
        }
    }

    /// What all loads draw together.
    fn load_amps(&self) -> f64 {
        let loads = self.plant.flow.bridges.iter().zip(&self.is_load).filter(|(_, load)| **load);
        loads.map(|(amps, _)| amps.0.abs()).sum()
    }

    /// Districts and poles that carry a short of `amps` now.
    pub(crate) fn carriers(&self, amps: f64) -> (Vec<DistrictIx>, Vec<(PoleIx, f64)>) {
        let flow = &self.plant.flow;
        let rise = |now: f64, before: Option<&f64>| now - before.copied().unwrap_or(0.0);
        let (calm_districts, calm_poles) = &self.calm;
        let least = 0.25 * amps.max(SHORT_FROM);
        let districts = flow.districts.iter().enumerate();
        let districts = districts.filter(|(at, it)| least < rise(it.0, calm_districts.get(*at)));
        let poles = flow.poles.iter().enumerate();
        let poles = poles.filter(|(at, it)| 0.8 * least < rise(it.0, calm_poles.get(*at)));
        (
            districts.map(|(at, _)| DistrictIx::new(at)).collect(),
            poles.map(|(at, amps)| (PoleIx::new(at), amps.0)).collect(),
        )
    }

    fn protect(&mut self, span: f64) {
        for at in 0..self.boosters.len() {
            let amps = self.plant.flow.boosters[at].0;
            let it = BoosterIx::new(at);
            for change in self.boosters[at].advance(amps, span, self.now).into_iter().flatten() {
                self.tell(match change {
                    Change::Tripped => Truth::BoosterTripped(it),
                    Change::Returned => Truth::BoosterRecovered(it),
                    Change::Cut => Truth::BoosterCut(it),
                    Change::Restored => Truth::BoosterRestored(it),
                });
            }
        }
        for at in 0..self.districts.len() {
            let amps = self.plant.flow.districts[at].0;
            let it = DistrictIx::new(at);
            for change in self.districts[at].advance(amps, span, self.now).into_iter().flatten() {
                self.tell(match change {
                    Change::Tripped => Truth::BreakerOpened(it),
                    Change::Returned => Truth::BreakerClosed(it),
                    Change::Cut => Truth::DistrictCut(it),
                    Change::Restored => Truth::DistrictRestored(it),
                });
            }
        }
        for at in 0..self.reversers.len() {
            let amps = self.plant.flow.blocks[self.reversers[at].block.at()].0;
            if self.reversers[at].advance(amps, self.now) {
                let swapped = self.reversers[at].swapped;
                self.tell(Truth::ReverserFlipped(ReverserIx::new(at), swapped));
            }
        }
    }

    fn heat_contacts(&mut self, span: f64) {
        for at in 0..self.contacts.len() {
            let amps = self.plant.flow.poles[at].0;
            let machine = self.layout.poles[at].machine;
            let closed = self.plant.switches().machines[machine.at()];
            let pole = PoleIx::new(at);
            let outcome = self.contacts[at].carry(amps, span, closed, self.now, &mut self.random);
            match outcome {
                Some(Outcome::Hit { energy, stress }) => {
                    self.tell(Truth::ContactHit { pole, energy, stress });
                }
                Some(Outcome::Burnt) => self.tell(Truth::ContactBurnt(pole)),
                Some(Outcome::Welded(side)) => self.tell(Truth::ContactWelded(pole, side)),
                None => {}
            }
        }
    }

    fn sense(&mut self, span: f64) {
        let Self { sensors, plant, machines, boosters, districts, reversers, built, .. } = self;
        let words = Words {
            machines,
            boosters,
            districts,
            reversers,
            flow: &plant.flow,
            layout: &self.layout,
            now: self.now,
        };
        let frog_amps = |at: usize| {
            let poles = built.frogs[at].poles.iter();
            poles.map(|it| plant.flow.poles[it.pole.at()].0).sum()
        };
        sensors.advance(&plant.flow, frog_amps, &words, span, self.now, &mut self.readings);
    }
}

fn starting_trains(layout: &Layout, plan: &Plan, random: &mut Random) -> Vec<Train> {
    let pieces = layout.tracks.len().max(layout.trackwork.len());
    let wanted = plan.trains.unwrap_or_else(|| (pieces / 5).clamp(1, 12));
    let volts = layout.boosters.first().map_or(15.0, |it| it.volts.volts());
    let places = starting_places(layout, wanted, random);
    let mut train = |step: Step| {
        let mut train = Train::new(step, 0.0, volts, random);
        let length = step.length(layout);
        train.head = (train.length + 0.05).min(length - 0.02).max(0.01);
        train
    };
    let mut trains: Vec<Train> = places.into_iter().map(&mut train).collect();
    thin_out(layout, &mut trains);
    trains
}

/// What the discrete sensors look at.
struct Words<'a> {
    machines: &'a [Machine],
    boosters: &'a [Feed],
    districts: &'a [Feed],
    reversers: &'a [Reverser],
    flow: &'a Flow,
    layout: &'a Layout,
    now: Mono,
}

impl Discrete for Words<'_> {
    fn word(&self, object: Object, quantity: Quantity) -> &'static str {
        match object {
            Object::Booster(it) => self.boosters[it.at()].actuator.feedback(),
            Object::District(it) => self.districts[it.at()].actuator.feedback(),
            Object::Machine(it) if quantity == Quantity::Asked => {
                self.machines[it.at()].asked.word()
            }
            Object::Machine(it) => self.machines[it.at()].report(self.now),
            Object::Frog(it) => {
                let district = self.layout.district_of_frog(it);
                let volts = self.flow.district_volts[district.at()].0;
                polarity_word(self.flow.frogs[it.at()].0, volts)
            }
            Object::Reverser(it) => self.reversers[it.at()].word(),
            Object::Block(_) | Object::Pole(_) => "unknown",
        }
    }
}
