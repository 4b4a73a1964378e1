//! The network of small layouts against Ohm's law by hand, and laws that hold for any layout.

mod support;

use circuit::{
    grid::{Bridge, Flow, Grid, Ohms, PoleState, Scales, Switches, Terminal},
    repeat::Kept,
};
use proptest::prelude::*;
use support::{Sketch, breaker, one_turnout, port, random, wire};
use wiring::{
    index::{BlockIx, DistrictIx, FrogIx, TrackIx, TrackworkIx},
    layout::{BreakerKind, Conductor, Layout, Limiter, LimiterKind, Position, Side, Which},
    material::{LAMP_EXPONENT, rail_ohms_per_metre, wire_ohms_per_metre},
    trackwork::Port,
    units::{Gauge, Microohms, Millicelsius},
};

const MILLIOHM: f64 = 1e-3;

fn solve(layout: &Layout, switches: &Switches, bridges: &[Bridge]) -> Flow {
    Grid::new(layout, &Scales::unity(layout)).solve(switches, bridges)
}

fn near(got: f64, want: f64) {
    assert!((got - want).abs() <= 1e-9 * want.abs().max(1.0), "{got} is not {want}");
}

/// One conductor, at the 20 C of the sketches. Unit: ohm.
fn copper(awg: i16, metres: f64) -> f64 {
    wire_ohms_per_metre(Gauge::Awg(awg), Millicelsius(20_000)) * metres
}

fn stock(side: Side) -> Terminal {
    Terminal::PortRail(TrackworkIx(0), Port::Points, side)
}

fn bridge(from: Terminal, to: Terminal, ohms: f64) -> Bridge {
    Bridge { from, to, resistance: Ohms(ohms) }
}

/// Both conductors of bus and feeder of the one-turnout sketch, and the booster.
fn loop_ohms() -> f64 {
    0.05 + 2.0 * (copper(14, 6.0) + copper(20, 0.4) / 3.0)
}

#[test]
fn a_load_on_the_rails_draws_what_ohms_law_says() {
    let Sketch { layout } = one_turnout(1);
    let load = bridge(stock(Side::Left), stock(Side::Right), 14.0);
    let flow = solve(&layout, &Switches::all_on(&layout), &[load]);
    let want = 15.0 / (14.0 + loop_ohms());
    near(flow.bridges[0].0, want);
    near(flow.boosters[0].0, want);
    near(flow.districts[0].0, want);
    near(flow.blocks[0].0, want);
    near(flow.booster_volts[0].0, 15.0 - 0.05 * want);
    near(flow.district_volts[0].0, 15.0 - (0.05 + 2.0 * copper(14, 6.0)) * want);
}

#[test]
fn a_short_draws_the_limit_and_the_voltage_gives_way() {
    let Sketch { layout } = one_turnout(1);
    let short = bridge(stock(Side::Left), stock(Side::Right), MILLIOHM);
    let flow = solve(&layout, &Switches::all_on(&layout), &[short]);
    near(flow.boosters[0].0, 5.0);
    near(flow.bridges[0].0, 5.0);
    near(flow.booster_volts[0].0, 5.0 * (loop_ohms() - 0.05 + MILLIOHM));
}

#[test]
fn a_frog_stands_on_the_rail_that_its_contact_leads_to() {
    let Sketch { layout } = one_turnout(1);
    let mut switches = Switches::all_on(&layout);
    near(solve(&layout, &switches, &[]).frogs[0].0, 0.0);
    switches.machines[0] = Some(Position::Reverse);
    near(solve(&layout, &switches, &[]).frogs[0].0, 15.0);
    switches.machines[0] = None;
    near(solve(&layout, &switches, &[]).frogs[0].0, 7.5);
}

#[test]
fn two_poles_side_by_side_share_by_their_resistance() {
    let Sketch { layout } = one_turnout(2);
    let mut scales = Scales::unity(&layout);
    scales.contacts[1] = 1.2;
    let short = bridge(Terminal::Frog(FrogIx(0)), stock(Side::Left), MILLIOHM);
    let flow = Grid::new(&layout, &scales).solve(&Switches::all_on(&layout), &[short]);
    near(flow.bridges[0].0.abs(), 5.0);
    near(flow.poles[0].0, 5.0 * 1.2 / 2.2);
    near(flow.poles[1].0, 5.0 / 2.2);
}

