//! A train: a length of vehicles on a path of steps, its speed, and what it draws.

use std::collections::VecDeque;

use circuit::grid::Terminal;
use wiring::{
    layout::Layout,
    units::{Micros, Mono},
};

use crate::{
    pace::{COARSE, STEADY, next_multiple},
    rails::{Piece, Step},
    random::Random,
};

/// Deceleration of a train without power. Unit: m/s2.
const COASTING: f64 = 0.25;
/// Acceleration and braking under power. Unit: m/s2.
const DRIVING: f64 = 0.12;
/// A train rolls at this pace while its speed changes.
const CHANGING: Micros = Micros::from_millis(20);
/// Voltage below which a decoder or motor stops working. Source: decoders must work from 7 V (NMRA S-9.1, as quoted in
/// the project's rules of thumb).
const WORKS_FROM: f64 = 7.0;
/// Difference of voltage from which a capacitor behind a rectifier is charged. Unit: volt.
const CHARGES_FROM: f64 = 0.4;
/// What the rectifier keeps of it: the charging current begins near zero. Without it there were a jump at the threshold
/// that a weak feed cannot hold: the volts would fall to those of the capacitor, and it would draw for ever and never
/// fill. Just below the threshold, so that charging has an end. Unit: volt.
const RECTIFIER_DROP: f64 = 0.38;
/// Difference of voltage below which its discharge is over. Unit: volt.
const SETTLED: f64 = 0.01;
/// Time constant of its discharge by what it feeds. Unit: second.
const DISCHARGES_IN: f64 = 0.3;
/// Distance between the pickups of one vehicle. Unit: metre.
const WHEELBASE: f64 = 0.12;
/// Resistance from one wheel through the vehicle to another of the same side. Unit: ohm.
pub(crate) const WHEEL_OHMS: f64 = 0.06;

/// A vehicle that touches both rails with metal wheels.
#[derive(Clone, Debug)]
pub(crate) struct Vehicle {
    /// Its first pickup behind end A of the train. Unit: metre.
    at: f64,
    /// It pulls; otherwise a lit car.
    pub(crate) is_engine: bool,
    /// Steady load: idling electronics, lamps. Unit: ampere at `volts`.
    idle: f64,
    /// Load of its motor at full speed.
    motor: f64,
    /// Charging resistance and capacitance behind its rectifier.
    series_ohms: f64,
    farads: f64,
    /// Voltage of that capacitor.
    charged: f64,
    /// Slowly wandering part of its load, as a factor.
    wander: f64,
    /// Volts between its rails, as solved last or tried.
    volts: f64,
    /// What charges its capacitor. Unit: ampere.
    charging: f64,
    /// Between these its volts are searched while it charges.
    bracket: (f64, f64),
    /// A short inside it, from a fault.
    pub(crate) short_ohms: Option<f64>,
}

/// A load between two rails, or a wheel across a gap.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Contact {
    pub(crate) from: Terminal,
    pub(crate) to: Terminal,
    pub(crate) ohms: f64,
    /// The vehicle whose load it is; none for a wheel across a gap.
    pub(crate) load_of: Option<usize>,
}

/// A train.
#[derive(Clone, Debug)]
pub(crate) struct Train {
    /// Steps that it stands on, head first.
    pub(crate) path: VecDeque<Step>,
    /// Steps it may go on to.
    pub(crate) ahead: VecDeque<Step>,
    /// Distance of its head from the start of its first step. Unit: metre.
    pub(crate) head: f64,
    pub(crate) length: f64,
    pub(crate) speed: f64,
    pub(crate) cruise: f64,
    /// End A leads.
    a_leads: bool,
    pub(crate) vehicles: Vec<Vehicle>,
    /// Stops it where it is: a derailment, a hand.
    pub(crate) held: bool,
    /// It was taken off the layout.
    pub(crate) lifted: bool,
    /// Distance until one of its wheels comes onto other rails. Unit: metre.
    reach: f64,
    /// Share of full speed, in steps of a twentieth, for which its load was drawn last.
    effort: f64,
    /// Where its wheels stand or what it draws may differ from what was drawn last.
    changed: bool,
    /// Its loads and wheels, as drawn last.
    drawn: Vec<Contact>,
    /// It has rolled up to then; none: not yet.
    rolled: Option<Mono>,
    /// It rolls on then. What others see of its place is as old as that.
    pub(crate) due: Mono,
}

