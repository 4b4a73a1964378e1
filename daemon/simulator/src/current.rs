//! What flows now: the network as switched and loaded at this moment, and the short in it.

use circuit::grid::{Bridge, Ohms, Terminal};
use wiring::{
    index::{BlockIx, DistrictIx, FrogIx, PoleIx},
    layout::{Conductor, Which},
};

use crate::{
    effect::Effect,
    output::Truth,
    rails::{Step, outside},
    sensor::polarity_word,
    supply::Feed,
    train::Train,
    world::World,
};

/// Steps in the search of the volts of charging vehicles: to a seventieth of a volt.
const HALVINGS: usize = 10;
/// Current through a wheel or a fault from which it is a short, and below which it is over. Unit: ampere.
const SHORT_FROM: f64 = 1.2;
const SHORT_OVER: f64 = 0.6;

impl World {
    fn set_switches(&mut self) {
        let Self { switches, boosters, districts, machines, contacts, reversers, now, .. } = self;
        set(&mut switches.boosters_on, boosters.iter().map(Feed::is_on));
        set(&mut switches.districts_on, districts.iter().map(Feed::is_on));
        set(&mut switches.machines, machines.iter().map(|it| it.contact(*now)));
        set(&mut switches.poles, contacts.iter().map(|it| it.state));
        set(&mut switches.reversers_swapped, reversers.iter().map(|it| it.swapped));
    }

    /// Finds the currents; true when they are other ones. While capacitors charge, what a vehicle draws depends on the
    /// volts that it sees: they are searched by halving, all vehicles at once, because more volts always mean more
    /// current and so fewer volts.
    pub(crate) fn solve(&mut self) -> bool {
        let changed = self.trains.iter().any(Train::has_changed);
        if self.redraw || changed || self.faults.is_in_motion() {
            let anew = std::mem::take(&mut self.redraw);
            self.draw(anew);
        }
        self.set_switches();
        let changed = self.plant.solve(&self.switches, &self.bridges);
        if !(changed || self.charging) {
            return false;
        }
        let sees = |&&(bridge, train, vehicle): &&(usize, usize, usize)| {
            self.trains[train].would_charge(vehicle, self.volts_across(bridge))
        };
        let charging: Vec<_> = self.loads.iter().filter(sees).copied().collect();
        if !charging.is_empty() {
            self.search_volts(&charging);
        }
        true
    }

    fn search_volts(&mut self, charging: &[(usize, usize, usize)]) {
        let nominal = self.nominal();
        for (_, train, vehicle) in charging {
            self.trains[*train].open_bracket(*vehicle, nominal);
        }
        for _ in 0..HALVINGS {
            self.draw(false);
            self.plant.solve(&self.switches, &self.bridges);
            for &(bridge, train, vehicle) in charging {
                let volts = self.volts_across(bridge);
                self.trains[train].narrow_bracket(vehicle, volts);
            }
        }
        self.draw(false);
        self.plant.solve(&self.switches, &self.bridges);
    }

    /// Volts across a load, as solved.
    fn volts_across(&self, bridge: usize) -> f64 {
        self.plant.flow.bridges[bridge].0.abs() * self.plant.bridges()[bridge].resistance.0
    }

    /// Draws everything that lies between rails: standing loads, vehicles, faults. `anew`: also what did not change.
    pub(crate) fn draw(&mut self, anew: bool) {
        let nominal = self.nominal();
        self.bridges.clear();
        self.is_load.clear();
        self.loads.clear();
        for (at, block) in self.layout.blocks.iter().enumerate() {
            let amps = block.standing_load.amps();
            if 0.0 < amps {
                let end = |conductor| Terminal::Block(BlockIx::new(at), conductor);
                let (from, to) = (end(Conductor::A), end(Conductor::B));
                self.bridges.push(Bridge { from, to, resistance: Ohms(nominal / amps) });
                self.is_load.push(true);
            }
        }
        for train in 0..self.trains.len() {
            let sound = self.trains[train].is_sound();
            for contact in self.trains[train].contacts(&self.built, nominal, anew) {
                if let Some(vehicle) = contact.load_of {
                    self.loads.push((self.bridges.len(), train, vehicle));
                }
                let resistance = Ohms(contact.ohms);
                self.bridges.push(Bridge { from: contact.from, to: contact.to, resistance });
                // A short inside a train is in its first vehicle.
                self.is_load.push(contact.load_of.is_some_and(|vehicle| sound || 0 < vehicle));
            }
        }
        self.mind_boundaries();
        for &(bridge, load) in &self.held {
            self.bridges.push(bridge);
            self.is_load.push(load);
        }
        for (bridge, load) in self.faults.bridges(&self.machines, self.now) {
            self.bridges.push(bridge);
            self.is_load.push(load);
        }
    }