#[test]
fn a_bridged_pole_is_a_short_through_both_its_contacts() {
    let Sketch { layout } = one_turnout(1);
    let mut switches = Switches::all_on(&layout);
    switches.poles[0] = PoleState::Bridged;
    let flow = solve(&layout, &switches, &[]);
    near(flow.boosters[0].0, 5.0);
    near(flow.poles[0].0, 5.0);
    switches.poles[0] = PoleState::Open;
    near(solve(&layout, &switches, &[]).boosters[0].0, 0.0);
    switches.poles[0] = PoleState::Stuck(Position::Reverse);
    near(solve(&layout, &switches, &[]).frogs[0].0, 15.0);
}

#[test]
fn a_dead_frog_carries_a_short_that_joins_it_on_both_sides() {
    let Sketch { layout } = one_turnout(1);
    let mut switches = Switches::all_on(&layout);
    switches.machines[0] = None;
    let frog = Terminal::Frog(FrogIx(0));
    let wheels = [bridge(frog, stock(Side::Left), 1.0), bridge(stock(Side::Right), frog, 2.0)];
    let flow = solve(&layout, &switches, &wheels);
    let want = 15.0 / (3.0 + loop_ohms());
    near(flow.bridges[0].0, -want);
    near(flow.bridges[1].0, -want);
    near(flow.frogs[0].0, want * (2.0 + copper(20, 0.4) / 3.0));
}

#[test]
fn a_district_that_is_off_feeds_nothing() {
    let Sketch { layout } = one_turnout(1);
    let short = [bridge(stock(Side::Left), stock(Side::Right), MILLIOHM)];
    for off in 0..2 {
        let mut switches = Switches::all_on(&layout);
        if off == 0 {
            switches.districts_on[0] = false;
        } else {
            switches.boosters_on[0] = false;
        }
        let flow = solve(&layout, &switches, &short);
        near(flow.bridges[0].0, 0.0);
        near(flow.district_volts[0].0, 0.0);
    }
}

/// Code 83: 6 m of rail at 0.108 ohm/m, 5 A: 3.24 V (reference values of rail, range 2.4 to 3.9 V).
#[test]
fn three_metres_of_code_83_lose_three_volts_at_five_amps() {
    let mut sketch = Sketch::new();
    let booster = sketch.booster(15_000, 5000, 50);
    let district = sketch.district(booster, breaker(BreakerKind::None, None, 0), wire(14, 0, 1));
    let block = sketch.block(district, wire(20, 0, 1));
    let ends = (sketch.joint(), sketch.joint());
    sketch.track(block, ends, 3000, Some(Conductor::A));
    let [left, right] =
        [Side::Left, Side::Right].map(|side| Terminal::Rail(TrackIx(0), Which::To, side));
    let flow =
        solve(&sketch.layout, &Switches::all_on(&sketch.layout), &[bridge(left, right, 1e-6)]);
    near(flow.boosters[0].0, 5.0);
    assert!((flow.district_volts[0].0 - 3.24).abs() < 1e-4);
    assert!(rail_ohms_per_metre(wiring::layout::RailCode(83)) > 0.08);
}

#[test]
fn a_gap_parts_one_rail_and_a_swapped_reverser_exchanges_both() {
    let mut sketch = Sketch::new();
    let booster = sketch.booster(15_000, 5000, 50);
    let district = sketch.district(booster, breaker(BreakerKind::None, None, 0), wire(14, 1000, 1));
    let block = sketch.block(district, wire(20, 100, 1));
    let reverser = sketch.reverser(block);
    let (start, middle, end) = (sketch.joint(), sketch.joint(), sketch.joint());
    let fed = sketch.track(block, (start, middle), 1000, Some(Conductor::A));
    // The second track is laid the other way round: its left is the right of the first.
    let unfed = sketch.track(block, (end, middle), 1000, None);
    sketch.gap(unfed, Which::To, &[Side::Right]);
    let layout = sketch.layout;
    let grid = Grid::new(&layout, &Scales::unity(&layout));
    let mut switches = Switches::all_on(&layout);
    let far = |side| Terminal::Rail(unfed, Which::From, side);
    let near_end = |side| Terminal::Rail(fed, Which::From, side);
    for (swapped, want) in [(false, 15.0), (true, -15.0)] {
        switches.reversers_swapped[reverser.at()] = swapped;
        let flow = grid.solve(&switches, &[]);
        let across = grid.between(&flow, near_end(Side::Left), near_end(Side::Right));
        near(across.expect("both rails are fed").0, want);
        assert!(grid.between(&flow, far(Side::Right), near_end(Side::Right)).is_none());
        let joined = grid.between(&flow, far(Side::Left), near_end(Side::Left));
        near(joined.expect("the left rail of the second meets the right of the first").0, -want);
        let b = Terminal::Bus(DistrictIx(0), Conductor::B);
        assert!(grid.between(&flow, b, Terminal::Block(block, Conductor::A)).is_some());
    }
}

