//! Faults of power, track and rolling stock, and of sensors.

use wiring::{
    channel::{Object, Quantity},
    index::{BlockIx, BoosterIx, ChannelIx, DistrictIx, ReverserIx, TrackIx},
    layout::{Conductor, Side, Tie, Which},
    units::{Microohms, Micros},
};

use crate::{
    effect::{Effect, Rewire},
    fault::Active,
    inject::bridge,
    rails::{Piece, Step},
    scenario::Inject,
    sensor::Ailment,
    site::Site,
    train::Train,
    world::World,
};

/// A tool or coin across the rails. Unit: ohm.
const OBJECT_OHMS: f64 = 0.05;
/// Engines that wait for power to return.
const PARKED: usize = 6;
/// What a fault without a short lasts, where nobody reacts to it.
const LASTS: Micros = Micros::from_millis(30_000);

impl World {
    pub(crate) fn inject_power(&mut self, fault: &mut Active, inject: Inject) -> Option<()> {
        match inject {
            Inject::FeedersSwapped | Inject::FeederOff => self.inject_feeders(fault, inject),
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
            Inject::ReverserSlow => {
                let reverser = (!self.reversers.is_empty()).then_some(ReverserIx(0))?;
                let block = self.reversers[reverser.at()].block;
                fault.subject = self.subject(Object::Reverser(reverser));
                fault.place = format!("block {}", self.layout.blocks[block.at()].id);
                fault.districts.push(self.layout.district_of_block(block));
                let slow = Micros::from_millis(3_000);
                fault.effects.push(Effect::SlowReverser(reverser, slow));
                Some(())
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

    fn inject_feeders(&mut self, fault: &mut Active, inject: Inject) -> Option<()> {
        let fed: Vec<TrackIx> = (0..self.layout.tracks.len())
            .map(TrackIx::new)
            .filter(|track| !self.layout.tracks[track.at()].feeders.is_empty())
            .collect();
        let track = *self.faults.random.pick(&fed)?;
        self.blame_wiring(fault, self.district_of_track(track));
        fault.place = format!("track {}", self.layout.tracks[track.at()].id);
        let rewire = if inject == Inject::FeedersSwapped {
            Rewire::SwapFeeders(track)
        } else {
            fault.ends = Some(self.now + LASTS);
            Rewire::NoFeeders(track)
        };
        fault.effects.push(Effect::Rewire(rewire));
        Some(())
    }

    fn inject_phase(&mut self, fault: &mut Active) -> Option<()> {
        let districts = self.layout.districts.len();
        let district = DistrictIx::new(self.faults.random.below(districts));
        self.blame_wiring(fault, district);
        fault.effects.push(Effect::Rewire(Rewire::SwapDistrict(district)));
        (1 < districts).then_some(())
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

    /// Six engines are put on the track and the power of their district is off for two seconds.
    fn inject_inrush(&mut self, fault: &mut Active) -> Option<()> {
        let free: Vec<Step> = (0..self.layout.tracks.len())
            .map(TrackIx::new)
            .filter(|track| {
                let district = self.district_of_track(*track);
                1.3 <= self.layout.tracks[track.at()].length.metres()
                    && self.districts[district.at()].is_on()
                    && !self.is_held(Piece::Track(*track))
            })
            .map(|track| Step::Track(track, Which::From))
            .collect();
        let step = *self.faults.random.pick(&free)?;
        let mut train = Train::parked(step, PARKED, 0.0, &mut self.faults.random);
        train.head = train.length;
        let district = self.layout.district_of_block(step.block(&self.layout));
        let guest = self.trains.len();
        self.trains.push(train);
        self.driver.add();
        fault.subject = "not-explained".to_owned();
        fault.place = format!("district {}", self.layout.districts[district.at()].id);
        fault.districts.push(district);
        fault.effects.push(Effect::Guest(guest));
        fault.effects.push(Effect::UnplugDistrict(district, self.soon(2_000)));
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

    pub(crate) fn inject_sensor(&mut self, fault: &mut Active, inject: Inject) -> Option<()> {
        fault.ends = Some(self.now + LASTS);
        match inject {
            Inject::NodeSilent => {
                let district = self.faults.random.below(self.layout.districts.len());
                fault.subject = format!("node/{}", self.nodes()[district + 1].id);
                fault.effects.push(Effect::Silence(district + 1));
            }
            Inject::Disorder => {
                fault.subject = "not-explained".to_owned();
                let node = self.faults.random.below(self.nodes().len());
                self.sensors.skew(node, 700);
                fault.effects.push(Effect::Late(0.05));
            }
            Inject::SenseOff => {
                let site = self.pick_site(|_, _| true)?;
                self.blame_frog(fault, &site);
                let channel = self.channel(Object::Frog(site.frog), Quantity::Polarity)?;
                fault.effects.push(Effect::Ail(channel, Ailment::StuckWord("dead")));
            }
            Inject::CurrentStuck => {
                let at = self.faults.random.below(self.layout.districts.len());
                let object = Object::District(DistrictIx::new(at));
                fault.subject = self.subject(object);
                let value = (self.plant.flow.districts[at].0 * 1e3).round() / 1e3;
                let channel = self.channel(object, Quantity::Current)?;
                fault.effects.push(Effect::Ail(channel, Ailment::Stuck(value)));
            }
            _ => {
                let at = self.faults.random.below(self.layout.blocks.len());
                let object = Object::Block(BlockIx::new(at));
                fault.subject = self.subject(object);
                let stuck = inject == Inject::OccupiedStuck;
                let ailment = if stuck { Ailment::Offset(0.008) } else { Ailment::Flickers };
                for quantity in [Quantity::Current, Quantity::Peak] {
                    let channel = self.channel(object, quantity)?;
                    fault.effects.push(Effect::Ail(channel, ailment));
                }
            }
        }
        fault.place = fault.subject.clone();
        Some(())
    }

    fn channel(&self, object: Object, quantity: Quantity) -> Option<ChannelIx> {
        self.channels.index(object, quantity)
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
