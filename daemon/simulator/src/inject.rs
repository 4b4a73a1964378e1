//! How each scenario is brought about: the site, the effects, the culprit.

use circuit::grid::{Bridge, Ohms, PoleState, Terminal};
use wiring::{
    index::{FrogIx, MachineIx, TrackworkIx},
    layout::{Position, Tie},
    trackwork::{FrogName, Kind, Port},
    units::{Micros, Mono},
};

use crate::{
    driver::turned,
    effect::{Effect, Rewire},
    fault::{Active, Deed, Run, Twist},
    machine::Mood,
    rails::{Beyond, Piece, frog_of, outside},
    scenario::{Inject, Scenario},
    site::Site,
    world::World,
};

/// A closed gap, an object, a wheel. Unit: ohm.
const GAP_OHMS: f64 = 0.03;
/// What a fault without a short lasts, where nobody reacts to it.
const LASTS: Micros = Micros::from_millis(30_000);

/// A bridge of that resistance.
pub(crate) fn bridge(from: Terminal, to: Terminal, ohms: f64) -> Bridge {
    Bridge { from, to, resistance: Ohms(ohms) }
}

impl World {
    /// Finds a place for a scenario; none when there is none now.
    pub(crate) fn inject(&mut self, scenario: &'static Scenario) -> Option<Active> {
        use Inject as I;
        let mut active = Active::new(scenario, self.now);
        let fault = &mut active;
        let done = match scenario.inject {
            I::Nothing => self.inject_nothing(fault),
            I::RunThrough
            | I::RunThroughStays
            | I::RunThroughThrown
            | I::RunThroughDecoy
            | I::RunThroughResistive
            | I::RunThroughForeign
            | I::RunThroughBoundary
            | I::StopsShort
            | I::Two => self.inject_run_through(fault, scenario.inject),
            I::ThrownUnderTrain => self.inject_thrown_under_train(fault),
            I::Wheelset | I::WheelAtPoint | I::WheelAtNose | I::ChangesEarly => {
                self.inject_moments(fault, scenario.inject)
            }
            I::TiesSwapped | I::TiesEqual | I::TiesOpen | I::TieOpen | I::SlipUncrossed => {
                self.inject_ties(fault, scenario.inject)
            }
            I::GapClosed { crossover } => self.inject_gap(fault, crossover),
            I::ParkedOnGap => self.inject_gap(fault, false),
            I::ContactsBurnt
            | I::ContactsResistive
            | I::ContactsWelded
            | I::ContactBridged
            | I::PoleDead
            | I::FrogFuse
            | I::ContactsFilmed => self.inject_contacts(fault, scenario.inject),
            I::MachineStalls
            | I::MachineDead
            | I::PointsOff
            | I::ReportStuck
            | I::OutOfStep
            | I::Uncommanded
            | I::ReportsUnknown
            | I::MachinesDead => self.inject_machine(fault, scenario.inject),
            I::FeederWrong
            | I::DistrictSwapped
            | I::FeederOff
            | I::FeederWeak
            | I::BreakerBypassed
            | I::BoosterFirst
            | I::BoosterOff
            | I::ActuatorWelded
            | I::WeakShort
            | I::Overload
            | I::ReverserSlow
            | I::SectionShort
            | I::ReversersFight
            | I::LampShort
            | I::Sag
            | I::Inrush
            | I::Derailment
            | I::Object
            | I::Vehicle
            | I::Leakage => self.inject_power(fault, scenario.inject),
            I::CurrentStuck
            | I::OccupiedStuck
            | I::OccupiedLost
            | I::NodeSilent
            | I::SenseOff
            | I::Disorder => self.inject_sensor(fault, scenario.inject),
        };
        done.map(|()| active)
    }

    fn inject_nothing(&self, fault: &mut Active) -> Option<()> {
        fault.subject = "not-explained".to_owned();
        fault.place = "nowhere".to_owned();
        fault.ends = Some(self.now + LASTS);
        Some(())
    }