    /// Wheels on a leg whose frog gap is the boundary stand on the rails of the track beyond.
    fn mind_boundaries(&mut self) {
        for effect in self.faults.active.iter().flat_map(|fault| &fault.effects) {
            let Effect::Boundary(work, leg) = *effect else { continue };
            let Step::Track(track, end) = outside(&self.layout, work, leg) else { continue };
            let beyond = |terminal: Terminal| match terminal {
                // The sides of a leg are named looking in, those of a track looking to its end.
                Terminal::PortRail(at, port, side) if at == work && port == leg => {
                    let side = if end == Which::To { side } else { side.other() };
                    Terminal::Rail(track, end, side)
                }
                same => same,
            };
            for bridge in &mut self.bridges {
                bridge.from = beyond(bridge.from);
                bridge.to = beyond(bridge.to);
            }
        }
    }

    /// The volts that vehicles are made for.
    fn nominal(&self) -> f64 {
        self.layout.boosters.first().map_or(15.0, |it| it.volts.volts())
    }

    /// Tells vehicles what they see and draw.
    pub(crate) fn feed_trains(&mut self) {
        let nominal = self.nominal();
        for at in 0..self.loads.len() {
            let (bridge, train, vehicle) = self.loads[at];
            let amps = self.plant.flow.bridges[bridge].0.abs();
            let volts = self.volts_across(bridge);
            self.trains[train].feed(vehicle, nominal, volts, amps, self.now);
        }
        self.charging = self.trains.iter().any(Train::is_charging);
    }

    /// Capacitors take for `span` seconds what was solved last.
    pub(crate) fn charge_trains(&mut self, span: f64) {
        self.charging = false;
        for train in self.trains.iter_mut().filter(|it| !it.lifted) {
            self.charging |= train.charge(span);
        }
    }

    /// A short is what boosters give beyond what loads take. A wheel that joins two districts carries honest current.
    pub(crate) fn watch_short(&mut self) {
        let given: f64 = self.plant.flow.boosters.iter().map(|amps| amps.0).sum();
        let amps = given - self.load_amps();
        if SHORT_FROM <= amps {
            let began = !self.short;
            self.short = true;
            if began {
                self.start_run_throughs(amps);
            }
            self.tell_carriers(began, amps);
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

    /// A short is told when it begins, and again when another district comes to carry it.
    fn tell_carriers(&mut self, began: bool, amps: f64) {
        let (districts, poles) = self.carriers(amps);
        if began {
            self.carried_by.clear();
        } else if districts.iter().all(|it| self.carried_by.contains(it)) {
            return;
        }
        self.carried_by.extend(districts.iter().copied());
        let fault = self.faults.latest(&districts);
        self.tell(Truth::ShortBegan { fault, amps, districts, poles });
    }

    /// Notes how the frogs read; true when one reads otherwise than before.
    pub(crate) fn note_polarities(&mut self) -> bool {
        let flow = &self.plant.flow;
        let mut changed = self.polarities.len() != flow.frogs.len();
        self.polarities.resize(flow.frogs.len(), "");
        for (at, noted) in self.polarities.iter_mut().enumerate() {
            let district = self.layout.district_of_frog(FrogIx::new(at));
            let word = polarity_word(flow.frogs[at].0, flow.district_volts[district.at()].0);
            changed |= *noted != word;
            *noted = word;
        }
        changed
    }

    /// What all loads draw together.
    pub(crate) fn load_amps(&self) -> f64 {
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
}

fn set<T>(list: &mut Vec<T>, new: impl Iterator<Item = T>) {
    list.clear();
    list.extend(new);
}
