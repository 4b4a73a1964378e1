//! Layouts sketched by hand, and random ones from a seed. All numbers here are invented.

#![allow(dead_code, reason = "each test uses a part")]
#![allow(unreachable_pub, reason = "a module of tests has no crate to be public in")]

use std::collections::BTreeMap;

use wiring::{
    index::{
        BlockIx, BoosterIx, DistrictIx, FrogIx, JointIx, MachineIx, PoleIx, ReverserIx, TrackIx,
        TrackworkIx,
    },
    layout::{
        Block, Booster, Breaker, BreakerKind, Conductor, District, End, Frog, FrogPole, Gap, Joint,
        Layout, Limiter, Machine, Pole, RailCode, Reverser, Side, Span, Supply, Tie, Track,
        Trackwork, Which, Wire,
    },
    protection::Protection,
    trackwork::{FrogName, Hand, Kind, Leg, Port},
    units::{Gauge, Microamps, Micrometres, Microohms, Micros, Millicelsius, Millivolts},
};

pub mod random;

/// A wire of AWG size, length in millimetres.
pub fn wire(awg: i16, millimetres: u64, pairs: u16) -> Wire {
    Wire { gauge: Gauge::Awg(awg), length: Micrometres(millimetres * 1000), pairs }
}

pub fn breaker(kind: BreakerKind, trip: Option<i64>, delay_ms: u64) -> Breaker {
    Breaker {
        kind,
        trip: trip.map(Microamps::from_milliamps),
        delay: Micros::from_millis(delay_ms),
        ohms_hot: None,
        span: Span::default(),
    }
}

/// A layout as it is put together.
pub struct Sketch {
    pub layout: Layout,
}

impl Sketch {
    pub fn new() -> Self {
        let ambient = Millicelsius(20_000);
        Self { layout: Layout { ambient, ..Layout::default() } }
    }

    pub fn booster(&mut self, millivolts: i64, limit_ma: i64, milliohms: u64) -> BoosterIx {
        self.layout.boosters.push(Booster {
            id: format!("b{}", self.layout.boosters.len()),
            span: Span::default(),
            volts: Millivolts(millivolts),
            limit: Microamps::from_milliamps(limit_ma),
            trip_delay: Micros::from_millis(150),
            resistance: Microohms(milliohms * 1000),
            cut: false,
            opens_in: Micros::from_millis(15),
        });
        BoosterIx::new(self.layout.boosters.len() - 1)
    }

    pub fn district(&mut self, booster: BoosterIx, breaker: Breaker, bus: Wire) -> DistrictIx {
        self.layout.districts.push(District {
            id: format!("d{}", self.layout.districts.len()),
            span: Span::default(),
            booster,
            breaker,
            bus,
            cut: true,
            opens_in: Micros::from_millis(15),
            averaging: None,
        });
        self.layout.protection.districts.push(Protection::default());
        DistrictIx::new(self.layout.districts.len() - 1)
    }

    pub fn block(&mut self, district: DistrictIx, feeder: Wire) -> BlockIx {
        self.layout.blocks.push(Block {
            id: format!("k{}", self.layout.blocks.len()),
            span: Span::default(),
            district,
            feeder,
            standing_load: Microamps::ZERO,
            left: Conductor::A,
            reverser: None,
        });
        self.layout.protection.blocks.push(Protection::default());
        BlockIx::new(self.layout.blocks.len() - 1)
    }

    pub fn joint(&mut self) -> End {
        let name = format!("j{}", self.layout.joints.len());
        self.layout.joints.push(Joint { name, span: Span::default(), ends: Vec::new() });
        End::Joint(JointIx::new(self.layout.joints.len() - 1))
    }

    /// Plain track; with `left` it has a feeder pair at its `from` end.
    pub fn track(
        &mut self,
        block: BlockIx,
        (from, to): (End, End),
        millimetres: u64,
        left: Option<Conductor>,
    ) -> TrackIx {
        let at = TrackIx::new(self.layout.tracks.len());
        for (end, which) in [(from, Which::From), (to, Which::To)] {
            match end {
                End::Joint(joint) => self.layout.joints[joint.at()].ends.push((at, which)),
                End::Port(work, port) => {
                    let ports = &mut self.layout.trackwork[work.at()].at_port;
                    let slot = ports.iter_mut().find(|(name, _)| *name == port);
                    slot.expect("the port exists").1 = Some((at, which));
                }
            }
        }
        self.layout.tracks.push(Track {
            id: format!("t{}", at.0),
            span: Span::default(),
            block,
            from,
            to,
            length: Micrometres(millimetres * 1000),
            rail: RailCode(83),
            left,
            gaps: Vec::new(),
            feeders: left.map(|_| Which::From).into_iter().collect(),
        });
        at
    }

