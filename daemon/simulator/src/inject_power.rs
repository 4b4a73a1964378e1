//! Faults of power, track and rolling stock, and of sensors.

use circuit::grid::Terminal;
use wiring::{
    channel::Object,
    index::{BlockIx, BoosterIx, DistrictIx, TrackIx},
    layout::{Conductor, Side, Tie, Which},
    units::{Microohms, Micros},
};

use crate::{
    effect::{Effect, Rewire},
    fault::{Active, Run},
    gap::Gap,
    inject::bridge,
    rails::{Piece, Step},
    scenario::Inject,
    site::Site,
    train::Train,
    world::World,
};

/// A tool or coin across the rails. Unit: ohm.
const OBJECT_OHMS: f64 = 0.05;
/// A feeder. Unit: ohm.
const FEEDER_OHMS: f64 = 0.04;
/// Engines that wait for power to return.
const PARKED: usize = 6;
/// What a fault without a short lasts, where nobody reacts to it.
const LASTS: Micros = Micros::from_millis(30_000);

impl World {
    pub(crate) fn inject_power(&mut self, fault: &mut Active, inject: Inject) -> Option<()> {
        match inject {
            Inject::FeederWrong => self.inject_wrong_feeder(fault),
            Inject::FeederOff => self.inject_feeder_off(fault),
            Inject::DistrictSwapped => self.inject_phase(fault),
            Inject::FeederWeak => {
                let blocks = self.layout.blocks.len();
                let block = BlockIx::new(self.faults.random.below(blocks));
                self.blame_wiring(fault, self.layout.district_of_block(block));
                fault.place = format!("block {}", self.layout.blocks[block.at()].id);
                fault.effects.push(Effect::Rewire(Rewire::WeakFeeder(block, 40)));
                fault.ends = Some(self.now + LASTS);
                Some(())
            }
            Inject::BoosterOff | Inject::Sag => self.inject_booster(fault, inject),
            Inject::Inrush => self.inject_inrush(fault),
            Inject::Overload | Inject::Leakage => self.inject_load(fault, inject),
            Inject::ReverserSlow | Inject::SectionShort | Inject::ReversersFight => {
                self.inject_reverser(fault, inject)
            }
            Inject::Derailment | Inject::Vehicle => self.inject_train(fault, inject),
            _ => self.inject_object(fault, inject),
        }
    }

    fn blame_wiring(&self, fault: &mut Active, district: DistrictIx) {
        fault.subject = "wiring".to_owned();
        fault.districts.push(district);
        fault.place = format!("district {}", self.layout.districts[district.at()].id);
    }

    fn inject_feeder_off(&mut self, fault: &mut Active) -> Option<()> {
        let track = self.pick_fed_track()?;
        self.blame_feeder(fault, track);
        fault.ends = Some(self.now + LASTS);
        fault.effects.push(Effect::Rewire(Rewire::NoFeeders(track)));
        Some(())
    }

    /// With the district unplugged somebody has added a feeder, from a rail to the wrong conductor of the bus.
    fn inject_wrong_feeder(&mut self, fault: &mut Active) -> Option<()> {
        let track = self.pick_fed_track()?;
        let district = self.district_of_track(track);
        self.blame_feeder(fault, track);
        let it = &self.layout.tracks[track.at()];
        let left = it.left.unwrap_or(self.layout.blocks[it.block.at()].left);
        let [rail, _] = self.track_rails(track, Which::From);
        let bus = Terminal::Bus(district, left.other());
        fault.effects.push(Effect::Bridge(bridge(rail, bus, FEEDER_OHMS)));
        fault.effects.push(Effect::UnplugDistrict(district, self.soon(2_000)));
        Some(())
    }

    fn pick_fed_track(&mut self) -> Option<TrackIx> {
        let fed: Vec<TrackIx> = (0..self.layout.tracks.len())
            .map(TrackIx::new)
            .filter(|track| {
                let on = self.districts[self.district_of_track(*track).at()].is_on();
                on && !self.layout.tracks[track.at()].feeders.is_empty()
            })
            .collect();
        self.faults.random.pick(&fed).copied()
    }

    fn blame_feeder(&self, fault: &mut Active, track: TrackIx) {
        self.blame_wiring(fault, self.district_of_track(track));
        fault.place = format!("track {}", self.layout.tracks[track.at()].id);
    }

