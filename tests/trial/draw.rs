//! Which faults are tried where, and the trying, on as many threads as there are.

use std::{
    collections::BTreeMap,
    sync::{
        Mutex,
        atomic::{AtomicUsize, Ordering},
    },
    time::Instant,
};

use simulator::{
    Crew, FaultPlan, Plan, Planned, SCENARIOS, Scenario, SensorPlan, Truth,
    random::{Random, splitmix},
    session::truth_line,
};
use supervision::output::Action;
use wiring::units::{Micros, Mono};

use super::{
    bed::Bed,
    closed_loop::{ClosedLoop, Guarded, Log},
    judge::{self, Outcome},
    tape::Tape,
};

/// Steps of a trial: no longer than the way of an order. Clean traffic ends with the first one; readings have the
/// instants at which they come in any case.
const STEP: Micros = Micros::from_millis(5);
const CLEAN_STEP: Micros = Micros::from_millis(100);
/// A fault has so long to find its place and its train.
const PLACED_WITHIN: Micros = Micros::from_millis(30_000);
/// A fault that nobody cuts is removed by the crew after this.
const PATIENCE: Micros = Micros::from_millis(30_000);
/// From the cut to the removal of the cause: just longer than the window of a record.
const CLEARS: Micros = Micros::from_millis(4_000);
/// After this a session is watched until the windows of its records are closed.
const WINDOW: Micros = Micros::from_millis(3_500);
/// What really happened within this before a cut of clean traffic is told with it.
const BEFORE_CUT: Micros = Micros::from_millis(2_500);
/// Layouts on which a place for a fault is looked for.
const PLACES: usize = 6;
/// A layout with what the drawn ones lack is asked at this try.
const SPECIAL: usize = 1;

/// One fault to be tried.
#[derive(Clone, Copy, Debug)]
pub struct Trial {
    pub scenario: &'static Scenario,
    pub seed: u64,
}

/// The faults of a run: every scenario equally often, in an order of chance.
pub fn draw(seed: u64, faults: usize, only: &[String]) -> Vec<Trial> {
    let possible: Vec<&Scenario> = SCENARIOS
        .iter()
        .filter(|it| only.is_empty() || only.iter().any(|id| id == it.id))
        .collect();
    let mut state = seed;
    (0..faults)
        .map(|nth| Trial { scenario: possible[nth % possible.len()], seed: splitmix(&mut state) })
        .collect()
}

/// The layouts of a run: drawn at random, 8 to 60 turnouts.
pub fn beds(seed: u64, layouts: usize) -> Vec<Bed> {
    let mut random = Random::new(seed, 0xbed5);
    (0..layouts)
        .map(|_| {
            let turnouts = turnouts(&mut random);
            Bed::generated(random.bits() % 1_000_000, turnouts)
        })
        .collect()
}

/// The size of a drawn layout: 8 to 60 turnouts.
pub fn turnouts(random: &mut Random) -> usize {
    8 + random.below(53)
}

/// With the supervisor, and the same without; none: the fault found no place on any layout that was asked.
pub struct Pair {
    pub with: Outcome,
    pub alone: Option<Outcome>,
}

/// Runs `work` for every one of `places`, on so many threads, and hands each result to `done` as it comes. What has not begun
/// by `deadline` is left out.
pub fn each<T: Send>(
    places: &[usize],
    threads: usize,
    deadline: Option<Instant>,
    work: impl Fn(usize) -> T + Sync,
    done: impl FnMut(usize, T) + Send,
) {
    let next = AtomicUsize::new(0);
    let done = Mutex::new(done);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                loop {
                    let Some(&at) = places.get(next.fetch_add(1, Ordering::Relaxed)) else {
                        return;
                    };
                    if deadline.is_some_and(|it| it <= Instant::now()) {
                        return;
                    }
                    let result = work(at);
                    (done.lock().expect("no holder panics"))(at, result);
                }
            });
        }
    });
}

/// Tries one fault, on the first layout that has a place for it.
pub fn try_fault(beds: &[Bed], trial: Trial, alone_too: bool) -> Option<Pair> {
    placed(beds, trial, |at, seed| {
        let with = session(beds, at, trial.scenario, seed, Guarded::Yes)?;
        let alone = alone_too
            .then(|| session(beds, at, trial.scenario, seed, Guarded::ByBreakersAlone))
            .flatten();
        Some(Pair { with, alone })
    })
}

/// Tries one fault and keeps what the sensors said, where a record came of it.
pub fn tape(beds: &[Bed], trial: Trial) -> Option<(Pair, Option<Tape>)> {
    placed(beds, trial, |at, seed| {
        let mut log = played(&beds[at], trial.scenario.id, seed, Guarded::Yes, true);
        let with = judge::judge(&beds[at], (at, seed), trial.scenario, &log)?;
        let named = with.named.is_some();
        let readings = log.tape.take().filter(|_| named);
        let tape = readings.map(|readings| Tape {
            scenario: trial.scenario,
            bed: at,
            seed,
            span: with.span,
            report: with.report.clone(),
            step: STEP,
            readings,
        });
        Some((Pair { with, alone: None }, tape))
    })
}

/// The first layout that has a place for a fault, with a seed for it.
fn placed<T>(
    beds: &[Bed],
    trial: Trial,
    mut attempt: impl FnMut(usize, u64) -> Option<T>,
) -> Option<T> {
    let mut random = Random::new(trial.seed, 0x7a1a);
    let ordinary = beds.len() - usize::from(1 < beds.len());
    (0..PLACES).find_map(|nth| {
        let drawn = random.below(ordinary.max(1));
        let at = if nth == SPECIAL { beds.len() - 1 } else { drawn };
        attempt(at, random.bits() >> 1)
    })
}

