//! The world as a whole, watched from outside and from within.

mod laws;
mod pace;
mod scenarios;

use std::{collections::BTreeMap, sync::Arc};

use proptest::prelude::*;
use wiring::{
    channel::{ChannelTable, Object, Quantity},
    finding::Severity,
    index::{ChannelIx, DistrictIx, MachineIx},
    layout::{BreakerKind, Layout},
    units::{Micros, Mono},
};

use crate::{
    FaultPlan, FaultReport, Line, Perturbation, Plan, Planned, SCENARIOS, SimReading, SimValue,
    Truth, TruthEvent, World,
    driver::turned,
    generate,
    rails::{Beyond, Step},
    session::simulate,
};

const VALLEY: &str = include_str!("../../../config/tamarrow-valley.toml");

fn layout(text: &str) -> Arc<Layout> {
    let read = wiring::read::read(text);
    assert!(read.errors.is_empty(), "{:?}", read.errors);
    Arc::new(read.layout.expect("a layout without errors is a layout"))
}

fn world(layout: &Arc<Layout>, plan: Plan) -> World {
    World::new(Arc::clone(layout), Arc::new(ChannelTable::new(layout)), plan)
}

fn at(millis: u64) -> Mono {
    Mono::START + Micros::from_millis(millis)
}

fn truths(world: &mut World) -> Vec<TruthEvent> {
    std::iter::from_fn(|| world.poll_truth()).collect()
}

fn readings(world: &mut World) -> Vec<SimReading> {
    std::iter::from_fn(|| world.poll_reading()).collect()
}

/// Runs until something that `wanted` takes happened, for at most so many seconds; what it made of it.
fn run_until<T>(
    world: &mut World,
    seconds: u64,
    mut wanted: impl FnMut(&TruthEvent) -> Option<T>,
) -> Option<T> {
    let end = world.now() + Micros::from_millis(1000 * seconds);
    while world.now() < end {
        world.advance(world.now() + Micros::from_millis(10));
        readings(world);
        if let Some(found) = truths(world).iter().find_map(&mut wanted) {
            return Some(found);
        }
    }
    None
}

fn started(event: &TruthEvent) -> Option<FaultReport> {
    if let Truth::FaultStarted(report) = &event.what { Some(report.clone()) } else { None }
}

