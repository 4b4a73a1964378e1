//! A small layout for the tests of this crate's words and of locating: two districts, four blocks, four turnouts T1 to
//! T4 with machines of their names, one reverser.

use std::collections::BTreeMap;

use wiring::{
    index::{BlockIx, BoosterIx, DistrictIx, FrogIx, MachineIx, PoleIx, TrackworkIx},
    layout::{
        Block, Booster, Breaker, BreakerKind, Conductor, Control, District, Frog, FrogPole, Layout,
        Machine, Pole, Reverser, Span, Supply, Tie, Trackwork, Wire,
    },
    links::LinkSettings,
    protection::ProtectionTable,
    trackwork::{FrogName, Hand, Kind, Leg},
    units::{Gauge, Microamps, Micrometres, Microohms, Micros, Millicelsius, Millivolts},
};

const WIRE: Wire = Wire { gauge: Gauge::Awg(14), length: Micrometres(1_000_000), pairs: 1 };

pub(crate) fn layout() -> Layout {
    Layout {
        name: "Tamarrow Valley".to_owned(),
        control: Control::Dcc,
        ambient: Millicelsius(20_000),
        boosters: vec![booster()],
        districts: vec![district("quarry"), district("harbour")],
        blocks: vec![block("q1", 0), block("q2", 0), block("q3", 0), block("h1", 1)],
        tracks: Vec::new(),
        joints: Vec::new(),
        trackwork: (0..4).map(trackwork).collect(),
        frogs: (0..4).map(frog).collect(),
        machines: (0..4).map(machine).collect(),
        poles: (0..4).map(|at| Pole { machine: MachineIx(at), number: 1 }).collect(),
        reversers: vec![Reverser { id: "R1".to_owned(), span: Span::default(), block: BlockIx(2) }],
        colours: BTreeMap::new(),
        protection: ProtectionTable::default(),
        links: LinkSettings::default(),
        assumed: Vec::new(),
    }
}

fn booster() -> Booster {
    Booster {
        id: "main".to_owned(),
        span: Span::default(),
        volts: Millivolts(14_000),
        limit: Microamps(8_000_000),
        trip_delay: Micros::from_millis(300),
        resistance: Microohms(50_000),
        cut: true,
        opens_in: Micros::from_millis(10),
    }
}

fn district(id: &str) -> District {
    District {
        id: id.to_owned(),
        span: Span::default(),
        booster: BoosterIx(0),
        breaker: Breaker {
            kind: BreakerKind::Electronic,
            trip: Some(Microamps(3_000_000)),
            delay: Micros::from_millis(30),
            ohms_hot: None,
            span: Span::default(),
        },
        bus: WIRE,
        cut: true,
        opens_in: Micros::from_millis(10),
        averaging: None,
    }
}

fn block(id: &str, district: u32) -> Block {
    Block {
        id: id.to_owned(),
        span: Span::default(),
        district: DistrictIx(district),
        feeder: WIRE,
        standing_load: Microamps::ZERO,
        left: Conductor::A,
        reverser: None,
    }
}

fn trackwork(at: u32) -> Trackwork {
    Trackwork {
        id: format!("T{}", at + 1),
        span: Span::default(),
        kind: Kind::Turnout { machine: MachineIx(at), normal: Leg::Left },
        hand: Some(Hand::Right),
        block: BlockIx(0),
        left: Some(Conductor::A),
        frogs: vec![FrogIx(at)],
        at_port: Vec::new(),
    }
}

fn frog(at: u32) -> Frog {
    Frog {
        id: format!("T{}", at + 1),
        span: Span::default(),
        trackwork: TrackworkIx(at),
        name: FrogName::Only,
        poles: vec![FrogPole { pole: PoleIx(at), span: Span::default() }],
        normal: Tie::Bus(Conductor::B),
        normal_span: Span::default(),
        reverse: Tie::Bus(Conductor::A),
        reverse_span: Span::default(),
        feed: WIRE,
        limiter: None,
        proved: false,
        fixed: None,
    }
}

fn machine(at: u32) -> Machine {
    Machine {
        id: format!("T{}", at + 1),
        span: Span::default(),
        poles: vec![PoleIx(at)],
        contact_rating: Microamps(1_000_000),
        contact_resistance: Microohms(25_000),
        contact_time_constant: Micros::from_millis(2000),
        throw_time: Micros::from_millis(2500),
        supply: Supply::Own,
        uses: Vec::new(),
        terminals: BTreeMap::new(),
        terminals_by_meter: false,
        terminal_hole: None,
        time_constant_assumed: true,
    }
}