#[test]
fn pairs_of_a_feeder_are_shared_out_among_the_places_it_joins() {
    let mut ohms = Vec::new();
    for pairs in [1, 2, 4] {
        let mut sketch = Sketch::new();
        let booster = sketch.booster(15_000, 5000, 50);
        let bus = wire(14, 0, 1);
        let district = sketch.district(booster, breaker(BreakerKind::None, None, 0), bus);
        let block = sketch.block(district, wire(20, 1000, pairs));
        let (work, _) = sketch.turnout(block, 1, None, None);
        for leg in [Port::Left, Port::Right] {
            let end = sketch.joint();
            let track = sketch.track(block, (port(work, leg), end), 1, Some(Conductor::A));
            sketch.gap(track, Which::From, &[Side::Left, Side::Right]);
        }
        let layout = sketch.layout;
        let rail = |side| Terminal::Rail(TrackIx(0), Which::From, side);
        let load = bridge(rail(Side::Left), rail(Side::Right), 10.0);
        let flow = solve(&layout, &Switches::all_on(&layout), &[load]);
        ohms.push((15.0 / flow.bridges[0].0 - 10.05) / (2.0 * copper(20, 1.0)));
    }
    for (got, want) in ohms.into_iter().zip([1.0, 1.0, 0.5]) {
        assert!((got - want).abs() < 1e-3, "{got} is not {want}");
    }
}

/// A lamp of 12 ohm at 15 V into a dead short passes nearly 15 / 12 A; under a small load it is much colder.
#[test]
fn a_lamp_is_hot_in_a_short_and_cold_under_a_small_load() {
    let mut sketch = one_turnout(1);
    sketch.layout.frogs[0].limiter =
        Some(Limiter { kind: LimiterKind::Lamp, ohms_hot: Microohms(12_000_000) });
    let layout = sketch.layout;
    let switches = Switches::all_on(&layout);
    let frog = Terminal::Frog(FrogIx(0));
    let short = solve(&layout, &switches, &[bridge(frog, stock(Side::Left), MILLIOHM)]);
    let amps = short.bridges[0].0.abs();
    assert!(amps > 1.2 && amps < 1.25, "{amps}");
    let load = solve(&layout, &switches, &[bridge(frog, stock(Side::Left), 150.0)]);
    let amps = load.bridges[0].0.abs();
    let lamp = 15.0 / amps - 150.0 - loop_ohms() - 0.03 - copper(22, 0.6);
    let want = 12.0 * (amps * lamp / 15.0).powf(1.0 - LAMP_EXPONENT);
    assert!((lamp - want.max(0.8)).abs() < 1e-6 * lamp, "{lamp} is not {want}");
}

/// Booster at its limit beside one that is not: each keeps its own law.
#[test]
fn two_boosters_joined_by_a_wheel_each_keep_to_their_limit() {
    let mut sketch = Sketch::new();
    for limit in [1000, 20_000] {
        let booster = sketch.booster(15_000, limit, 100);
        let none = breaker(BreakerKind::None, None, 0);
        let district = sketch.district(booster, none, wire(14, 2000, 1));
        let block = sketch.block(district, wire(20, 300, 1));
        sketch.turnout(block, 1, None, None);
    }
    let layout = sketch.layout;
    let block = |at, name| Terminal::Block(BlockIx(at), name);
    let bridges = [
        bridge(block(0, Conductor::A), block(1, Conductor::A), MILLIOHM),
        bridge(block(0, Conductor::B), block(1, Conductor::B), MILLIOHM),
        bridge(block(0, Conductor::A), block(0, Conductor::B), 2.0),
    ];
    let flow = solve(&layout, &Switches::all_on(&layout), &bridges);
    near(flow.boosters[0].0, 1.0);
    let other = flow.boosters[1].0;
    near(flow.bridges[2].0, 1.0 + other);
    near(15.0 - 0.1 * other, flow.booster_volts[1].0);
    assert!(flow.booster_volts[0].0 < 15.0 - 0.1);
}