    fn inject_run_through(&mut self, fault: &mut Active, inject: Inject) -> Option<()> {
        let twist = match inject {
            Inject::RunThroughDecoy => Twist::Decoy,
            Inject::RunThroughThrown => Twist::ThrownUnderPower,
            Inject::StopsShort => Twist::StopsShort,
            Inject::RunThroughStays => Twist::Stays,
            Inject::RunThroughBoundary => Twist::Boundary,
            Inject::Two => Twist::AndInrush,
            _ => Twist::Plain,
        };
        fault.run = Run::Wanted(twist);
        match inject {
            Inject::RunThroughResistive | Inject::RunThroughThrown => {
                let site = self.pick_site(|_, _| true)?;
                let trip = self.districts[site.district.at()].guard.trip;
                let volts = self.nominal_volts(site.district);
                self.film(fault, site.frog, volts / (0.62 * trip.min(self.limit(site.district))));
                self.want_mistake(|_, it| it.work == site.work)
            }
            Inject::RunThroughForeign => {
                let site = self.pick_site(|world, it| world.neighbour(it).is_some())?;
                let foreign = self.neighbour(&site)?;
                for (position, tie) in self.ties(site.frog) {
                    let conductor = self.conductor_of(&site, tie)?;
                    let tie = Tie::ForeignBus(foreign, conductor);
                    fault.effects.push(Effect::Rewire(Rewire::Tie(site.frog, position, tie)));
                }
                self.want_mistake(|_, it| it.work == site.work)
            }
            Inject::RunThroughBoundary => self.want_mistake_at_boundary(),
            Inject::Two => {
                let free = self.places_for_inrush();
                self.want_mistake(|_, it| free.iter().any(|(_, district)| *district != it.district))
            }
            _ => self.want_mistake(|_, _| true),
        }
    }

    /// A second fault at the same time, where there is a place for it.
    pub(crate) fn inject_beside(&mut self, id: &str) {
        let second = crate::scenario::find(id).and_then(|scenario| self.inject(scenario));
        if let Some(active) = second {
            self.place(active);
        }
    }

    fn inject_thrown_under_train(&mut self, fault: &mut Active) -> Option<()> {
        let comes_onto = |world: &Self, it: &Site| {
            world.trains.iter().position(|train| {
                let head = train.path[0].piece() == Piece::Work(it.work);
                head && !train.lifted && 0.05 < train.speed
            })
        };
        let site = self.pick_site(|world, it| {
            comes_onto(world, it).is_some() && !world.machines[it.machine.at()].is_moving()
        })?;
        let under = comes_onto(self, &site);
        self.blame_machine(fault, &site);
        fault.ends = Some(self.now + LASTS);
        let needed = self.machines[site.machine.at()].target();
        let to = turned(needed);
        self.throw(site.machine, to);
        // Put back by hand when it is over.
        let (machine, position) = (site.machine, needed);
        fault.effects.push(Effect::SetBack { machine, position, under });
        Some(())
    }

    fn inject_moments(&mut self, fault: &mut Active, inject: Inject) -> Option<()> {
        let site = self.pick_idle_site()?;
        let leg = self.unset_leg(&site);
        let frog = Terminal::Frog(site.frog);
        let [left, right] = self.port_rails(site.work, Port::Points);
        self.blame_frog(fault, &site);
        let (from, to, ohms, number, longest) = match inject {
            Inject::Wheelset => (frog, self.leg_rail(site.work, leg), 0.06, 4, 0.04),
            Inject::WheelAtPoint => (left, right, 0.25, 3, 0.03),
            Inject::WheelAtNose => (frog, self.leg_rail(site.work, leg), 0.25, 3, 0.015),
            _ => return self.inject_early_change(fault, &site),
        };
        if inject == Inject::WheelAtPoint || inject == Inject::WheelAtNose {
            fault.subject = "vehicle".to_owned();
        }
        let mut times = Vec::new();
        let mut at = self.now + Micros::from_millis(20);
        for _ in 0..number {
            let lasts = Micros((self.faults.random.between(0.006, longest) * 1e6) as u64);
            times.push((at, at + lasts));
            at = at + Micros((self.faults.random.between(0.4, 0.9) * 1e6) as u64);
        }
        fault.effects.push(Effect::Pulses { bridge: bridge(from, to, ohms), times });
        fault.ends = Some(at + LASTS);
        Some(())
    }