    /// A district is out of phase, and a wheel crosses its boundary a few seconds later.
    fn inject_phase(&mut self, fault: &mut Active) -> Option<()> {
        let of = |block| self.layout.district_of_block(block);
        let boundaries: Vec<Gap> =
            self.gaps().into_iter().filter(|gap| of(gap.inside) != of(gap.outside)).collect();
        let gap = self.faults.random.pick(&boundaries).copied()?;
        let district = self.layout.district_of_block(gap.inside);
        self.blame_wiring(fault, district);
        fault.effects.push(Effect::Rewire(Rewire::SwapDistrict(district)));
        let crossings = [(2_000, 1_500), (20_000, 1_500), (40_000, 1_500)];
        fault.effects.extend(self.wheels_on(&gap, &crossings));
        Some(())
    }

    fn inject_booster(&mut self, fault: &mut Active, inject: Inject) -> Option<()> {
        let booster = BoosterIx::new(self.faults.random.below(self.layout.boosters.len()));
        fault.subject = self.subject(Object::Booster(booster));
        fault.place = format!("booster {}", self.layout.boosters[booster.at()].id);
        fault.effects.push(if inject == Inject::Sag {
            Effect::Rewire(Rewire::Sag(booster, 74))
        } else {
            Effect::UnplugBooster(booster)
        });
        fault.ends = Some(self.soon(8_000));
        Some(())
    }

    /// Tracks on which six engines could be put, with their districts.
    pub(crate) fn places_for_inrush(&self) -> Vec<(TrackIx, DistrictIx)> {
        let tracks = (0..self.layout.tracks.len()).map(TrackIx::new);
        let placed = tracks.map(|track| (track, self.district_of_track(track)));
        let suits = |(track, district): &(TrackIx, DistrictIx)| {
            1.3 <= self.layout.tracks[track.at()].length.metres()
                && self.districts[district.at()].is_on()
                && !self.is_held(Piece::Track(*track))
        };
        placed.filter(suits).collect()
    }

    /// Six engines are put on the track and the power of their district is off for two seconds; for less beside a
    /// run-through that has just begun, and elsewhere then.
    fn inject_inrush(&mut self, fault: &mut Active) -> Option<()> {
        let begun = |fault: &Active| fault.started == Some(self.now) && fault.run != Run::None;
        let shorted: Vec<DistrictIx> = (self.faults.active.iter())
            .filter(|fault| begun(fault))
            .flat_map(|fault| fault.districts.iter().copied())
            .collect();
        let mut free = self.places_for_inrush();
        free.retain(|(_, district)| !shorted.contains(district));
        let off = if shorted.is_empty() { 2_000 } else { 600 };
        let (track, district) = self.faults.random.pick(&free).copied()?;
        let step = Step::Track(track, Which::From);
        let mut train = Train::parked(step, PARKED, 0.0, &mut self.faults.random);
        train.head = train.length;
        let guest = self.trains.len();
        self.trains.push(train);
        self.driver.add();
        fault.subject = "not-explained".to_owned();
        fault.place = format!("district {}", self.layout.districts[district.at()].id);
        fault.districts.push(district);
        fault.effects.push(Effect::Guest(guest));
        fault.effects.push(Effect::UnplugDistrict(district, self.soon(off)));
        fault.ends = Some(self.now + LASTS);
        Some(())
    }

    fn inject_load(&mut self, fault: &mut Active, inject: Inject) -> Option<()> {
        let ([from, to], district, place) = self.pick_rails()?;
        fault.place = place;
        fault.subject = "vehicle".to_owned();
        fault.districts.push(district);
        let volts = self.nominal_volts(district);
        let (amps, within) = if inject == Inject::Overload {
            let trip = self.districts[district.at()].guard.trip;
            (trip.min(self.limit(district)) * 1.15, Micros::from_millis(25_000))
        } else {
            fault.subject = "not-explained".to_owned();
            (0.03, Micros::from_millis(20_000))
        };
        let ohms = volts / amps;
        fault.effects.push(Effect::Growing { from, to, ohms, began: self.now, within });
        fault.ends = Some(self.now + within + LASTS);
        Some(())
    }

