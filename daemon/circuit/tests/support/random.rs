//! Random layouts with faults: the same seed gives the same layout everywhere.

use circuit::grid::{Bridge, Ohms, PoleState, Switches, Terminal};
use wiring::{
    index::{BlockIx, DistrictIx, FrogIx, TrackIx, TrackworkIx},
    layout::{BreakerKind, Conductor, Layout, Limiter, LimiterKind, Position, Side, Tie, Which},
    trackwork::{FrogName, Kind, Port},
    units::Microohms,
};

use super::{Sketch, breaker, port, wire};

/// A small generator of our own (SplitMix64), so that cases never change with a library.
pub struct Dice(pub u64);

impl Dice {
    pub fn roll(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut bits = self.0;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        bits ^ (bits >> 31)
    }

    /// Below `bound`.
    pub fn below(&mut self, bound: u64) -> u64 {
        self.roll() % bound
    }

    /// True in `percent` of a hundred.
    pub fn chance(&mut self, percent: u64) -> bool {
        self.below(100) < percent
    }

    pub fn pick<'a, T>(&mut self, from: &'a [T]) -> &'a T {
        &from[self.below(from.len() as u64) as usize]
    }

    /// 0 to 1.
    pub fn part(&mut self) -> f64 {
        self.roll() as f64 / u64::MAX as f64
    }
}

/// A layout, how it is switched and what bridges it.
pub struct Case {
    pub layout: Layout,
    pub switches: Switches,
    pub bridges: Vec<Bridge>,
}

pub fn case(seed: u64) -> Case {
    let mut dice = Dice(seed);
    let layout = layout(&mut dice);
    let switches = switches(&layout, &mut dice);
    let count = 1 + dice.below(4);
    let bridges = (0..count).map(|_| bridge(&layout, &mut dice)).collect();
    Case { layout, switches, bridges }
}

/// The same layout, switched and bridged otherwise.
pub fn again(case: &Case, seed: u64) -> (Switches, Vec<Bridge>) {
    let mut dice = Dice(seed);
    let switches = switches(&case.layout, &mut dice);
    let count = dice.below(6);
    let new = (0..count).map(|_| bridge(&case.layout, &mut dice));
    let mut bridges = case.bridges.clone();
    bridges.extend(new);
    (switches, bridges)
}

fn layout(dice: &mut Dice) -> Layout {
    let mut sketch = Sketch::new();
    let boosters = 1 + dice.below(3);
    for _ in 0..boosters {
        let limit = 2000 + dice.below(7000) as i64;
        let booster = sketch.booster(12_000 + dice.below(6000) as i64, limit, 20 + dice.below(200));
        for _ in 0..1 + dice.below(3) {
            let trip = 1500 + dice.below(3000) as i64;
            let kind = breaker(BreakerKind::Electronic, Some(trip), 40);
            let bus = wire(12 + 2 * dice.below(3) as i16, 500 + dice.below(9000), 1);
            let district = sketch.district(booster, kind, bus);
            for _ in 0..1 + dice.below(4) {
                block(&mut sketch, district, dice);
            }
        }
    }
    sketch.layout
}

/// A block: a track to a turnout or crossing, legs behind it, some gaps, sometimes a reverser.
fn block(sketch: &mut Sketch, district: DistrictIx, dice: &mut Dice) {
    let feeder =
        wire(18 + 2 * dice.below(3) as i16, 200 + dice.below(900), 1 + dice.below(3) as u16);
    let block = sketch.block(district, feeder);
    if dice.chance(20) {
        sketch.reverser(block);
    }
    if dice.chance(25) {
        crossing(sketch, block, dice);
    } else {
        turnout(sketch, block, dice);
    }
}

fn turnout(sketch: &mut Sketch, block: BlockIx, dice: &mut Dice) {
    let limiter = dice.chance(30).then(|| Limiter {
        kind: LimiterKind::Resistor,
        ohms_hot: Microohms(500_000 + dice.below(4_000_000)),
    });
    let (work, _) = sketch.turnout(block, 1 + dice.below(2) as usize, None, limiter);
    let start = last_joint(sketch, dice);
    let left = Some(*dice.pick(&[Conductor::A, Conductor::B]));
    track(sketch, block, (start, port(work, Port::Points)), left, dice);
    for leg in [Port::Left, Port::Right] {
        let end = sketch.joint();
        let left = dice.chance(30).then(|| *dice.pick(&[Conductor::A, Conductor::B]));
        track(sketch, block, (port(work, leg), end), left, dice);
    }
}

