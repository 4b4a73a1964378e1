//! Scenarios one by one: the layout does what the fault list says, and nothing supervises.

use super::*;

/// The fault in place, with the world in which it is. `district` breakers may be left as they are.
fn play(text: &str, seed: u64, id: &'static str) -> (World, FaultReport) {
    let mut world = world(&layout(text), Plan::one(seed, id, at(1_000)));
    let report =
        run_until(&mut world, 120, |event| started(event).filter(|report| report.scenario == id));
    (world, report.unwrap_or_else(|| panic!("{id} finds its place")))
}

fn watch(world: &mut World, seconds: u64) -> Vec<TruthEvent> {
    let end = world.now() + Micros::from_millis(1_000 * seconds);
    let mut seen = Vec::new();
    while world.now() < end {
        world.advance(world.now() + Micros::from_millis(100));
        readings(world);
        seen.extend(truths(world));
    }
    seen
}

/// When the first event that suits happened.
fn first(events: &[TruthEvent], suits: impl Fn(&Truth) -> bool) -> Option<Mono> {
    events.iter().find(|event| suits(&event.what)).map(|event| event.at)
}

fn count(events: &[TruthEvent], suits: impl Fn(&Truth) -> bool) -> usize {
    events.iter().filter(|event| suits(&event.what)).count()
}

fn began(what: &Truth) -> bool {
    matches!(what, Truth::ShortBegan { .. })
}

fn opened(what: &Truth) -> bool {
    matches!(what, Truth::BreakerOpened(_) | Truth::BoosterTripped(_))
}

#[test]
fn f04_an_engine_that_stays_is_hit_again_each_time_the_breaker_recloses() {
    let (mut world, report) = play(VALLEY, 3, "F04");
    let district = report.districts[0];
    let seen = watch(&mut world, 10);
    assert!(3 <= count(&seen, |it| *it == Truth::BreakerOpened(district)), "{seen:?}");
    assert!(3 <= count(&seen, began), "each reclosing is a short of its own");
    assert!(3 <= count(&seen, |it| matches!(it, Truth::ContactHit { .. })));
}

#[test]
fn f05_the_contact_opens_under_the_fault_current_and_the_throw_cures_the_short() {
    let (mut world, _) = play(VALLEY, 2, "F05");
    let seen = watch(&mut world, 6);
    let arced = first(&seen, |it| matches!(it, Truth::ContactArced { .. })).expect("an arc");
    let over = first(&seen, |it| *it == Truth::ShortEnded).expect("it is cured");
    let cleared = first(&seen, |it| matches!(it, Truth::FaultEnded { after_cut: false, .. }));
    assert!(arced <= over && cleared.is_some(), "{arced:?} {over:?} {cleared:?}");
    assert_eq!(first(&seen, opened), None, "the current stays below every trip");
}

#[test]
fn f08_both_districts_carry_the_current_of_a_run_through_at_their_boundary() {
    for cut in 0..2 {
        let (mut world, report) = play(&generate(2, 24), 4, "F08");
        let [one, other] = report.districts[..] else { panic!("{:?}", report.districts) };
        let booster = |it: DistrictIx| world.layout.districts[it.at()].booster;
        assert_eq!(booster(one), booster(other));
        assert!(world.short && 3.0 < report.amps, "{report:?}");
        // It goes out through one and comes back through the other: without either of them there is none.
        world.districts[[one, other][cut].at()].unplugged = true;
        world.advance(world.now() + Micros::from_millis(20));
        assert!(!world.short, "still shorted without district {cut}");
    }
}

#[test]
fn a_gap_closed_on_the_leg_that_is_set_does_nothing_until_the_turnout_is_thrown() {
    for (id, seed) in [("F14", 1), ("F14", 2), ("F15", 1), ("F15", 3), ("F65", 1), ("F65", 2)] {
        let (mut world, report) = play(VALLEY, seed, id);
        let seen = watch(&mut world, 12);
        let thrown = first(&seen, |it| matches!(it, Truth::ThrowBegan(..))).expect("a throw");
        let short = first(&seen, began).unwrap_or_else(|| panic!("{id} {seed}: no short"));
        assert!(thrown < short, "{id} {seed}: {thrown:?} {short:?}");
        let through = seen.iter().find_map(|event| match &event.what {
            Truth::ShortBegan { poles, .. } => poles.first().copied(),
            _ => None,
        });
        let (pole, _) = through.expect("it flows through the contact of the frog");
        let machine = world.layout.poles[pole.at()].machine;
        let machine = &world.layout.machines[machine.at()].id;
        assert!(
            report.place.starts_with(&format!("turnout {machine},")),
            "{} {machine}",
            report.place
        );
    }
}

#[test]
fn f16_a_wrong_feeder_shorts_as_soon_as_power_returns_and_through_no_turnout() {
    let (mut world, report) = play(VALLEY, 5, "F16");
    let since = world.now();
    let seen = watch(&mut world, 3);
    let (when, poles) = seen
        .iter()
        .find_map(|event| match &event.what {
            Truth::ShortBegan { poles, .. } => Some((event.at, poles.clone())),
            _ => None,
        })
        .expect("a short");
    let after = when.since(since).seconds();
    assert!(1.9 < after && after < 2.1, "{after} s, when power returns");
    assert!(poles.is_empty() && report.subject == "wiring", "{poles:?} {}", report.subject);
}