impl Train {
    /// A train standing with its head at `head` metres of `step`.
    pub(crate) fn new(step: Step, head: f64, volts: f64, random: &mut Random) -> Self {
        let engines = 1 + usize::from(random.chance(0.25));
        let cars = 1 + random.below(2);
        let vehicle = |at: f64, is_engine, random: &mut Random| Vehicle {
            at,
            is_engine,
            idle: if is_engine { random.between(0.05, 0.12) } else { random.between(0.02, 0.06) },
            motor: if is_engine { random.between(0.15, 0.32) } else { 0.0 },
            series_ohms: random.between(0.8, 1.6),
            farads: if is_engine { random.between(2e-4, 1.2e-3) } else { 5e-5 },
            charged: volts,
            wander: 1.0,
            volts,
            charging: 0.0,
            bracket: (0.0, 0.0),
            short_ohms: None,
        };
        let mut vehicles = Vec::new();
        for place in 0..engines {
            vehicles.push(vehicle(0.02 + 0.2 * place as f64, true, random));
        }
        for place in 0..cars {
            vehicles.push(vehicle(0.02 + 0.2 * (engines + place) as f64, false, random));
        }
        Self {
            path: VecDeque::from([step]),
            ahead: VecDeque::new(),
            head,
            length: 0.2 * (engines + cars) as f64,
            speed: 0.0,
            cruise: random.between(0.15, 0.4),
            a_leads: true,
            vehicles,
            held: false,
            lifted: false,
            reach: 0.0,
            effort: 0.0,
            changed: true,
            drawn: Vec::new(),
            rolled: None,
            due: Mono::START,
        }
    }

    /// Engines parked in a row, their capacitors empty or full as `volts` says.
    pub(crate) fn parked(step: Step, engines: usize, volts: f64, random: &mut Random) -> Self {
        let mut train = Self::new(step, 0.0, volts, random);
        let template = train.vehicles[0].clone();
        train.vehicles = (0..engines)
            .map(|place| Vehicle {
                at: 0.02 + 0.2 * place as f64,
                farads: random.between(6e-4, 1.5e-3),
                series_ohms: random.between(0.8, 1.6),
                ..template.clone()
            })
            .collect();
        train.length = 0.2 * engines as f64;
        train.held = true;
        train
    }

    /// Lifted onto another place, with a way to go.
    pub(crate) fn put(&mut self, step: Step, head: f64, way: [Step; 2]) {
        self.path = VecDeque::from([step]);
        self.ahead = VecDeque::from(way);
        self.head = head;
        self.speed = 0.0;
        self.stands_anew();
    }

    /// It is somewhere else: wheels and load are looked at again.
    fn stands_anew(&mut self) {
        self.reach = 0.0;
        self.changed = true;
    }

    /// Taken off the layout.
    pub(crate) fn lift(&mut self) {
        self.lifted = true;
        self.stands_anew();
    }

    /// Its wheels or its load have changed since it was drawn.
    pub(crate) fn has_changed(&self) -> bool {
        self.changed
    }

