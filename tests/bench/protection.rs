//! The closed-loop figures: what share of faults is cut, how soon, what contacts survive, who is named, and how often
//! clean traffic is cut; beside it the same faults with breakers alone.
//!
//! `cargo bench -p supervision --bench protection` (about a quarter of an hour on two cores).
//! `--minutes M` begins nothing after so many minutes of either part; `--quick` a smoke run; `--seed S`; `--faults N`; `--hours H` of clean traffic; `--layouts N`; `--only F01,F14`;
//! `--with-only` leaves out the same faults with breakers alone;
//! `--list` names every fault that fell short, with layout and seed.
//!
//! For work on locating: `--save DIR` keeps the readings of every session that left a record; `--from DIR,DIR` plays them
//! again in a fraction of the time and prints where the culprit stood and which signs misled. `--list` names each miss,
//! `--evidence` with all that was known; `--calibrate [PULL]` fits the weights to them and cross-validates by scenario and
//! by layout.
//!
//! Seeds below 1000 are for development; the figures that are reported come from 2026 and later.

#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a bench prints its table")]
#![allow(clippy::disallowed_methods, reason = "a benchmark reads the clock")]

#[path = "../trial/mod.rs"]
mod trial;

use std::{
    path::{Path, PathBuf},
    time::{Duration, Instant},
};

use simulator::{Expected, random::Random};
use trial::{
    bed::Bed,
    calibrate,
    draw::{self, Pair},
    judge::Outcome,
    locating::{self, Case},
    tables, tape,
};

/// With reversers, which drawn layouts lack.
const VALLEY: &str = include_str!("../../config/tamarrow-valley.toml");

struct Args {
    seed: u64,
    faults: usize,
    hours: f64,
    layouts: usize,
    only: Vec<String>,
    list: bool,
    alone: bool,
    minutes: Option<f64>,
    save: Option<PathBuf>,
    from: Vec<PathBuf>,
    evidence: bool,
    calibrate: Option<f64>,
}

impl Args {
    /// From here on, where the time is limited.
    fn deadline(&self) -> Option<Instant> {
        self.minutes.map(|it| Instant::now() + Duration::from_secs_f64(60.0 * it))
    }
}

fn main() {
    let args = arguments();
    let began = Instant::now();
    if !args.from.is_empty() {
        locate_again(&args);
        return;
    }
    let beds = beds(args.seed, args.layouts);
    eprintln!("{} layouts in {:.1} s", beds.len(), began.elapsed().as_secs_f64());
    if let Some(folder) = &args.save {
        tape::start(folder, args.seed, args.layouts).expect("the folder can be written to");
    }
    let pairs = faults(&args, &beds);
    let (tallies, all) = tables::by_scenario(&pairs);
    println!(
        "seed {}: {} faults on {} layouts ({} wanted)\n",
        args.seed,
        pairs.len(),
        beds.len(),
        args.faults
    );
    println!("{}", tables::scenarios(&tallies, &all));
    println!("{}", tables::summary(&all));
    if args.list {
        pairs.iter().for_each(|pair| list(&pair.with, &beds));
    }
    clean(&args);
    println!("run time {:.0} s", began.elapsed().as_secs_f64());
}

/// Drawn layouts, and one with reversers.
fn beds(seed: u64, layouts: usize) -> Vec<Bed> {
    let mut beds = draw::beds(seed, layouts);
    beds.push(Bed::new("Tamarrow Valley".to_owned(), VALLEY));
    beds
}

fn arguments() -> Args {
    let given: Vec<String> = std::env::args().collect();
    let after = |name: &str| {
        given.iter().position(|it| it == name).and_then(|at| given.get(at + 1)).cloned()
    };
    let number = |name: &str, usual: f64| {
        after(name).map_or(usual, |it| it.parse().expect("a number after the option"))
    };
    let quick = given.iter().any(|it| it == "--quick");
    Args {
        seed: number("--seed", 2026.0) as u64,
        faults: number("--faults", if quick { 64.0 } else { 2100.0 }) as usize,
        hours: number("--hours", if quick { 0.2 } else { 1000.0 }),
        layouts: number("--layouts", if quick { 3.0 } else { 24.0 }) as usize,
        only: after("--only")
            .map(|it| it.split(',').map(str::to_owned).collect())
            .unwrap_or_default(),
        alone: !given.iter().any(|it| it == "--with-only"),
        list: given.iter().any(|it| it == "--list"),
        minutes: after("--minutes").map(|it| it.parse().expect("minutes")),
        save: after("--save").map(PathBuf::from),
        from: after("--from")
            .map(|it| it.split(',').map(PathBuf::from).collect())
            .unwrap_or_default(),
        calibrate: given.iter().any(|it| it == "--calibrate").then(|| number("--calibrate", 1.0)),
        evidence: given.iter().any(|it| it == "--evidence"),
    }
}

fn faults(args: &Args, beds: &[Bed]) -> Vec<Pair> {
    let trials = draw::draw(args.seed, args.faults, &args.only);
    let mut progress = Progress::new("faults", trials.len());
    let mut found: Vec<(usize, Option<Pair>)> = Vec::new();
    draw::each(
        trials.len(),
        args.deadline(),
        |at| match &args.save {
            Some(folder) => taped(beds, trials[at], folder, at),
            None => draw::try_fault(beds, trials[at], args.alone),
        },
        |at, pair| {
            found.push((at, pair));
            progress.step();
        },
    );
    found.sort_by_key(|it| it.0);
    found.into_iter().filter_map(|(_, pair)| pair).collect()
}