    pub(crate) fn nominal_volts(&self, district: DistrictIx) -> f64 {
        let booster = self.layout.districts[district.at()].booster;
        self.layout.boosters[booster.at()].volts.volts()
    }

    pub(crate) fn limit(&self, district: DistrictIx) -> f64 {
        let booster = self.layout.districts[district.at()].booster;
        self.layout.boosters[booster.at()].limit.amps()
    }

    fn inject_object(&mut self, fault: &mut Active, inject: Inject) -> Option<()> {
        let ([from, to], district, place) = self.pick_rails()?;
        fault.subject = "object".to_owned();
        fault.place = place;
        fault.districts.push(district);
        let mut ohms = OBJECT_OHMS;
        match inject {
            Inject::ActuatorWelded => {
                if !self.districts[district.at()].actuator.is_present() {
                    return None;
                }
                // With its breaker out of circuit too, or the breaker would hide that nothing opened.
                fault.effects.push(Effect::Bypass(district));
                let lies = self.faults.random.chance(0.5);
                fault.effects.push(Effect::Weld(district, lies));
            }
            Inject::BreakerBypassed => fault.effects.push(Effect::Bypass(district)),
            Inject::BoosterFirst => {
                fault.effects.push(Effect::Slow(district, Micros::from_millis(2_000)));
            }
            Inject::LampShort => {
                let ohms = Microohms((self.nominal_volts(district) / 2.1 * 1e6) as u64);
                fault.effects.push(Effect::Rewire(Rewire::Lamp(district, ohms)));
                fault.effects.push(Effect::Bypass(district));
            }
            Inject::WeakShort => {
                let trip = self.districts[district.at()].guard.trip.min(self.limit(district));
                ohms = self.nominal_volts(district) / (0.7 * trip);
                fault.subject = "not-explained".to_owned();
            }
            _ => {}
        }
        fault.effects.push(Effect::Bridge(bridge(from, to, ohms)));
        Some(())
    }

    fn inject_train(&mut self, fault: &mut Active, inject: Inject) -> Option<()> {
        let suits: Vec<usize> = (0..self.trains.len())
            .filter(|at| {
                let train = &self.trains[*at];
                let on_plain = train.path.iter().all(|step| !matches!(step, Step::Work(..)));
                let runs = 0.05 < train.speed || inject == Inject::Vehicle;
                !train.lifted && !train.held && on_plain && runs && train.is_powered()
            })
            .collect();
        let train = *self.faults.random.pick(&suits)?;
        let step = self.trains[train].path[0];
        let block = step.block(&self.layout);
        fault.place = format!("block {}", self.layout.blocks[block.at()].id);
        fault.districts.push(self.layout.district_of_block(block));
        if inject == Inject::Vehicle {
            fault.subject = "vehicle".to_owned();
            fault.effects.push(Effect::Vehicle { train, ohms: 0.5 });
        } else {
            fault.subject = "object".to_owned();
            let [from, to] = self.trains[train].under_engine(&self.layout);
            fault.effects.push(Effect::Hold(train));
            fault.effects.push(Effect::Bridge(bridge(from, to, 0.08)));
        }
        Some(())
    }

    /// A district next to that of a turnout, on another breaker of the same booster.
    pub(crate) fn neighbour(&self, site: &Site) -> Option<DistrictIx> {
        let booster = self.layout.districts[site.district.at()].booster;
        let others = self.layout.districts.iter().enumerate();
        let other = others.filter(|(at, it)| *at != site.district.at() && it.booster == booster);
        other.map(|(at, _)| DistrictIx::new(at)).next()
    }

    /// The conductor that a tie of a turnout's frog is on.
    pub(crate) fn conductor_of(&self, site: &Site, tie: Tie) -> Option<Conductor> {
        let work = &self.layout.trackwork[site.work.at()];
        let left = work.left.unwrap_or(self.layout.blocks[work.block.at()].left);
        match tie {
            Tie::Stock(Side::Left) => Some(left),
            Tie::Stock(Side::Right) => Some(left.other()),
            Tie::Bus(conductor) | Tie::ForeignBus(_, conductor) => Some(conductor),
            Tie::PortRail(..) | Tie::None => None,
        }
    }
}