    /// Everything it stands on and holds.
    pub(crate) fn pieces(&self) -> impl Iterator<Item = Piece> + '_ {
        let steps = self.path.iter().chain(&self.ahead).filter(|_| !self.lifted);
        steps.map(|step| step.piece())
    }

    /// Distance from the head to the end of what it may use.
    pub(crate) fn room(&self, layout: &Layout) -> f64 {
        let here = self.path[0].length(layout) - self.head;
        here + self.ahead.iter().map(|step| step.length(layout)).sum::<f64>()
    }

    /// Enough volts at one of its engines.
    pub(crate) fn is_powered(&self) -> bool {
        self.vehicles.iter().any(|it| it.is_engine && it.volts >= WORKS_FROM)
    }

    /// Rolls up to `now`; stops `margin` before the end of its room. True when its head came onto another step.
    pub(crate) fn roll(&mut self, layout: &Layout, now: Mono, margin: f64) -> bool {
        let span = now.since(self.rolled.unwrap_or(now)).seconds();
        self.rolled = Some(now);
        if self.held || self.lifted {
            self.speed = 0.0;
            self.note_effort();
            return false;
        }
        let room = (self.room(layout) - margin).max(0.0);
        let wanted = self.cruise.min((2.0 * DRIVING * room).sqrt());
        self.speed = if !self.is_powered() {
            (self.speed - COASTING * span).max(0.0)
        } else if self.speed < wanted {
            (self.speed + DRIVING * span).min(wanted)
        } else {
            (self.speed - 2.0 * DRIVING * span).max(wanted)
        };
        self.note_effort();
        let distance = (self.speed * span).min(room);
        0.0 < distance && self.move_by(layout, distance)
    }

    fn note_effort(&mut self) {
        let effort = in_steps(self.speed / self.cruise);
        self.changed |= effort != self.effort;
        self.effort = effort;
    }

    /// Decides when it rolls on: when a wheel comes onto other rails, soon while its speed changes or it is `watched`.
    pub(crate) fn plan_roll(&mut self, layout: &Layout, now: Mono, margin: f64, watched: bool) {
        let pace = if self.held || self.lifted {
            STEADY
        } else if watched {
            COARSE
        } else if self.is_steady(layout, margin) {
            STEADY
        } else {
            CHANGING
        };
        self.due = next_multiple(now, pace);
        let ahead = self.due.since(now).seconds();
        if self.reach < self.speed * ahead {
            let millis = (1e3 * self.reach / self.speed).ceil().max(1.0);
            self.due = self.due.min(now + Micros::from_millis(millis as u64));
        }
    }

    /// It keeps its speed until it is asked again.
    fn is_steady(&self, layout: &Layout, margin: f64) -> bool {
        let room = self.room(layout) - margin;
        if self.speed <= 0.0 {
            return room <= 0.0 || !self.is_powered();
        }
        let brakes_in = self.cruise * (0.5 * self.cruise / DRIVING + STEADY.seconds());
        self.is_powered() && self.speed == self.cruise && brakes_in < room
    }

    fn move_by(&mut self, layout: &Layout, distance: f64) -> bool {
        self.head += distance;
        self.reach -= distance;
        let mut entered = false;
        while self.head > self.path[0].length(layout) {
            let Some(next) = self.ahead.pop_front() else {
                self.head = self.path[0].length(layout);
                break;
            };
            self.head -= self.path[0].length(layout);
            self.path.push_front(next);
            entered = true;
        }
        self.drop_behind(layout);
        if self.reach < 1e-9 {
            self.changed = true;
            self.reach = self.to_next_rails(layout);
        }
        entered
    }

    fn drop_behind(&mut self, layout: &Layout) {
        let mut reach = self.head;
        let mut keep = 1;
        while reach < self.length && keep < self.path.len() {
            reach += self.path[keep].length(layout);
            keep += 1;
        }
        self.path.truncate(keep);
    }

    /// Turns to run the other way; possible only at a stand.
    pub(crate) fn turn(&mut self, layout: &Layout) {
        let lengths: f64 = self.path.iter().skip(1).map(|step| step.length(layout)).sum();
        let tail = (self.head + lengths - self.length).max(0.0);
        self.path = self.path.iter().rev().map(|step| step.reversed()).collect();
        self.head = self.path[0].length(layout) - tail;
        self.ahead.clear();
        self.speed = 0.0;
        self.a_leads = !self.a_leads;
        self.drop_behind(layout);
        self.stands_anew();
    }

    /// The step and place of a point `behind` metres behind the head; the rearmost place it is known to stand on at most.
    pub(crate) fn place(&self, layout: &Layout, behind: f64) -> (Step, f64) {
        let mut offset = self.head - behind;
        for (index, step) in self.path.iter().enumerate() {
            if 0.0 <= offset {
                return (*step, offset);
            }
            match self.path.get(index + 1) {
                Some(next) => offset += next.length(layout),
                None => return (*step, 0.0),
            }
        }
        (self.path[0], self.head)
    }

    fn pickups(&self, layout: &Layout, vehicle: &Vehicle) -> [[Terminal; 2]; 2] {
        [vehicle.at, vehicle.at + WHEELBASE].map(|at| {
            let behind = if self.a_leads { at } else { self.length - at };
            let (step, offset) = self.place(layout, behind);
            step.rails(layout, offset)
        })
    }

    /// Distance until one of its wheels comes onto other rails.
    fn to_next_rails(&self, layout: &Layout) -> f64 {
        let places = self.vehicles.iter().flat_map(|it| [it.at, it.at + WHEELBASE]);
        let distances = places.map(|at| {
            let behind = if self.a_leads { at } else { self.length - at };
            let (step, offset) = self.place(layout, behind);
            step.to_next_rails(layout, offset)
        });
        distances.fold(f64::INFINITY, f64::min)
    }

    /// Its loads, and its wheels across gaps; looked for where they may have changed, or all where `anew`.
    pub(crate) fn contacts(&mut self, layout: &Layout, nominal: f64, anew: bool) -> &[Contact] {
        if std::mem::take(&mut self.changed) || anew {
            let mut drawn = std::mem::take(&mut self.drawn);
            drawn.clear();
            self.draw(layout, nominal, &mut drawn);
            self.drawn = drawn;
        }
        &self.drawn
    }

    fn draw(&self, layout: &Layout, nominal: f64, into: &mut Vec<Contact>) {
        if self.lifted {
            return;
        }
        for (index, vehicle) in self.vehicles.iter().enumerate() {
            let [first, second] = self.pickups(layout, vehicle);
            for side in 0..2 {
                if needs_bridge(first[side], second[side]) {
                    let (from, to) = (first[side], second[side]);
                    into.push(Contact { from, to, ohms: WHEEL_OHMS, load_of: None });
                }
            }
            let ohms = vehicle.ohms(nominal, self.speed / self.cruise);
            into.push(Contact { from: first[0], to: first[1], ohms, load_of: Some(index) });
        }
    }

    /// The rails under its first engine: for faults that happen to it.
    pub(crate) fn under_engine(&self, layout: &Layout) -> [Terminal; 2] {
        self.pickups(layout, &self.vehicles[0])[0]
    }

    /// Its load wanders a little, as grades, curves and sounds do.
    pub(crate) fn wander(&mut self, random: &mut Random) {
        self.changed = true;
        for vehicle in &mut self.vehicles {
            vehicle.wander = (vehicle.wander + 0.05 * random.normal()).clamp(0.85, 1.2);
        }
    }

    /// Charges at the volts that it is taken to see, or would at these.
    pub(crate) fn would_charge(&self, vehicle: usize, volts: f64) -> bool {
        let it = &self.vehicles[vehicle];
        CHARGES_FROM < volts.max(it.volts) - it.charged
    }

    /// Begins to look for the volts at which what a vehicle draws and what it sees agree.
    pub(crate) fn open_bracket(&mut self, vehicle: usize, nominal: f64) {
        self.changed = true;
        let it = &mut self.vehicles[vehicle];
        it.bracket = (it.charged, nominal.max(it.charged));
        it.volts = f64::midpoint(it.bracket.0, it.bracket.1);
    }

    /// At the volts tried last it would see `volts`: halves the bracket.
    pub(crate) fn narrow_bracket(&mut self, vehicle: usize, volts: f64) {
        self.changed = true;
        let it = &mut self.vehicles[vehicle];
        let (low, high) = it.bracket;
        it.bracket = if it.volts < volts { (it.volts, high) } else { (low, it.volts) };
        it.volts = f64::midpoint(it.bracket.0, it.bracket.1);
    }

    /// Tells a vehicle the volts and amps of its load, as solved at `now`.
    pub(crate) fn feed(&mut self, vehicle: usize, nominal: f64, volts: f64, amps: f64, now: Mono) {
        let effort = self.speed / self.cruise;
        let it = &mut self.vehicles[vehicle];
        let running = it.running(nominal, effort) * volts;
        let draws = CHARGES_FROM < it.volts - it.charged;
        it.charging = if draws { (amps - running).max(0.0) } else { 0.0 };
        if (WORKS_FROM <= it.volts) != (WORKS_FROM <= volts) {
            // It starts or stops.
            self.due = now;
        }
        it.volts = volts;
    }

    /// Its capacitors charge or discharge for `span` seconds; true while one charges.
    pub(crate) fn charge(&mut self, span: f64) -> bool {
        let mut charging = false;
        for it in &mut self.vehicles {
            if it.charged != it.volts || 0.0 < it.charging {
                charging |= it.is_charging();
                it.charge(span);
            }
        }
        // What has charged a moment ago may be full now.
        self.changed |= charging;
        charging
    }

    /// The most that it draws when running. Unit: ampere.
    pub(crate) fn full_load(&self) -> f64 {
        self.vehicles.iter().map(|it| it.idle + it.motor).sum::<f64>() * 1.1
    }

    /// A short inside its first vehicle, or none.
    pub(crate) fn set_short(&mut self, ohms: Option<f64>) {
        self.changed = true;
        self.vehicles[0].short_ohms = ohms;
    }

    /// No vehicle is shorted inside.
    pub(crate) fn is_sound(&self) -> bool {
        self.vehicles[0].short_ohms.is_none()
    }

    /// One of its capacitors charges.
    pub(crate) fn is_charging(&self) -> bool {
        !self.lifted && self.vehicles.iter().any(Vehicle::is_charging)
    }
}