    /// At every throw the contact has changed over while the open point still touches the old rail. It is thrown to
    /// and fro, and by traffic.
    fn inject_early_change(&mut self, fault: &mut Active, site: &Site) -> Option<()> {
        let throw = self.layout.machines[site.machine.at()].throw_time;
        let lasts = self.faults.random.between(0.02, 0.25);
        let share = (lasts / throw.seconds().max(0.02)).min(0.15);
        let rails = [Position::Normal, Position::Reverse]
            .map(|position| self.leg_rail(site.work, self.leg_at(site, position)));
        let (machine, frog) = (site.machine, Terminal::Frog(site.frog));
        fault.effects.push(Effect::ChangesEarly { machine, frog, rails, share });
        let at = self.machines[machine.at()].target();
        for (times, to) in [(0, turned(at)), (3, at), (6, turned(at))] {
            let when = self.soon(500) + Micros(times * throw.0);
            fault.deeds.push((when, Deed::Throw(machine, to)));
        }
        fault.ends = Some(self.now + LASTS);
        Some(())
    }

    fn inject_ties(&mut self, fault: &mut Active, inject: Inject) -> Option<()> {
        if inject == Inject::SlipUncrossed {
            return self.inject_slip(fault);
        }
        let site = self.pick_idle_site()?;
        self.blame_frog(fault, &site);
        let frog = site.frog;
        let [(_, normal), _] = self.ties(frog);
        let tie = |position, tie| Effect::Rewire(Rewire::Tie(frog, position, tie));
        match inject {
            Inject::TiesSwapped => fault.effects.push(Effect::Rewire(Rewire::SwapTies(frog))),
            Inject::TiesEqual => fault.effects.push(tie(Position::Reverse, normal)),
            Inject::TieOpen => fault.effects.push(tie(Position::Reverse, Tie::None)),
            _ => {
                fault.effects.push(tie(Position::Normal, Tie::None));
                fault.effects.push(tie(Position::Reverse, Tie::None));
            }
        }
        Some(())
    }

    fn inject_slip(&mut self, fault: &mut Active) -> Option<()> {
        let (at, work) = self
            .layout
            .trackwork
            .iter()
            .enumerate()
            .find(|(_, work)| matches!(work.kind, Kind::DoubleSlip { .. }))?;
        let work_ix = wiring::index::TrackworkIx::new(at);
        let one = frog_of(&self.layout, work_ix, FrogName::A)?;
        let two = frog_of(&self.layout, work_ix, FrogName::B)?;
        fault.subject = self.subject(wiring::channel::Object::Frog(one));
        fault.place = format!("double slip {}", work.id);
        fault.districts.push(self.layout.district_of_frog(one));
        fault.effects.push(Effect::Rewire(Rewire::SwapPoles(one, two)));
        Some(())
    }

    /// The gap of a leg is closed while the turnout is set for it, which does nothing. Then the turnout is thrown.
    fn inject_gap(&mut self, fault: &mut Active, crossover: bool) -> Option<()> {
        let site = self.pick_site(|world, it| {
            let machine = &world.machines[it.machine.at()];
            let free = !world.machine_is_held(it.machine) && !machine.is_moving();
            free && world.is_powered(it.machine)
                && (!crossover || world.crossover_leg(it).is_some())
        })?;
        let set = self.set_leg(&site);
        let leg = if crossover { self.crossover_leg(&site)? } else { set };
        self.blame_frog(fault, &site);
        fault.place = self.leg_words(site.work, leg);
        let parked = fault.scenario.inject == Inject::ParkedOnGap;
        let ohms = if parked { 0.4 } else { GAP_OHMS };
        let closed = bridge(Terminal::Frog(site.frog), self.leg_rail(site.work, leg), ohms);
        if parked {
            fault.subject = "vehicle".to_owned();
            self.park_on(fault, &site, leg);
        }
        let at = self.machines[site.machine.at()].target();
        let throw = self.layout.machines[site.machine.at()].throw_time;
        let mut when = self.soon(600);
        let mut throw_to = |fault: &mut Active, to| {
            fault.deeds.push((when, Deed::Throw(site.machine, to)));
            when = when + throw + throw;
            when
        };
        if leg == set {
            fault.effects.push(Effect::Bridge(closed));
            throw_to(fault, turned(at));
        } else {
            let there = throw_to(fault, turned(at));
            fault.deeds.push((there, Deed::Do(Effect::Bridge(closed))));
            throw_to(fault, at);
        }
        Some(())
    }

    /// A lit car stands on the leg beside its wheel on the gap.
    fn park_on(&self, fault: &mut Active, site: &Site, leg: Port) {
        let [from, to] = self.port_rails(site.work, leg);
        let ohms = self.nominal_volts(site.district) / 0.04;
        let within = Micros::from_millis(1);
        fault.effects.push(Effect::Growing { from, to, ohms, began: self.now, within });
    }