/// Current into every node from bridges must come back out of boosters: the balance of what is known from outside.
fn booster_balance(case: &random::Case) -> f64 {
    let grid = Grid::new(&case.layout, &Scales::unity(&case.layout));
    let flow = grid.solve(&case.switches, &case.bridges);
    let heat: f64 = case
        .bridges
        .iter()
        .zip(&flow.bridges)
        .map(|(bridge, amps)| amps.0 * amps.0 * bridge.resistance.0)
        .sum();
    let across: f64 = case
        .bridges
        .iter()
        .zip(&flow.bridges)
        .filter_map(|(bridge, amps)| Some(grid.between(&flow, bridge.from, bridge.to)?.0 * amps.0))
        .sum();
    (heat - across).abs() / heat.max(1e-3)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, ..ProptestConfig::default() })]

    #[test]
    fn every_bridge_obeys_ohms_law_in_any_layout(seed in any::<u64>()) {
        let case = random::case(seed);
        let error = booster_balance(&case);
        prop_assert!(error < 1e-7, "{error}");
    }

    #[test]
    fn no_booster_ever_delivers_more_than_its_limit(seed in any::<u64>()) {
        let case = random::case(seed);
        let flow = solve(&case.layout, &case.switches, &case.bridges);
        let found = flow.boosters.iter().zip(&flow.booster_volts);
        for (booster, (amps, volts)) in case.layout.boosters.iter().zip(found) {
            // One whose terminals a stronger booster pulls above its own voltage takes current in.
            let delivers = volts.0 <= booster.volts.volts();
            prop_assert!(!delivers || amps.0 <= booster.limit.amps() * (1.0 + 1e-9));
        }
    }

    #[test]
    fn the_same_case_solves_to_the_same_bits(seed in any::<u64>()) {
        let case = random::case(seed);
        let [one, two] = [(), ()].map(|()| solve(&case.layout, &case.switches, &case.bridges));
        for (one, two) in one.bridges.iter().zip(&two.bridges) {
            prop_assert_eq!(one.0.to_bits(), two.0.to_bits());
        }
    }

    #[test]
    fn a_network_switched_and_solved_again_is_the_one_solved_afresh(seed in any::<u64>()) {
        let case = random::case(seed);
        let grid = Grid::new(&case.layout, &Scales::unity(&case.layout));
        let mut wired = grid.clone().into_wired(&case.switches);
        for round in 0..3 {
            let (switches, bridges) = random::again(&case, seed ^ round);
            wired.switch(&switches);
            let mut kept = Kept::default();
            for count in [bridges.len(), 0, bridges.len() / 2, bridges.len()] {
                let got = wired.solve_again(&bridges[..count], &mut kept);
                let want = grid.solve(&switches, &bridges[..count]);
                let pairs = got.bridges.iter().chain(&got.poles).chain(&got.blocks);
                for (got, want) in pairs.zip(want.bridges.iter().chain(&want.poles).chain(&want.blocks)) {
                    prop_assert!((got.0 - want.0).abs() < 1e-6 * want.0.abs().max(1.0), "{got:?} {want:?}");
                }
                for (got, want) in got.frogs.iter().zip(&want.frogs) {
                    prop_assert!((got.0 - want.0).abs() < 1e-5, "{got:?} {want:?}");
                }
            }
        }
    }
}

/// A coin on the summit is fed by its own booster at its limit; a train that stands on the gap between valley and branch
/// brings the other booster in, by way of the branch's feeder and the upper bus: through the summit's own feeder then
/// flows more than its booster can give.
#[test]
fn a_train_on_the_gap_lets_another_booster_feed_a_short_beyond_the_limit_of_its_own() {
    let read = wiring::read(include_str!("../../../config/tamarrow-valley.toml"));
    let layout = read.layout.expect("the demo's layout is whole");
    let at = |id: &str| {
        let nth = layout.blocks.iter().position(|it| it.id.as_str() == id);
        BlockIx::new(nth.expect("a block of the demo"))
    };
    let rail = |id, conductor| Terminal::Block(at(id), conductor);
    let coin = bridge(rail("s2", Conductor::A), rail("s2", Conductor::B), 0.03);
    let wheels = [Conductor::A, Conductor::B].map(|it| bridge(rail("v4", it), rail("q1", it), 0.1));
    let summit = layout.districts.iter().position(|it| it.id.as_str() == "summit");
    let summit = summit.expect("a district of the demo");
    let through = |bridges: &[Bridge]| {
        solve(&layout, &Switches::all_on(&layout), bridges).districts[summit].0
    };
    let alone = through(&[coin]);
    let joined = through(&[coin, wheels[0], wheels[1]]);
    assert!((alone - 5.0).abs() < 0.05, "{alone} A");
    assert!(1.3 * alone < joined && joined < 10.01, "{joined} A of both limits");
}
