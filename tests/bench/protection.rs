//! The closed-loop figures: what share of faults is cut, how soon, what contacts survive, who is named, and how often
//! clean traffic is cut; beside it the same faults with breakers alone.
//!
//! `cargo bench -p supervision --bench protection` (about an hour of one core, most of it clean traffic).
//! `--log FILE` adds a line to it for each trial and goes on where a run of the same seed stopped; what the file holds of
//! other seeds is added to the table. `--seed S`; `--faults N`; `--hours H` of clean traffic; `--layouts N`;
//! `--only F01,F14`; `--threads N`; `--minutes M` begins nothing after so many minutes of either part; `--quick` a smoke
//! run; `--with-only` leaves out the same faults with breakers alone; `--list` names every fault that fell short, with
//! layout and seed; `--story F14,3,4723…` tells one of them, `--alone` without Checkrail,
//! `--channels district/quarry/,block/b7/` with these readings; `--story clean,SESSION` tells the last ten seconds of clean
//! traffic before a cut, `clean,SESSION,2896.7` those before that second.
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

use simulator::Expected;
use trial::{
    bed::Bed,
    calibrate,
    closed_loop::{Guarded, Log},
    draw::{self, Pair},
    judge::Outcome,
    ledger::Ledger,
    locating::{self, Case},
    story, tables,
    tally::Tally,
    tape,
};
use wiring::units::{Micros, Mono};

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
    threads: usize,
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
    let story = given_after("--story");
    if let Some(wanted) = story.as_ref().and_then(|it| it.strip_prefix("clean,")) {
        tell_clean(wanted);
        return;
    }
    let beds = beds(args.seed, args.layouts);
    eprintln!("{} layouts in {:.1} s", beds.len(), began.elapsed().as_secs_f64());
    if let Some(wanted) = story {
        tell(&beds, &wanted);
        return;
    }
    if let Some(folder) = &args.save {
        tape::start(folder, args.seed, args.layouts).expect("the folder can be written to");
    }
    let log = given_after("--log");
    let mut ledger = log.as_deref().map_or_else(Ledger::default, Ledger::open);
    faults(&args, &beds, &mut ledger);
    let (tallies, all) = tables::by_scenario(&ledger);
    println!(
        "seed {}: {} faults on {} layouts ({} wanted)\n",
        args.seed,
        all.tried,
        beds.len(),
        args.faults
    );
    println!("{}", tables::scenarios(&tallies, &all));
    println!("{}", tables::summary(&all));
    clean(&args, &mut ledger);
    println!("run time {:.0} s", began.elapsed().as_secs_f64());
}

/// Drawn layouts, and one with reversers.
fn beds(seed: u64, layouts: usize) -> Vec<Bed> {
    let mut beds = draw::beds(seed, layouts);
    beds.push(Bed::new("Tamarrow Valley".to_owned(), VALLEY));
    beds
}

/// `F14,3,4723024996891081492` as `--list` names it; `--channels district/quarry/,block/b7/` also tells what they showed.
fn tell(beds: &[Bed], wanted: &str) {
    let words: Vec<&str> = wanted.split(',').collect();
    let [id, bed, seed] = words[..] else { panic!("scenario, bed and seed") };
    let scenario = simulator::scenario::find(id).expect("a scenario of the list");
    let bed = &beds[bed.parse::<usize>().expect("the number of a bed")];
    let seed = seed.parse().expect("a seed");
    let alone = std::env::args().any(|it| it == "--alone");
    let guarded = if alone { Guarded::ByBreakersAlone } else { Guarded::Yes };
    print(bed, &draw::played(bed, scenario.id, seed, guarded, true));
}

/// `20334237` or `20334237,2896.7`: a session of clean traffic as its cut is listed, and until when.
fn tell_clean(wanted: &str) {
    const LAST: Micros = Micros::from_millis(10_000);
    let (session, until) = wanted.split_once(',').unwrap_or((wanted, "7200"));
    let seed = session.parse().expect("the number of a session");
    let until: f64 = until.parse().expect("seconds");
    let bed = draw::clean_bed(seed);
    let end = Mono((until * 1e6) as u64);
    let session = draw::clean_until(&bed, seed, end, draw::sparse(), Some(LAST));
    println!("{}", bed.name);
    print(&bed, &session.log);
}