    /// The leg that leads straight to a leg of another turnout.
    fn crossover_leg(&self, site: &Site) -> Option<Port> {
        [Port::Left, Port::Right].into_iter().find(|leg| self.beyond_leg(site, *leg).is_some())
    }

    /// The turnout whose leg a leg leads to.
    fn beyond_leg(&self, site: &Site, leg: Port) -> Option<TrackworkIx> {
        match outside(&self.layout, site.work, leg).beyond(&self.layout) {
            Beyond::Work(other, Port::Left | Port::Right) if other != site.work => Some(other),
            Beyond::Work(..) | Beyond::Step(_) | Beyond::Nothing => None,
        }
    }

    fn inject_contacts(&mut self, fault: &mut Active, inject: Inject) -> Option<()> {
        let pair = inject == Inject::PoleDead;
        let site = self.pick_site(|world, it| {
            let poles = &world.layout.frogs[it.frog.at()].poles;
            let sound =
                poles.iter().all(|it| world.contacts[it.pole.at()].state == PoleState::Follows);
            sound && (!pair || 2 <= poles.len()) && !world.machines[it.machine.at()].is_moving()
        })?;
        self.blame_frog(fault, &site);
        let position = self.machines[site.machine.at()].target();
        match inject {
            Inject::ContactsBurnt => self.set_poles(fault, site.frog, PoleState::Open, 9),
            Inject::ContactsWelded => {
                self.set_poles(fault, site.frog, PoleState::Stuck(position), 9);
            }
            Inject::ContactBridged => self.set_poles(fault, site.frog, PoleState::Bridged, 1),
            Inject::PoleDead => self.set_poles(fault, site.frog, PoleState::Open, 1),
            Inject::ContactsFilmed => self.film(fault, site.frog, 40.0),
            Inject::FrogFuse => self.trip_fuse(fault, &site),
            _ => self.drift(fault, site.frog),
        }
        Some(())
    }

    /// Worse by and by.
    fn drift(&mut self, fault: &mut Active, frog: FrogIx) {
        self.film(fault, frog, 0.2);
        for (seconds, ohms) in [(3, 0.35), (6, 0.55), (9, 0.75)] {
            let when = self.soon(1_000 * seconds);
            let films = self.films(frog, ohms);
            fault.deeds.extend(films.into_iter().map(|film| (when, Deed::Do(film))));
        }
    }

    /// A wheel's hit, then the fuse is open until it has cooled; after that it has half as much again as before.
    fn trip_fuse(&mut self, fault: &mut Active, site: &Site) {
        let lasts = (self.faults.random.between(0.018, 0.035) * 1e6) as u64;
        let (begin, end) = (self.soon(20), self.soon(20) + Micros(lasts));
        let leg = self.leg_rail(site.work, self.unset_leg(site));
        let wheel = bridge(Terminal::Frog(site.frog), leg, 0.06);
        fault.effects.push(Effect::Pulses { bridge: wheel, times: vec![(begin, end)] });
        let cooled = end + Micros((self.faults.random.between(10.0, 30.0) * 1e6) as u64);
        for (when, ohms) in [(end, 60.0), (cooled, 0.05)] {
            let films = self.films(site.frog, ohms);
            fault.deeds.extend(films.into_iter().map(|film| (when, Deed::Do(film))));
        }
        fault.ends = Some(cooled + Micros::from_millis(5_000));
    }

    /// The first `most` poles of a frog in that state.
    fn set_poles(&self, fault: &mut Active, frog: FrogIx, state: PoleState, most: usize) {
        let poles = self.layout.frogs[frog.at()].poles.iter().take(most);
        fault.effects.extend(poles.map(|it| Effect::Pole(it.pole, state)));
    }

    fn film(&self, fault: &mut Active, frog: FrogIx, ohms: f64) {
        fault.effects.extend(self.films(frog, ohms));
    }

    /// The contacts of a frog together have so many ohms.
    fn films(&self, frog: FrogIx, ohms: f64) -> Vec<Effect> {
        let poles = &self.layout.frogs[frog.at()].poles;
        let film = |it: &wiring::layout::FrogPole| {
            let machine = self.layout.poles[it.pole.at()].machine;
            let sound = self.layout.machines[machine.at()].contact_resistance.ohms().max(1e-4);
            Effect::Film(it.pole, ohms * poles.len() as f64 / sound)
        };
        poles.iter().map(film).collect()
    }

