//! The simulated layout as a whole: one clock, one order of happening.

use std::{
    collections::{BTreeMap, VecDeque},
    sync::Arc,
};

use circuit::grid::{Bridge, Flow, Switches};
use wiring::{
    channel::{ChannelTable, Object, Quantity},
    index::{BoosterIx, ChannelIx, DistrictIx, MachineIx, PoleIx, ReverserIx},
    layout::{Layout, Position, Supply},
    units::{Micros, Mono},
};

use crate::{
    contact::{Arc as Arced, Contact, Outcome},
    driver::{Driver, MARGIN, starting_places, thin_out},
    fault::Faults,
    machine::Machine,
    output::{Node, SimReading, Truth, TruthEvent},
    pace::{FINE, STEADY},
    plan::Plan,
    plant::Plant,
    rails::Step,
    random::Random,
    reverser::Reverser,
    sensor::Sensors,
    supply::{Change, Feed},
    train::Train,
    words::Words,
};

/// Load of trains wanders at this pace.
const WANDERS_EVERY: Micros = Micros::from_millis(1000);

/// A layout that runs, and misbehaves as planned.
pub struct World {
    /// As its file says.
    pub(crate) layout: Arc<Layout>,
    /// As it was really wired.
    pub(crate) built: Layout,
    pub(crate) channels: Arc<ChannelTable>,
    pub(crate) plan: Plan,
    /// The last moment at which something happened.
    pub(crate) now: Mono,
    /// Sensors have read up to then.
    pub(crate) sensed: Mono,
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
    /// How everything is switched, as asked for last.
    pub(crate) switches: Switches,
    /// Everything that lies between rails, as drawn last.
    pub(crate) bridges: Vec<Bridge>,
    /// Loads of vehicles: bridge, train, vehicle.
    pub(crate) loads: Vec<(usize, usize, usize)>,
    /// Which bridges are loads.
    pub(crate) is_load: Vec<bool>,
    /// What somebody holds to the rails, and whether it is a load.
    pub(crate) held: Vec<(Bridge, bool)>,
    /// Bridges must be drawn again, or something was switched: the currents are not those of this moment.
    pub(crate) redraw: bool,
    /// Capacitors of vehicles charge.
    pub(crate) charging: bool,
    /// Something that is told in words may have changed.
    words: bool,
    /// How the frogs read.
    pub(crate) polarities: Vec<&'static str>,
    /// Contacts have carried their current up to then.
    heated: Mono,
    /// A contact is followed moment by moment; one is hit.
    pub(crate) warm: bool,
    pub(crate) hit: bool,
    pub(crate) orders: BTreeMap<(Mono, u64), (ChannelIx, Command)>,
    orders_taken: u64,
    pub(crate) short: bool,
    /// Districts that have carried it so far.
    pub(crate) carried_by: Vec<DistrictIx>,
    /// Currents of districts and poles before the short that flows, or of the last moment without one.
    pub(crate) calm: (Vec<f64>, Vec<f64>),
    readings: VecDeque<SimReading>,
    truth: VecDeque<TruthEvent>,
}