/// Effort in twentieths, so that not every moment needs a solution of its own.
fn in_steps(effort: f64) -> f64 {
    (effort * 20.0).round() / 20.0
}

impl Vehicle {
    /// It is drawn as charging, or would be at the volts that it sees: the search of the volts may end on either side.
    fn is_charging(&self) -> bool {
        0.0 < self.charging || CHARGES_FROM < self.volts - self.charged
    }

    /// What it draws beside charging, as a conductance.
    fn running(&self, nominal: f64, effort: f64) -> f64 {
        let effort = in_steps(effort);
        let shorted = self.short_ohms.map_or(0.0, |ohms| 1.0 / ohms);
        (self.idle + self.motor * effort) * self.wander / nominal + shorted
    }

    /// What its load looks like at its rails.
    fn ohms(&self, nominal: f64, effort: f64) -> f64 {
        let mut siemens = self.running(nominal, effort);
        let gap = self.volts - self.charged;
        if CHARGES_FROM < gap {
            siemens += (gap - RECTIFIER_DROP) / self.volts / self.series_ohms;
        }
        1.0 / siemens.max(1e-5)
    }

    /// The part of its current that goes behind the rectifier flows for `span` seconds.
    fn charge(&mut self, span: f64) {
        if 0.0 < self.charging {
            self.charged = (self.charged + self.charging * span / self.farads).min(self.volts);
        } else if SETTLED < self.charged - self.volts {
            self.charged -= (self.charged - self.volts) * (1.0 - (-span / DISCHARGES_IN).exp());
        } else if self.volts - self.charged < 2.0 * CHARGES_FROM {
            // The search ends on either side of the threshold: twice it, or the last rest would be searched for ever.
            self.charged = self.volts;
        }
    }
}

/// Two places of one rail that no gap can part need no bridge.
fn needs_bridge(from: Terminal, to: Terminal) -> bool {
    match (from, to) {
        (Terminal::Rail(one, _, _), Terminal::Rail(two, _, _)) => one != two,
        _ => from != to,
    }
}