#[test]
fn f17_a_boundary_out_of_phase_shorts_both_districts_when_a_wheel_crosses() {
    let (mut world, _) = play(VALLEY, 2, "F17");
    let seen = watch(&mut world, 5);
    let carried = seen.iter().find_map(|event| match &event.what {
        Truth::ShortBegan { districts, .. } => Some(districts.len()),
        _ => None,
    });
    assert_eq!(carried, Some(2));
}

#[test]
fn f26_every_throw_of_that_machine_shorts_for_a_moment() {
    let (mut world, _) = play(VALLEY, 4, "F26");
    let seen = watch(&mut world, 25);
    let (mut from, mut spikes) = (None, Vec::new());
    for event in &seen {
        match event.what {
            Truth::ShortBegan { .. } => from = Some(event.at),
            Truth::ShortEnded => spikes.extend(from.take().map(|at| event.at.since(at).seconds())),
            _ => {}
        }
    }
    assert!(2 <= spikes.len(), "{seen:?}");
    assert!(spikes.iter().all(|lasts| (0.01..0.4).contains(lasts)), "{spikes:?}");
}

#[test]
fn f34_one_end_of_a_crossover_stands_otherwise_than_the_other() {
    for seed in 1..5 {
        let (mut world, report) = play(VALLEY, seed, "F34");
        watch(&mut world, 6);
        let id = report.subject.strip_prefix("machine/").expect("a machine");
        let machine = world.layout.machines.iter().position(|it| it.id == id).expect("it is there");
        let machine = &world.machines[machine];
        assert!(!machine.rests_at(machine.asked), "seed {seed}: it follows");
    }
}

#[test]
fn f47_to_f49_reversers_flip_too_late_or_in_vain_until_the_breaker_opens() {
    for (id, least, most) in [("F47", 0, 0), ("F48", 2, 40), ("F49", 1, 40)] {
        let (mut world, _) = play(VALLEY, 6, id);
        let seen = watch(&mut world, 12);
        let open = first(&seen, opened).unwrap_or_else(|| panic!("{id}: nothing opens"));
        let flips = seen.iter().filter(|event| {
            matches!(event.what, Truth::ReverserFlipped(..))
                && event.at.since(open).seconds() == 0.0
        });
        let flips = flips.count();
        assert!((least..=most).contains(&flips), "{id}: {flips} flips");
    }
}

#[test]
fn f49_needs_no_reverser_in_the_file() {
    let (mut world, report) = play(&generate(1, 24), 1, "F49");
    assert_eq!((world.layout.reversers.len(), world.reversers.len()), (0, 2));
    assert!(first(&watch(&mut world, 3), opened).is_some());
    assert_eq!(report.subject, "wiring");
}

#[test]
fn f51_a_hit_opens_the_frogs_fuse_and_it_cools() {
    let (mut world, report) = play(VALLEY, 3, "F51");
    let pole = |world: &World| {
        let at = world.layout.frogs.iter().enumerate().find(|(at, _)| {
            let frog = wiring::index::FrogIx::new(*at);
            world.subject(wiring::channel::Object::Frog(frog)) == report.subject
        });
        world.contacts[at.expect("the frog").1.poles[0].pole.at()].film
    };
    let seen = watch(&mut world, 1);
    assert!(1 <= count(&seen, began), "a hit first");
    let open = pole(&world);
    let mut cooled = open;
    for _ in 0..60 {
        watch(&mut world, 1);
        cooled = if 1.0 < pole(&world) { pole(&world) } else { cooled };
    }
    assert!(100.0 < open && cooled < 0.1 * open, "{open} {cooled}");
    assert_eq!(pole(&world), 1.0, "changed in the end");
}

#[test]
fn f76_an_inrush_in_another_district_follows_within_a_second() {
    let (mut world, report) = play(VALLEY, 2, "F76");
    let seen = watch(&mut world, 1);
    let beside = world.faults.active.iter().find(|fault| fault.scenario.id == "F40");
    let other = beside.expect("it is in place").districts[0];
    assert!(!report.districts.contains(&other), "{seen:?}");
    let peak = (0..600).map(|_| {
        let to = world.now() + Micros::from_millis(1);
        world.advance(to);
        world.flow().districts[other.at()].0
    });
    let peak = peak.fold(0.0, f64::max);
    assert!(2.0 < peak || seen.iter().any(|event| opened(&event.what)), "{peak}");
}

/// Of two faults in place the short is that of its own district, though the other came last.
#[test]
fn f76_the_short_is_told_as_the_run_throughs() {
    let (_, report) = play(VALLEY, 2, "F76");
    let mut world = world(&layout(VALLEY), Plan::one(2, "F76", at(1_000)));
    let began = run_until(&mut world, 120, |event| match &event.what {
        Truth::ShortBegan { fault, districts, .. } => Some((*fault, districts.clone())),
        _ => None,
    });
    let (fault, districts) = began.expect("it flows");
    assert!(districts.iter().any(|it| report.districts.contains(it)), "{districts:?}");
    assert_eq!(fault, Some(report.number));
}

#[test]
fn f60_a_derailment_on_plain_track_flows_through_no_frog() {
    let (mut world, report) = play(VALLEY, 7, "F60");
    world.advance(world.now() + Micros::from_millis(5));
    let flow = world.flow();
    assert!(3.0 < flow.districts[report.districts[0].at()].0);
    assert!(flow.poles.iter().all(|amps| amps.0 < 1.0), "{:?}", flow.poles);
}