fn print(bed: &Bed, log: &Log) {
    let channels = given_after("--channels").unwrap_or_default();
    let channels: Vec<String> =
        channels.split(',').filter(|it| !it.is_empty()).map(str::to_owned).collect();
    for (at, line) in story::story(bed, log, &channels) {
        println!("{:8.3} {line}", at.seconds());
    }
}

fn given_after(name: &str) -> Option<String> {
    std::env::args().skip_while(|it| it != name).nth(1)
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
        threads: number("--threads", 2.0) as usize,
        minutes: after("--minutes").map(|it| it.parse().expect("minutes")),
        save: after("--save").map(PathBuf::from),
        from: after("--from")
            .map(|it| it.split(',').map(PathBuf::from).collect())
            .unwrap_or_default(),
        calibrate: given.iter().any(|it| it == "--calibrate").then(|| number("--calibrate", 1.0)),
        evidence: given.iter().any(|it| it == "--evidence"),
    }
}

fn faults(args: &Args, beds: &[Bed], ledger: &mut Ledger) {
    let trials = draw::draw(args.seed, args.faults, &args.only);
    let seed = format!("{}/{}{}", args.seed, args.layouts, args.only.join(","));
    let done = ledger.done("fault", &seed);
    let open: Vec<usize> = (0..trials.len()).filter(|at| !done.contains(at)).collect();
    let mut progress = Progress::new("faults", open.len());
    draw::each(
        &open,
        args.threads,
        args.deadline(),
        |at| match &args.save {
            Some(folder) => taped(beds, trials[at], folder, at),
            None => draw::try_fault(beds, trials[at], args.alone),
        },
        |at, pair| {
            match &pair {
                Some(pair) => {
                    ledger.add_fault(&seed, at, trials[at].scenario.id, &Tally::of(pair));
                    if args.list {
                        list(&pair.with, beds);
                    }
                }
                None => ledger.add_no_place(&seed, at),
            }
            progress.step();
        },
    );
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
        let all: Vec<usize> = (0..tapes.len()).collect();
        draw::each(
            &all,
            args.threads,
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

/// Clean traffic: sessions of two hours, each on a layout of its own of 8 to 60 turnouts.
fn clean(args: &Args, ledger: &mut Ledger) {
    const SESSION: f64 = 2.0;
    let sessions = (args.hours / SESSION).ceil() as usize;
    if sessions == 0 {
        return;
    }
    let length = args.hours / sessions as f64;
    let seed = args.seed.to_string();
    let done = ledger.done("clean", &seed);
    let open: Vec<usize> = (0..sessions).filter(|at| !done.contains(at)).collect();
    let mut progress = Progress::new("clean sessions", open.len());
    draw::each(
        &open,
        args.threads,
        args.deadline(),
        |at| {
            let began = spent();
            let seed = args.seed * 10_007 + at as u64;
            let bed = draw::clean_bed(seed);
            let mut it = draw::clean(&bed, seed, length, draw::sparse());
            it.processor = spent() - began;
            it
        },
        |at, it| {
            ledger.add_clean(&seed, at, &it);
            it.cuts.iter().for_each(|cut| eprintln!("  {cut}"));
            progress.step();
        },
    );
    let all = ledger.clean();
    println!(
        "clean traffic: {} cuts in {:.1} h ({:.2} per 1,000 h; goal below 1), {:.1} alarms a day of 8 h, {:.0} s of a \
         processor, {:.0} x real time",
        all.cuts.len(),
        all.hours,
        1000.0 * all.cuts.len() as f64 / all.hours,
        8.0 * all.alarms.values().sum::<u64>() as f64 / all.hours,
        all.processor,
        3600.0 * all.hours / all.processor
    );
    all.cuts.iter().for_each(|it| println!("  {it}"));
    all.alarms.iter().for_each(|(kind, count)| println!("  {count} x {kind}"));
}

/// Processor time of this thread, which does not count what neighbours take; zero where the system does not tell.
fn spent() -> f64 {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    let nanos = told.split(' ').next().and_then(|it| it.parse::<f64>().ok());
    nanos.unwrap_or(0.0) * 1e-9
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
    for other in &it.beside {
        let cut = other.cut.iter();
        short.extend(cut.map(|cut| format!("cut needlessly for its {}: {cut}", other.scenario)));
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