/// Tries one fault with the supervisor alone and keeps its readings.
fn taped(beds: &[Bed], trial: draw::Trial, folder: &Path, number: usize) -> Option<Pair> {
    let (pair, tape) = draw::tape(beds, trial)?;
    if let Some(tape) = tape {
        tape.save(folder, number).expect("the folder can be written to");
    }
    Some(pair)
}

/// Plays tapes again, for what locating makes of them.
fn locate_again(args: &Args) {
    let began = Instant::now();
    let mut cases: Vec<Case> = Vec::new();
    for folder in &args.from {
        let (seed, layouts) = tape::run(folder).expect("a folder of this bench");
        let beds = beds(seed, layouts);
        let tapes = tape::list(folder);
        let mut found: Vec<(usize, Case)> = Vec::new();
        let wanted = |id: &str| args.only.is_empty() || args.only.iter().any(|it| it == id);
        draw::each(
            tapes.len(),
            None,
            |at| {
                let tape = tape::Tape::load(&tapes[at]).expect("a tape of this bench");
                wanted(tape.scenario.id).then(|| Case::of(&beds, &tape)).flatten()
            },
            |at, case| found.extend(case.map(|case| (at, case))),
        );
        found.sort_by_key(|it| it.0);
        cases.extend(found.into_iter().map(|it| it.1));
    }
    if args.list {
        println!("{}", locating::misses(&cases, args.evidence));
    }
    println!("{}", locating::table(&cases));
    if let Some(pull) = args.calibrate {
        println!("{}", calibrate::report(&cases, pull));
    }
    println!("{} records in {:.0} s", cases.len(), began.elapsed().as_secs_f64());
}

/// Clean traffic: sessions of two hours, each on a layout of its own.
fn clean(args: &Args) {
    const SESSION: f64 = 2.0;
    let sessions = (args.hours / SESSION).ceil() as usize;
    if sessions == 0 {
        return;
    }
    let length = args.hours / sessions as f64;
    let began = Instant::now();
    let mut progress = Progress::new("clean sessions", sessions);
    let (mut hours, mut cuts, mut alarms) = (0.0, Vec::new(), 0);
    draw::each(
        sessions,
        args.deadline(),
        |at| {
            let seed = args.seed * 10_007 + at as u64;
            let bed =
                Bed::generated(seed % 1_000_003, draw::turnouts(&mut Random::new(seed, 0xc1ea)));
            draw::clean(&bed, seed, length, draw::sparse())
        },
        |_, it| {
            hours += it.hours;
            cuts.extend(it.cuts);
            alarms += it.alarms;
            progress.step();
        },
    );
    println!(
        "clean traffic: {} cuts in {hours:.1} h ({:.2} per 1,000 h; goal below 1), {:.1} alarms a day of 8 h, {:.0} s",
        cuts.len(),
        1000.0 * cuts.len() as f64 / hours,
        8.0 * alarms as f64 / hours,
        began.elapsed().as_secs_f64()
    );
    cuts.iter().for_each(|it| println!("  {it}"));
}

/// One fault that fell short, and how.
fn list(it: &Outcome, beds: &[Bed]) {
    let mut short = Vec::new();
    if it.counts() && !it.cut {
        short.push("not cut".to_owned());
    }
    let calm = matches!(it.scenario.expected, Expected::Alarm | Expected::Nothing);
    if calm && !it.cause.is_empty() {
        short.push("cut needlessly".to_owned());
    }
    if !it.cut_beside.is_empty() {
        short.push(format!("cut beside: {}", it.cut_beside.join(", ")));
    }
    if 0 < it.cut_without {
        short.push("cut with no fault in place".to_owned());
    }
    if it.poles.iter().any(|it| it.lost && !it.beyond_saving) {
        short.push("contact lost".to_owned());
    }
    if let Some(named) = &it.named
        && named.group_rank != Some(1)
    {
        let rank = named.group_rank.map_or_else(|| "-".to_owned(), |it| it.to_string());
        short.push(format!("named {} (culprit at {rank}): {}", named.first, named.said));
    }
    if !short.is_empty() {
        println!(
            "{} bed {} ({}) seed {} {} at {}, {} {:?} ms: {}",
            it.scenario.id,
            it.bed,
            beds[it.bed].name,
            it.seed,
            it.report.subject,
            it.report.place,
            it.cause,
            it.order_after.map(|it| it.0 / 1000),
            short.join("; ")
        );
    }
}

/// A line now and then on what is done.
struct Progress {
    what: &'static str,
    done: usize,
    of: usize,
    began: Instant,
    told: u64,
}

impl Progress {
    fn new(what: &'static str, of: usize) -> Self {
        Self { what, done: 0, of, began: Instant::now(), told: 0 }
    }

    fn step(&mut self) {
        self.done += 1;
        let seconds = self.began.elapsed().as_secs();
        if self.told + 10 <= seconds || self.done == self.of {
            self.told = seconds;
            eprintln!("{}: {} of {} in {seconds} s", self.what, self.done, self.of);
        }
    }
}