/// One fault on one layout; none: it found no place.
pub fn session(
    beds: &[Bed],
    at: usize,
    scenario: &'static Scenario,
    seed: u64,
    guarded: Guarded,
) -> Option<Outcome> {
    let bed = &beds[at];
    let log = play(bed, scenario.id, seed, guarded);
    judge::judge(bed, (at, seed), scenario, &log)
}

/// Plays one fault to its end.
pub fn play(bed: &Bed, scenario: &'static str, seed: u64, guarded: Guarded) -> Log {
    played(bed, scenario, seed, guarded, false)
}

/// … and keeps the readings, where they are wanted.
pub fn played(
    bed: &Bed,
    scenario: &'static str,
    seed: u64,
    guarded: Guarded,
    keep_readings: bool,
) -> Log {
    let mut random = Random::new(seed, 0x9a9e);
    let due = Mono((random.between(5.0, 9.0) * 1e6) as u64);
    let mut plan = Plan::one(seed, scenario, due);
    plan.crew = Crew { patience: PATIENCE, clears_after_cut: CLEARS, ..Crew::default() };
    let mut session = ClosedLoop::new(bed, plan, guarded, STEP);
    session.log.tape = keep_readings.then(Vec::new);
    let (mut looked, mut began, mut until) = (0, None, due + PLACED_WITHIN);
    while session.now() < until {
        session.advance();
        let fresh = looked..session.log.truth.len();
        looked = fresh.end;
        for event in &session.log.truth[fresh] {
            match &event.what {
                Truth::FaultSkipped { .. } => until = session.now(),
                Truth::FaultStarted(report) if report.scenario == scenario => {
                    began = Some(report.number);
                    until = event.at + PATIENCE + PATIENCE;
                }
                Truth::FaultEnded { number, .. } if began == Some(*number) => {
                    until = event.at + WINDOW;
                }
                _ => {}
            }
        }
    }
    session.log
}

/// What clean traffic brought.
#[derive(Default)]
pub struct Clean {
    pub hours: f64,
    /// Cuts: layout, seed, when, why.
    pub cuts: Vec<String>,
    /// By kind, how often.
    pub alarms: BTreeMap<String, u64>,
    /// Processor time that it took, where somebody has measured it. Unit: second.
    pub processor: f64,
}

/// The layout of a session of clean traffic.
pub fn clean_bed(seed: u64) -> Bed {
    let turnouts = turnouts(&mut Random::new(seed, 0xc1ea));
    Bed::generated(seed % 1_000_003, turnouts)
}

/// Traffic without faults on one layout, until its end or the first cut.
pub fn clean(bed: &Bed, seed: u64, hours: f64, sensors: SensorPlan) -> Clean {
    let end = Mono((hours * 3600.0 * 1e6) as u64);
    let session = clean_until(bed, seed, end, sensors, None);
    let recent = &session.log.truth;
    let told = recent.iter().map(|event| truth_line(&bed.layout, event).replace('"', ""));
    let told: Vec<String> = told.collect();
    let cuts = session.log.orders.iter().filter(|(_, order)| order.action == Action::Cut);
    let words = cuts.map(|(at, order)| {
        let channel = bed.channels.name(order.channel);
        format!(
            "{}, session {seed}: {channel} cut at {:.3} s, {}; before: {}",
            bed.name,
            at.seconds(),
            order.cause.word(),
            told.join(" ")
        )
    });
    let mut alarms: BTreeMap<String, u64> = BTreeMap::new();
    for (_, words) in &session.log.alarms {
        let kind = words.split(' ').next().unwrap_or_default();
        *alarms.entry(kind.to_owned()).or_default() += 1;
    }
    let hours = session.now().seconds() / 3600.0;
    Clean { hours, cuts: words.collect(), alarms, processor: 0.0 }
}

/// Plays traffic without faults until `end` or the first cut. Of what really happened the last moments are kept; of the
/// readings those of the time named by `readings`.
pub fn clean_until(
    bed: &Bed,
    seed: u64,
    end: Mono,
    sensors: SensorPlan,
    readings: Option<Micros>,
) -> ClosedLoop<'_> {
    let mut plan = Plan::clean(seed);
    plan.faults = FaultPlan::None;
    plan.sensors = sensors;
    let mut session = ClosedLoop::new(bed, plan, Guarded::Yes, CLEAN_STEP);
    session.log.tape = readings.map(|_| Vec::new());
    let keep = readings.unwrap_or(BEFORE_CUT);
    while session.now() < end && session.log.orders.is_empty() {
        session.advance();
        let since = session.now() - keep;
        session.log.truth.retain(|event| since <= event.at);
        if let Some(tape) = &mut session.log.tape {
            let old = tape.partition_point(|reading| reading.at < since);
            tape.drain(..old);
        }
    }
    session
}

/// What is measured where only protection matters.
pub fn sparse() -> SensorPlan {
    SensorPlan { trip_hz: 50, voltage_hz: 5, block_hz: 10, peak_hz: 0, polarity: true, frog_hz: 0 }
}

/// A planned list, for whoever wants more than one fault.
pub fn list(faults: &[(&'static str, u64)]) -> FaultPlan {
    let planned = faults.iter().map(|(scenario, millis)| Planned {
        at: Mono::START + Micros::from_millis(*millis),
        scenario,
    });
    FaultPlan::List(planned.collect())
}