    pub(crate) fn ties(&self, frog: FrogIx) -> [(Position, Tie); 2] {
        let frog = &self.layout.frogs[frog.at()];
        [(Position::Normal, frog.normal), (Position::Reverse, frog.reverse)]
    }

    fn inject_machine(&mut self, fault: &mut Active, inject: Inject) -> Option<()> {
        let mood = match inject {
            // Ballast stops it; stiff points only slow it down.
            Inject::MachineStalls if self.faults.random.chance(0.25) => Mood::Slow(3.2),
            Inject::MachineStalls => Mood::Stalls,
            Inject::PointsOff => Mood::PointsOff,
            Inject::ReportsUnknown | Inject::MachinesDead => {
                return self.inject_all_machines(fault, inject);
            }
            Inject::OutOfStep => return self.inject_out_of_step(fault),
            _ => Mood::Dead,
        };
        let site = self.pick_site(|world, it| {
            !world.machine_is_held(it.machine) && !world.machines[it.machine.at()].is_moving()
        })?;
        self.blame_machine(fault, &site);
        let machine = site.machine;
        let now_at = self.machines[machine.at()].target();
        let to = turned(now_at);
        match inject {
            Inject::Uncommanded => {
                self.machines[machine.at()].throw(to, self.now);
                let (position, under) = (now_at, None);
                fault.effects.push(Effect::SetBack { machine, position, under });
            }
            Inject::ReportStuck => {
                let mood = Mood::ReportsStuck(now_at.word());
                fault.effects.push(Effect::Mood(machine, mood));
                self.throw(machine, to);
            }
            _ => {
                self.machines[machine.at()].mood = mood;
                self.throw(machine, to);
                fault.effects.push(Effect::Mood(machine, mood));
            }
        }
        // What lasts until a train shows it stays; the rest is found and mended.
        if inject != Inject::PointsOff {
            fault.ends = Some(self.now + LASTS);
        }
        Some(())
    }

    /// Both ends of a crossover are thrown together and one does not follow; or one is turned by hand.
    fn inject_out_of_step(&mut self, fault: &mut Active) -> Option<()> {
        let site = self.pick_site(|world, it| world.other_end(it).is_some())?;
        let other = self.other_end(&site)?;
        self.blame_machine(fault, &site);
        let at = self.machines[site.machine.at()].target();
        let to = turned(at);
        if self.faults.random.chance(0.3) {
            self.machines[site.machine.at()].throw(to, self.now);
            let (machine, position, under) = (site.machine, at, None);
            fault.effects.push(Effect::SetBack { machine, position, under });
        } else {
            self.machines[site.machine.at()].mood = Mood::Dead;
            fault.effects.push(Effect::Mood(site.machine, Mood::Dead));
            self.throw(site.machine, to);
            self.throw(other, turned(self.machines[other.at()].target()));
        }
        fault.ends = Some(self.now + LASTS);
        Some(())
    }

    /// The machine at the other end of a crossover, where no train is near either and both stand alike for it.
    fn other_end(&self, site: &Site) -> Option<MachineIx> {
        let leg = self.crossover_leg(site)?;
        let other = self.beyond_leg(site, leg)?;
        let Kind::Turnout { machine, .. } = self.layout.trackwork[other.at()].kind else {
            return None;
        };
        let free = |it: MachineIx| {
            !self.machine_is_held(it) && !self.machines[it.at()].is_moving() && self.is_powered(it)
        };
        (machine != site.machine && free(machine) && free(site.machine)).then_some(machine)
    }

    fn inject_all_machines(&mut self, fault: &mut Active, inject: Inject) -> Option<()> {
        let site = self.pick_site(|_, _| true)?;
        fault.subject = "wiring".to_owned();
        fault.place = format!("machines of {}", self.layout.districts[site.district.at()].id);
        fault.districts.push(site.district);
        for at in 0..self.machines.len() {
            let machine = MachineIx::new(at);
            let there = crate::sensor::district_of_machine(&self.layout, machine) == site.district;
            if there && !self.machine_is_held(machine) {
                let dead = inject == Inject::MachinesDead;
                let mood = if dead { Mood::Dead } else { Mood::ReportsUnknown };
                fault.effects.push(Effect::Mood(machine, mood));
            }
        }
        fault.ends = Some(self.now + LASTS);
        Some(())
    }

    /// The moment `millis` from now.
    pub(crate) fn soon(&self, millis: u64) -> Mono {
        self.now + Micros::from_millis(millis)
    }
}
