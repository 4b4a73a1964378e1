//! The Tamarrow Valley as a model, built without a file: names are its own, numbers invented.

use std::collections::BTreeMap;

use wiring::{
    index::{BlockIx, BoosterIx, DistrictIx, FrogIx, MachineIx, PoleIx, TrackworkIx},
    layout::{
        Block, Booster, Breaker, BreakerKind, Conductor, District, Frog, FrogPole, Layout, Machine,
        Pole, Side, Span, Supply, Tie, Trackwork, Wire,
    },
    protection::{Protection, ProtectionTable},
    trackwork::{FrogName, Hand, Kind, Leg},
    units::{Gauge, Microamps, Micrometres, Microohms, Micros, Millivolts},
};

const DISTRICTS: [&str; 10] = [
    "quarry",
    "junction",
    "millbrook",
    "harbour",
    "tunnel",
    "summit",
    "yard",
    "creamery",
    "branch",
    "depot",
];
const BLOCKS_PER_DISTRICT: usize = 3;

/// A valley of `districts` districts with `turnouts` turnouts spread over them, two districts to a booster at least.
pub fn valley(districts: usize, turnouts: usize) -> Layout {
    let mut layout = Layout { name: "Tamarrow Valley".to_owned(), ..Layout::default() };
    let boosters = districts.div_ceil(4).max(1);
    layout.boosters = (0..boosters).map(booster).collect();
    for at in 0..districts {
        layout.districts.push(district(at, BoosterIx::new(at * boosters / districts)));
        for block_at in 0..BLOCKS_PER_DISTRICT {
            layout.blocks.push(block(at, block_at));
        }
    }
    for at in 0..turnouts {
        add_turnout(&mut layout, at, at * districts / turnouts);
    }
    layout.protection = ProtectionTable {
        layout: Protection::default(),
        districts: vec![Protection::default(); districts],
        blocks: vec![Protection::default(); layout.blocks.len()],
        machines: vec![Protection::default(); turnouts],
        in_force: Vec::new(),
    };
    layout
}

fn booster(at: usize) -> Booster {
    Booster {
        id: ["main", "hill", "east"].get(at).map_or_else(|| format!("b{at}"), ToString::to_string),
        span: Span::default(),
        volts: Millivolts(15_000),
        limit: Microamps(5_000_000),
        trip_delay: Micros::from_millis(150),
        resistance: Microohms(50_000),
        cut: true,
        opens_in: Micros::from_millis(10),
    }
}

fn name(at: usize) -> String {
    DISTRICTS.get(at).map_or_else(|| format!("part-{at}"), ToString::to_string)
}

fn district(at: usize, booster: BoosterIx) -> District {
    District {
        id: name(at),
        span: Span::default(),
        booster,
        breaker: Breaker {
            kind: BreakerKind::Electronic,
            trip: Some(Microamps(3_000_000)),
            delay: Micros::from_millis(40),
            ohms_hot: None,
            span: Span::default(),
        },
        bus: wire(14, 6),
        // One district is left to its booster, so that a page without a cut button is seen too.
        cut: at != 3,
        opens_in: Micros::from_millis(10),
        averaging: None,
    }
}

fn block(district: usize, at: usize) -> Block {
    let letter = name(district).chars().next().unwrap_or('x');
    Block {
        id: format!("{letter}{}{}", district + 1, at + 1),
        span: Span::default(),
        district: DistrictIx::new(district),
        feeder: wire(20, 1),
        standing_load: Microamps::ZERO,
        left: Conductor::A,
        reverser: None,
    }
}

const fn wire(awg: i16, metres: u64) -> Wire {
    Wire { gauge: Gauge::Awg(awg), length: Micrometres(metres * 1_000_000), pairs: 1 }
}

fn add_turnout(layout: &mut Layout, at: usize, district: usize) {
    let block = BlockIx::new(district * BLOCKS_PER_DISTRICT + at % BLOCKS_PER_DISTRICT);
    let machine = MachineIx::new(at);
    let poles = [PoleIx::new(2 * at), PoleIx::new(2 * at + 1)];
    let id = format!("T{}", at + 1);
    layout.machines.push(machine_of(&id, &poles));
    layout.poles.extend([1, 2].map(|number| Pole { machine, number }));
    layout.trackwork.push(Trackwork {
        id: id.clone(),
        span: Span::default(),
        kind: Kind::Turnout { machine, normal: Leg::Left },
        hand: Some(Hand::Right),
        block,
        left: Some(Conductor::A),
        frogs: vec![FrogIx::new(at)],
        at_port: Vec::new(),
    });
    layout.frogs.push(Frog {
        id,
        span: Span::default(),
        trackwork: TrackworkIx::new(at),
        name: FrogName::Only,
        poles: poles.map(|pole| FrogPole { pole, span: Span::default() }).to_vec(),
        normal: Tie::Stock(Side::Right),
        normal_span: Span::default(),
        reverse: Tie::Stock(Side::Left),
        reverse_span: Span::default(),
        feed: wire(22, 1),
        limiter: None,
        proved: false,
        fixed: None,
    });
}

fn machine_of(id: &str, poles: &[PoleIx]) -> Machine {
    Machine {
        id: id.to_owned(),
        span: Span::default(),
        poles: poles.to_vec(),
        contact_rating: Microamps(1_000_000),
        contact_resistance: Microohms(30_000),
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