    pub fn gap(&mut self, track: TrackIx, end: Which, rails: &[Side]) {
        let gaps = rails.iter().map(|&rail| Gap { end, rail });
        self.layout.tracks[track.at()].gaps.extend(gaps);
    }

    /// A machine with poles of 1 A and 30 mohm.
    pub fn machine(&mut self, poles: u8) -> MachineIx {
        let machine = MachineIx::new(self.layout.machines.len());
        let first = self.layout.poles.len();
        self.layout.poles.extend((1..=poles).map(|number| Pole { machine, number }));
        self.layout.machines.push(Machine {
            id: format!("M{}", machine.0),
            span: Span::default(),
            poles: (0..usize::from(poles)).map(|at| PoleIx::new(first + at)).collect(),
            contact_rating: Microamps::from_milliamps(1000),
            contact_resistance: Microohms(30_000),
            contact_time_constant: Micros::from_millis(2000),
            throw_time: Micros::from_millis(2500),
            supply: Supply::Own,
            uses: Vec::new(),
            terminals: BTreeMap::new(),
            terminals_by_meter: false,
            terminal_hole: None,
            time_constant_assumed: true,
        });
        self.layout.protection.machines.push(Protection::default());
        machine
    }

    pub fn trackwork(
        &mut self,
        block: BlockIx,
        kind: Kind,
        left: Option<Conductor>,
    ) -> TrackworkIx {
        let at_port = kind.ports().iter().map(|port| (*port, None)).collect();
        self.layout.trackwork.push(Trackwork {
            id: format!("T{}", self.layout.trackwork.len()),
            span: Span::default(),
            hand: matches!(kind, Kind::Turnout { .. }).then_some(Hand::Right),
            kind,
            block,
            left,
            frogs: Vec::new(),
            at_port,
        });
        TrackworkIx::new(self.layout.trackwork.len() - 1)
    }

    /// A frog fed through `poles`.
    pub fn frog(
        &mut self,
        trackwork: TrackworkIx,
        name: FrogName,
        poles: &[PoleIx],
        [normal, reverse]: [Tie; 2],
        limiter: Option<Limiter>,
    ) -> FrogIx {
        let frog = FrogIx::new(self.layout.frogs.len());
        let id = format!("{}{}", self.layout.trackwork[trackwork.at()].id, name.word());
        let span = Span::default();
        self.layout.frogs.push(Frog {
            id,
            span,
            trackwork,
            name,
            poles: poles.iter().map(|&pole| FrogPole { pole, span }).collect(),
            normal,
            normal_span: span,
            reverse,
            reverse_span: span,
            feed: wire(22, 600, 1),
            limiter,
            proved: false,
            fixed: None,
        });
        self.layout.trackwork[trackwork.at()].frogs.push(frog);
        frog
    }

    /// A right-hand turnout with a machine of its own, its frog rightly tied through `poles` of two poles.
    pub fn turnout(
        &mut self,
        block: BlockIx,
        poles: usize,
        left: Option<Conductor>,
        limiter: Option<Limiter>,
    ) -> (TrackworkIx, FrogIx) {
        let machine = self.machine(2);
        let kind = Kind::Turnout { machine, normal: Leg::Left };
        let work = self.trackwork(block, kind, left);
        let used = self.layout.machines[machine.at()].poles[..poles].to_vec();
        let ties = [Tie::Stock(Side::Right), Tie::Stock(Side::Left)];
        let frog = self.frog(work, FrogName::Only, &used, ties, limiter);
        (work, frog)
    }

    pub fn reverser(&mut self, block: BlockIx) -> ReverserIx {
        let reverser = ReverserIx::new(self.layout.reversers.len());
        let id = format!("r{}", reverser.0);
        self.layout.reversers.push(Reverser { id, span: Span::default(), block });
        self.layout.blocks[block.at()].reverser = Some(reverser);
        reverser
    }
}

/// One booster, one district, one block, one turnout with `poles` poles on its frog, no track plan.
pub fn one_turnout(poles: usize) -> Sketch {
    let mut sketch = Sketch::new();
    let booster = sketch.booster(15_000, 5000, 50);
    let electronic = breaker(BreakerKind::Electronic, Some(3000), 40);
    let district = sketch.district(booster, electronic, wire(14, 6000, 1));
    let block = sketch.block(district, wire(20, 400, 3));
    sketch.turnout(block, poles, None, None);
    sketch
}

/// The port of a turnout as an end.
pub fn port(work: TrackworkIx, port: Port) -> End {
    End::Port(work, port)
}