fn power(world: &World, district: DistrictIx) -> ChannelIx {
    let name = format!("district/{}/power", world.layout.districts[district.at()].id);
    world.channels.find(&name).expect("every district has a power channel")
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_does_not() {
    let valley = layout(VALLEY);
    let lines = |seed| -> Vec<Line> {
        let plan = Plan::show(seed, Micros::from_millis(60_000));
        let channels = Arc::new(ChannelTable::new(&valley));
        simulate(Arc::clone(&valley), channels, plan, Micros::from_millis(22_000)).collect()
    };
    let first = lines(5);
    assert!(20_000 < first.len());
    assert!(first == lines(5), "two runs of one seed differ");
    assert!(first != lines(6), "two seeds give the same session");
}

#[test]
fn how_calls_divide_the_time_changes_nothing() {
    let valley = layout(VALLEY);
    let plan = || Plan::one(3, "F01", at(1_000));
    let (mut one, mut other) = (world(&valley, plan()), world(&valley, plan()));
    one.advance(at(16_000));
    for step in 1..=1_600 * 3 {
        other.advance(Mono(step * 10_000 / 3));
    }
    assert_eq!(readings(&mut one), readings(&mut other));
    assert_eq!(truths(&mut one), truths(&mut other));
}

#[test]
fn readings_come_in_order_and_nodes_announce_what_they_send() {
    let valley = layout(VALLEY);
    let mut world = world(&valley, Plan::clean(2));
    world.advance(at(12_000));
    let announced: Vec<Vec<ChannelIx>> = world
        .nodes()
        .iter()
        .map(|node| node.channels.iter().filter(|it| !it.output).map(|it| it.channel).collect())
        .collect();
    let mut last = Mono::START;
    for reading in readings(&mut world) {
        assert!(last <= reading.at);
        last = reading.at;
        assert!(announced[reading.node].contains(&reading.channel));
    }
    for node in world.nodes() {
        let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        assert!(node.id.len() <= 32 && node.id.chars().all(plain), "{}", node.id);
    }
}

#[test]
fn a_booster_gives_what_its_districts_take() {
    // Kirchhoff's current law at the booster's terminal. While a train joins districts of two boosters current may
    // circulate, and then the magnitudes do not add.
    let valley = layout(VALLEY);
    let plan = Plan { perturbation: Perturbation::none(), ..Plan::clean(4) };
    let mut world = world(&valley, plan);
    let (mut agreed, mut moments) = (0, 0);
    for step in 1..3_000 {
        world.advance(at(10 * step));
        let flow = world.flow();
        for (booster, given) in flow.boosters.iter().enumerate() {
            let districts = valley.districts.iter().zip(&flow.districts);
            let own = districts.filter(|(district, _)| district.booster.at() == booster);
            let taken: f64 = own.map(|(_, amps)| amps.0).sum();
            moments += 1;
            agreed += usize::from((taken - given.0).abs() < 1e-6);
        }
    }
    assert!(0.97 * f64::from(moments) < agreed as f64, "{agreed} of {moments}");
}

#[test]
fn trains_move_and_never_jump() {
    for (text, seed) in [(VALLEY.to_owned(), 1), (generate(3, 10), 2)] {
        let layout = layout(&text);
        let mut world = world(&layout, Plan::clean(seed));
        let mut before: Vec<(Step, Step, f64)> = Vec::new();
        let mut travelled = 0.0;
        for step in 1..600 {
            world.advance(at(100 * step));
            let place = |it: &crate::train::Train| {
                (it.path[0], it.path[it.path.len() - 1].reversed(), it.head)
            };
            let heads: Vec<_> = world.trains.iter().map(place).collect();
            for ((old, tail, old_head), (new, _, new_head)) in before.iter().zip(&heads) {
                let turned = tail == new;
                if old == new {
                    // At most 0.4 m/s, and a tenth of a second between two looks.
                    assert!((new_head - old_head).abs() < 0.09 || turned, "jumped on a piece");
                    travelled += (new_head - old_head).abs();
                } else {
                    assert!(turned || follows(&layout, *old, *new), "{old:?} to {new:?}");
                }
            }
            before = heads;
        }
        assert!(5.0 < travelled, "trains hardly moved: {travelled} m");
    }
}

fn follows(layout: &Layout, old: Step, new: Step) -> bool {
    match (old.beyond(layout), new) {
        (Beyond::Step(next), new) => next == new,
        (Beyond::Work(work, port), Step::Work(entered, from, _)) => work == entered && port == from,
        (Beyond::Work(..) | Beyond::Nothing, _) => false,
    }
}

#[test]
fn clean_traffic_has_no_short_but_at_a_reverser_and_trips_nothing() {
    for seed in 0..4 {
        let layout = layout(&generate(seed, 12));
        let mut world = world(&layout, Plan::clean(seed));
        world.advance(at(90_000));
        for event in truths(&mut world) {
            let quiet = matches!(
                event.what,
                Truth::TrainMoved { .. } | Truth::ThrowBegan(..) | Truth::ThrowEnded(..)
            );
            assert!(quiet, "seed {seed}: {event:?}");
        }
    }
}

#[test]
fn an_order_is_obeyed_after_the_actuators_delay_and_by_nothing_else() {
    let valley = layout(VALLEY);
    let mut world = world(&valley, Plan::clean(1));
    world.advance(at(2_000));
    truths(&mut world);
    let harbour = DistrictIx(0);
    let channel = power(&world, harbour);
    world.order(channel, "nonsense", at(2_500));
    world.order(channel, "cut", at(3_000));
    world.advance(at(3_000));
    assert!(0.0 < world.flow().districts[0].0, "cut before it was told");
    world.advance(at(3_100));
    let cut = truths(&mut world).into_iter().find(|it| it.what == Truth::DistrictCut(harbour));
    let delay = cut.expect("the district is cut").at.since(at(3_000));
    assert!(Micros(0) < delay && delay <= valley.districts[0].opens_in + Micros(1_000), "{delay}");
    assert_eq!(world.flow().districts[0].0, 0.0);
    world.order(channel, "on", at(4_000));
    world.advance(at(4_200));
    let back = truths(&mut world).into_iter().any(|it| it.what == Truth::DistrictRestored(harbour));
    assert!(back && 0.0 < world.flow().districts[0].0);
}

#[test]
fn nobody_runs_into_a_turnout_that_somebody_throws_by_order() {
    let layout = layout(VALLEY);
    let channels = ChannelTable::new(&layout);
    let mut plan = Plan::show(7, Micros::from_millis(1));
    plan.faults = FaultPlan::None;
    let mut world = world(&layout, plan);
    let mut thrown = 0;
    for round in 0..150_usize {
        world.advance(at(2_000 * (round as u64 + 1)));
        let machine = MachineIx::new(round % layout.machines.len());
        let sets = |step: &Step| match *step {
            Step::Work(work, ..) => layout.trackwork[work.at()].kind.machines().contains(&machine),
            Step::Track(..) | Step::Stub { .. } => false,
        };
        // As the supervisor does, nothing is thrown under a train.
        if !world.trains.iter().any(|train| train.path.iter().any(sets)) {
            let channel = channels.index(Object::Machine(machine), Quantity::Throw);
            let to = turned(world.machines[machine.at()].target());
            world.order(channel.expect("it can be thrown"), to.word(), world.now());
            thrown += 1;
        }
        readings(&mut world);
        let short =
            truths(&mut world).into_iter().find(|it| matches!(it.what, Truth::ShortBegan { .. }));
        assert!(short.is_none(), "round {round}: {short:?}");
    }
    assert!(100 < thrown, "{thrown}");
}

#[test]
fn a_throw_that_is_ordered_takes_the_machines_time() {
    let valley = layout(VALLEY);
    let mut world = world(&valley, Plan { trains: Some(0), ..Plan::clean(1) });
    let channel = world.channels.find("machine/T7/throw").expect("T7 can be thrown");
    world.order(channel, "reverse", at(1_000));
    let ended = run_until(&mut world, 6, |event| match event.what {
        Truth::ThrowEnded(_, to) => Some((event.at, to.word())),
        _ => None,
    });
    let (when, to) = ended.expect("the throw ended");
    let taken = when.since(at(1_000)).seconds();
    assert!(to == "reverse" && 1.8 < taken && taken < 3.4, "{to} after {taken} s");
}

/// A run-through as it happens on the valley, with its world.
fn run_through(seed: u64, edit: impl Fn(&mut Layout)) -> (World, FaultReport) {
    let mut valley = (*layout(VALLEY)).clone();
    edit(&mut valley);
    let mut world = world(&Arc::new(valley), Plan::one(seed, "F01", at(1_000)));
    let report = run_until(&mut world, 40, started).expect("a run-through happens");
    (world, report)
}

#[test]
fn a_run_through_drives_the_boosters_limit_through_the_frogs_contacts() {
    for seed in 1..5 {
        let (_, report) = run_through(seed, |_| {});
        let through: f64 = report.poles.iter().map(|(_, amps)| amps).sum();
        // Both boosters limit at 5 A; a loop of 15 V and some tenths of an ohm would give far more.
        assert!(4.0 < through && through < 5.2, "seed {seed}: {report:?}");
        assert!(report.subject.starts_with("frog/"), "{}", report.subject);
    }
}

#[test]
fn a_cut_stops_it_the_crew_clears_it_and_the_restore_holds() {
    let (mut world, report) = run_through(3, |_| {});
    let district = report.districts[0];
    let channel = power(&world, district);
    let now = world.now();
    world.order(channel, "cut", now);
    world.advance(now + Micros::from_millis(60));
    assert_eq!(world.flow().districts[district.at()].0, 0.0);
    truths(&mut world);
    let cleared = run_until(&mut world, 12, |event| match event.what {
        Truth::FaultEnded { after_cut, .. } => Some((event.at, after_cut)),
        _ => None,
    });
    let (when, after_cut) = cleared.expect("the crew clears it");
    let waited = when.since(now).seconds();
    assert!(after_cut && 7.9 < waited && waited < 8.3, "{waited} s");
    world.order(channel, "on", world.now());
    let trouble = run_until(&mut world, 10, |event| match event.what {
        Truth::ShortBegan { .. } | Truth::BreakerOpened(_) => Some(event.clone()),
        _ => None,
    });
    assert_eq!(trouble, None);
    assert!(0.0 < world.flow().districts[district.at()].0);
}

#[test]
fn without_a_breaker_a_contact_gives_way_when_its_budget_is_spent() {
    // One pole of 1 A and 2 s at 5 A spends a full image in 82 ms; a specimen stands 0.5 to 2.5 times that.
    let (mut world, report) = run_through(2, |valley| {
        for district in &mut valley.districts {
            district.breaker.kind = BreakerKind::None;
            district.breaker.trip = None;
        }
        for booster in &mut valley.boosters {
            booster.trip_delay = Micros::from_millis(5_000);
        }
        for frog in &mut valley.frogs {
            frog.poles.truncate(1);
        }
    });
    let began = world.now();
    let damage = run_until(&mut world, 5, |event| match event.what {
        Truth::ContactBurnt(pole) | Truth::ContactWelded(pole, _) => Some((event.at, pole)),
        _ => None,
    });
    let (when, pole) = damage.expect("the contact gives way");
    assert_eq!(pole, report.poles[0].0);
    let lasted = when.since(began).seconds();
    assert!(0.03 < lasted && lasted < 0.4, "{lasted} s");
}

#[test]
fn a_failed_actuator_says_so_or_lies_but_does_not_open() {
    let valley = layout(VALLEY);
    let mut world = world(&valley, Plan::one(1, "F42", at(1_000)));
    let report = run_until(&mut world, 5, started).expect("the object lies there");
    let district = report.districts[0];
    let channel = power(&world, district);
    world.order(channel, "cut", world.now());
    world.advance(world.now() + Micros::from_millis(80));
    assert!(2.0 < world.flow().districts[district.at()].0);
}

#[test]
fn inrush_is_high_and_over_within_half_a_second() {
    let valley = layout(VALLEY);
    let mut world = world(&valley, Plan::one(2, "F40", at(1_000)));
    let report = run_until(&mut world, 30, started).expect("a place for six engines");
    let district = report.districts[0].at();
    let start = world.now() + Micros::from_millis(1_900);
    world.advance(start);
    let mut curve = Vec::new();
    for millis in 0..900 {
        world.advance(start + Micros::from_millis(millis));
        curve.push(world.flow().districts[district].0);
    }
    let peak = curve.iter().copied().fold(0.0, f64::max);
    let steady = curve[curve.len() - 1];
    let above = curve.iter().filter(|amps| steady + 0.3 * (peak - steady) < **amps).count();
    assert!(2.5 < peak && steady < 1.6 && 3 < above && above < 500, "{peak} {steady} {above} ms");
}

#[test]
fn a_stuck_sensor_says_the_same_to_the_last_digit_and_a_silent_node_nothing() {
    let valley = layout(VALLEY);
    let mut stuck = world(&valley, Plan::one(1, "F70", at(1_000)));
    stuck.advance(at(6_000));
    let report = truths(&mut stuck).iter().find_map(started).expect("a sensor is stuck");
    let channel = stuck.channels.find(&format!("{}/current", report.subject)).expect("its channel");
    let late =
        readings(&mut stuck).into_iter().filter(|it| it.channel == channel && at(1_100) < it.at);
    let values: Vec<SimValue> = late.map(|it| it.value).collect();
    assert!(100 < values.len() && values.windows(2).all(|pair| pair[0] == pair[1]));

    let mut silent = world(&valley, Plan::one(1, "F73", at(1_000)));
    silent.advance(at(6_000));
    let mut last = BTreeMap::new();
    for reading in readings(&mut silent) {
        last.insert(reading.node, reading.at);
    }
    let quiet = last.values().filter(|it| **it < at(1_100)).count();
    assert_eq!((quiet, last.len()), (1, silent.nodes().len()));
}

#[test]
fn every_scenario_finds_its_place() {
    let (valley, branch) = (layout(VALLEY), layout(&generate(2, 24)));
    for scenario in SCENARIOS {
        // Only the branch has a turnout whose leg begins another district of the same booster.
        let place = if scenario.id == "F08" { &branch } else { &valley };
        let mut world = world(place, Plan::one(11, scenario.id, at(500)));
        let first = run_until(&mut world, 90, |event| match &event.what {
            Truth::FaultStarted(report) if report.scenario != scenario.id => None,
            Truth::FaultStarted(report) => Some(Some(report.clone())),
            Truth::FaultSkipped { .. } => Some(None),
            _ => None,
        });
        let first = first.unwrap_or_else(|| panic!("{}: nothing happens", scenario.id));
        let report = first.unwrap_or_else(|| panic!("{}: found no place", scenario.id));
        assert!(!report.subject.is_empty() && !report.place.is_empty(), "{}", scenario.id);
    }
}

#[test]
fn the_fault_list_has_64_rows_and_look_alikes_that_exist() {
    assert_eq!(SCENARIOS.len(), 64);
    for (place, scenario) in SCENARIOS.iter().enumerate() {
        assert!(SCENARIOS[..place].iter().all(|it| it.id != scenario.id), "{} twice", scenario.id);
        for other in scenario.look_alikes {
            assert!(crate::scenario::find(other).is_some(), "{} names {other}", scenario.id);
        }
    }
}

#[test]
fn generated_layouts_are_clean() {
    for (seed, turnouts) in [(1, 1), (2, 5), (3, 14), (4, 40), (5, 40), (6, 120)] {
        let layout = layout(&generate(seed, turnouts));
        let report = wiring::check::check(&layout);
        let bad: Vec<_> = report
            .findings
            .iter()
            .filter(|finding| finding.code.severity() != Severity::Advice)
            .collect();
        assert!(bad.is_empty(), "seed {seed}, {turnouts}: {bad:?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 8, ..ProptestConfig::default() })]

    #[test]
    fn no_seed_no_layout_and_no_fault_makes_it_panic(
        seed in any::<u64>(),
        turnouts in 1usize..16,
        first in 0..SCENARIOS.len(),
        second in 0..SCENARIOS.len(),
        cut_at in 1_000u64..9_000,
    ) {
        let layout = layout(&generate(seed, turnouts));
        let list = [first, second].map(|it| Planned { at: at(500), scenario: SCENARIOS[it].id });
        let plan = Plan { faults: FaultPlan::List(list.to_vec()), ..Plan::clean(seed) };
        let mut world = world(&layout, plan);
        let channel = power(&world, DistrictIx(0));
        world.order(channel, "cut", at(cut_at));
        world.order(channel, "on", at(cut_at + 2_000));
        world.advance(at(12_000));
        for reading in readings(&mut world) {
            if let SimValue::Number(number) = reading.value {
                prop_assert!(number.is_finite() && 0.0 <= number);
            }
        }
    }
}