/// An order, understood.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Command {
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
            sensed: Mono::START,
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
            switches: Switches::all_on(&layout),
            bridges: Vec::new(),
            loads: Vec::new(),
            is_load: Vec::new(),
            held: Vec::new(),
            redraw: true,
            charging: false,
            words: true,
            polarities: Vec::new(),
            heated: Mono::START,
            warm: false,
            hit: false,
            orders: BTreeMap::new(),
            orders_taken: 0,
            short: false,
            carried_by: Vec::new(),
            calm: (Vec::new(), Vec::new()),
            readings: VecDeque::new(),
            truth: VecDeque::new(),
            layout,
            channels,
            plan,
        }
    }

    /// Lets time pass up to `to`. Earlier than now does nothing. What happens does not depend on how calls divide the
    /// time, as long as orders come at the same times and none comes late.
    pub fn advance(&mut self, to: Mono) {
        loop {
            let next = self.next_tick();
            if to < next {
                let whole = Mono(to.0 - to.0 % FINE.0);
                self.read_sensors(whole.max(self.sensed));
                return;
            }
            self.tick(next);
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

    /// What somebody holds to the rails from now on: lamps, which are loads, and coins, which are not.
    pub fn hold(&mut self, held: Vec<(Bridge, bool)>) {
        if self.held != held {
            self.held = held;
            self.look_again();
        }
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
        self.now.max(self.sensed)
    }

    /// A short flows at this moment.
    #[must_use]
    pub fn is_shorted(&self) -> bool {
        self.short
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

    pub(crate) fn tell(&mut self, what: Truth) {
        self.truth.push_back(TruthEvent { at: self.now, what });
    }

    /// Time passes up to `to` with the currents that stand, and then something may happen.
    fn tick(&mut self, to: Mono) {
        self.read_sensors(to);
        let span = to.since(self.now).seconds();
        self.now = to;
        if self.warm {
            self.heat_until(to);
        }
        self.charge_trains(span);
        self.take_orders();
        self.advance_faults();
        self.drive();
        self.move_machines();
        let changed = self.solve();
        if changed {
            self.feed_trains();
            self.words |= self.note_polarities();
            self.watch_short();
            self.heat_until(to);
            self.load_contacts();
            self.see_currents();
        }
        self.protect(span);
        self.tell_words();
    }

    /// Something was changed by hand: draws the network anew and looks at everything that is told in words.
    pub(crate) fn look_again(&mut self) {
        self.redraw = true;
        self.words = true;
    }

    fn take_orders(&mut self) {
        while let Some(entry) = self.orders.first_entry() {
            if self.now < entry.key().0 {
                return;
            }
            let (channel, command) = entry.remove();
            self.words = true;
            let object = self.channels.channel(channel).object;
            match (object, command) {
                (Object::Booster(it), Command::On | Command::Cut) => {
                    self.boosters[it.at()].actuator.order(command == Command::On, self.now);
                }
                (Object::District(it), Command::On | Command::Cut) => {
                    self.districts[it.at()].actuator.order(command == Command::On, self.now);
                }
                (Object::Machine(it), Command::Throw(to)) => {
                    self.driver.keep_away(it, &mut self.trains, self.now);
                    self.throw(it, to);
                }
                _ => {}
            }
        }
    }

    /// A throw asked for at the panel or by order. A machine on track power needs its district.
    pub(crate) fn throw(&mut self, machine: MachineIx, to: Position) {
        self.machines[machine.at()].asked = to;
        self.words = true;
        if self.is_powered(machine) && self.machines[machine.at()].throw(to, self.now) {
            self.tell(Truth::ThrowBegan(machine, to));
        }
    }

    /// The machine has what it needs to move.
    pub(crate) fn is_powered(&self, machine: MachineIx) -> bool {
        match self.layout.machines[machine.at()].supply {
            Supply::Own => true,
            Supply::District(district) => 7.0 < self.plant.flow.district_volts[district.at()].0,
        }
    }

    fn drive(&mut self) {
        let now = self.now;
        let watched = !self.faults.active.is_empty();
        for at in 0..self.trains.len() {
            if now < self.trains[at].due {
                continue;
            }
            let entered = self.trains[at].roll(&self.layout, now, MARGIN);
            self.trains[at].plan_roll(&self.layout, now, MARGIN, watched);
            if entered {
                let step = self.trains[at].path[0];
                let track = if let Step::Track(track, _) = step { Some(track) } else { None };
                let block = step.block(&self.layout);
                self.tell(Truth::TrainMoved { train: at, block, track });
            }
        }
        if now.0.is_multiple_of(STEADY.0) {
            self.think();
        }
    }

    fn think(&mut self) {
        // All at once: one solution a second for the lot of them.
        let wanders = self.now.0.is_multiple_of(WANDERS_EVERY.0);
        for at in 0..self.trains.len() {
            if self.trains[at].lifted {
                continue;
            }
            let Self { driver, trains, machines, layout, .. } = self;
            for (machine, to) in driver.think(at, trains, machines, layout, self.now) {
                self.throw(machine, to);
            }
            if wanders {
                self.trains[at].wander(&mut self.random);
            }
        }
    }

    fn move_machines(&mut self) {
        for at in 0..self.machines.len() {
            if !self.machines[at].is_travelling() {
                continue;
            }
            if let Some(position) = self.machines[at].advance(self.now) {
                self.tell(Truth::ThrowEnded(MachineIx::new(at), position));
            }
            self.words |= self.machines[at].has_news(self.now);
        }
    }

    fn protect(&mut self, span: f64) {
        let told = self.truth.len();
        let mut switched = false;
        for at in 0..self.boosters.len() {
            let amps = self.plant.flow.boosters[at].0;
            let it = BoosterIx::new(at);
            let was = self.boosters[at].is_on();
            for change in self.boosters[at].advance(amps, span, self.now).into_iter().flatten() {
                self.tell(match change {
                    Change::Tripped => Truth::BoosterTripped(it),
                    Change::Returned => Truth::BoosterRecovered(it),
                    Change::Cut => Truth::BoosterCut(it),
                    Change::Restored => Truth::BoosterRestored(it),
                });
            }
            switched |= was != self.boosters[at].is_on();
        }
        for at in 0..self.districts.len() {
            let amps = self.plant.flow.districts[at].0;
            let it = DistrictIx::new(at);
            let was = self.districts[at].is_on();
            for change in self.districts[at].advance(amps, span, self.now).into_iter().flatten() {
                self.tell(match change {
                    Change::Tripped => Truth::BreakerOpened(it),
                    Change::Returned => Truth::BreakerClosed(it),
                    Change::Cut => Truth::DistrictCut(it),
                    Change::Restored => Truth::DistrictRestored(it),
                });
            }
            switched |= was != self.districts[at].is_on();
        }
        switched |= self.flip_reversers();
        self.redraw |= switched;
        self.words |= switched || told < self.truth.len();
    }

    /// True when one did.
    fn flip_reversers(&mut self) -> bool {
        let mut flipped = false;
        for at in 0..self.reversers.len() {
            let amps = self.plant.flow.blocks[self.reversers[at].block.at()].0;
            if self.reversers[at].advance(amps, self.now) {
                flipped = true;
                let swapped = self.reversers[at].swapped;
                // One that the file does not know has no name to be told by.
                if at < self.layout.reversers.len() {
                    self.tell(Truth::ReverserFlipped(ReverserIx::new(at), swapped));
                }
            }
        }
        flipped
    }

    /// Tells the contacts what they carry now. One that its machine has opened may have drawn an arc.
    fn load_contacts(&mut self) {
        for at in 0..self.contacts.len() {
            let machine = self.layout.poles[at].machine;
            let opened = self.plant.switches().machines[machine.at()].is_none();
            let arc = if opened { self.contacts[at].open() } else { None };
            self.contacts[at].load(self.plant.flow.poles[at].0);
            if let Some(Arced(amps)) = arc {
                self.tell(Truth::ContactArced { pole: PoleIx::new(at), amps });
            }
        }
        self.note_warmth();
    }

    fn note_warmth(&mut self) {
        self.warm = self.contacts.iter().any(Contact::is_warm);
        self.hit = self.warm && self.contacts.iter().any(Contact::is_hit);
    }

    /// Warms the contacts with what they have carried since they were warmed last.
    fn heat_until(&mut self, until: Mono) {
        let span = until.since(self.heated).seconds();
        if span <= 0.0 {
            return;
        }
        self.heated = until;
        for at in 0..self.contacts.len() {
            let machine = self.layout.poles[at].machine;
            let closed = self.plant.switches().machines[machine.at()];
            let pole = PoleIx::new(at);
            let outcome = self.contacts[at].carry(span, closed, self.now, &mut self.random);
            match outcome {
                Some(Outcome::Hit { energy, stress }) => {
                    self.tell(Truth::ContactHit { pole, energy, stress });
                }
                Some(Outcome::Burnt) => self.tell(Truth::ContactBurnt(pole)),
                Some(Outcome::Welded(side)) => self.tell(Truth::ContactWelded(pole, side)),
                None => {}
            }
        }
        self.note_warmth();
    }

    /// Up to `until` sensors read what flows now.
    fn read_sensors(&mut self, until: Mono) {
        self.sensors.read_until(until, &mut self.readings);
        self.sensed = until;
    }

    /// From now on sensors see other currents.
    fn see_currents(&mut self) {
        let Self { sensors, plant, built, .. } = self;
        let frog_amps = |at: usize| {
            let poles = built.frogs[at].poles.iter();
            poles.map(|it| plant.flow.poles[it.pole.at()].0).sum()
        };
        sensors.see(&plant.flow, frog_amps, self.now);
    }

    fn tell_words(&mut self) {
        let changed = std::mem::take(&mut self.words);
        if !self.sensors.looks(changed, self.now) {
            return;
        }
        let Self { sensors, plant, machines, boosters, districts, reversers, .. } = self;
        let words = Words {
            machines,
            boosters,
            districts,
            reversers,
            flow: &plant.flow,
            layout: &self.layout,
            now: self.now,
        };
        sensors.tell_all(&words, self.now, &mut self.readings);
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