fn crossing(sketch: &mut Sketch, block: BlockIx, dice: &mut Dice) {
    let machine = sketch.machine(2);
    let kind = Kind::Crossing {
        a_left: vec![(machine, Position::Normal)],
        a_right: vec![(machine, Position::Reverse)],
    };
    let work = sketch.trackwork(block, kind, None);
    let poles = sketch.layout.machines[machine.at()].poles.clone();
    let rail = |port, side| Tie::PortRail(port, side);
    let ties = [
        [rail(Port::ALeft, Side::Right), rail(Port::ARight, Side::Left)],
        [rail(Port::BLeft, Side::Right), Tie::Bus(Conductor::B)],
    ];
    for ((name, pole), ties) in [FrogName::A, FrogName::B].into_iter().zip(poles).zip(ties) {
        sketch.frog(work, name, &[pole], ties, None);
    }
    for name in [Port::ALeft, Port::ARight, Port::BLeft, Port::BRight] {
        let end = sketch.joint();
        let left = dice.chance(50).then_some(Conductor::A);
        track(sketch, block, (port(work, name), end), left, dice);
    }
}

/// Sometimes the end of an earlier track, so that blocks and districts meet.
fn last_joint(sketch: &mut Sketch, dice: &mut Dice) -> wiring::layout::End {
    let free = sketch.layout.joints.iter().position(|joint| joint.ends.len() == 1);
    match free {
        Some(at) if dice.chance(50) => wiring::layout::End::Joint(wiring::index::JointIx::new(at)),
        Some(_) | None => sketch.joint(),
    }
}

fn track(
    sketch: &mut Sketch,
    block: BlockIx,
    ends: (wiring::layout::End, wiring::layout::End),
    left: Option<Conductor>,
    dice: &mut Dice,
) {
    let track = sketch.track(block, ends, 100 + dice.below(4000), left);
    for end in [Which::From, Which::To] {
        match dice.below(4) {
            0 => sketch.gap(track, end, &[Side::Left, Side::Right]),
            1 => sketch.gap(track, end, &[Side::Left]),
            _ => {}
        }
    }
}

fn switches(layout: &Layout, dice: &mut Dice) -> Switches {
    let mut switches = Switches::all_on(layout);
    for machine in &mut switches.machines {
        *machine = *dice.pick(&[Some(Position::Normal), Some(Position::Reverse), None]);
    }
    for pole in &mut switches.poles {
        if dice.chance(15) {
            let odd = [PoleState::Open, PoleState::Stuck(Position::Reverse), PoleState::Bridged];
            *pole = *dice.pick(&odd);
        }
    }
    for swapped in &mut switches.reversers_swapped {
        *swapped = dice.chance(50);
    }
    for on in &mut switches.districts_on {
        *on = dice.chance(90);
    }
    switches
}

fn bridge(layout: &Layout, dice: &mut Dice) -> Bridge {
    let fault = dice.chance(60);
    let ohms = if fault { 0.01 + dice.part() * 0.2 } else { 5.0 + dice.part() * 100.0 };
    let from = terminal(layout, dice);
    // Most faults join neighbours; some run across the layout.
    let to = if dice.chance(70) { beside(from) } else { terminal(layout, dice) };
    Bridge { from, to, resistance: Ohms(ohms) }
}

fn terminal(layout: &Layout, dice: &mut Dice) -> Terminal {
    let side = *dice.pick(&[Side::Left, Side::Right]);
    let name = *dice.pick(&[Conductor::A, Conductor::B]);
    let mut one = |count: usize| dice.below(count as u64) as usize;
    match one(5) {
        0 => Terminal::Rail(TrackIx::new(one(layout.tracks.len())), Which::To, side),
        1 => {
            let work = TrackworkIx::new(one(layout.trackwork.len()));
            let ports = layout.trackwork[work.at()].kind.ports();
            Terminal::PortRail(work, ports[one(ports.len())], side)
        }
        2 => Terminal::Frog(FrogIx::new(one(layout.frogs.len()))),
        3 => Terminal::Bus(DistrictIx::new(one(layout.districts.len())), name),
        _ => Terminal::Block(BlockIx::new(one(layout.blocks.len())), name),
    }
}

fn beside(terminal: Terminal) -> Terminal {
    match terminal {
        Terminal::Rail(track, end, side) => Terminal::Rail(track, end, side.other()),
        Terminal::PortRail(work, port, side) => Terminal::PortRail(work, port, side.other()),
        Terminal::Frog(frog) => Terminal::Frog(FrogIx::new(frog.at().saturating_sub(1))),
        Terminal::Bus(district, name) => Terminal::Bus(district, name.other()),
        Terminal::Block(block, name) => Terminal::Block(block, name.other()),
    }
}
