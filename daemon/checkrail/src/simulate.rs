//! `checkrail simulate`: the journal of a simulated session, and the truth beside it.

use std::{
    fs::File,
    io::{BufWriter, Write},
    path::{Path, PathBuf},
};

use indicatif::{ProgressBar, ProgressStyle};
use simulator::{Expected, Plan, SCENARIOS, Truth, World, session};
use wiring::units::{Micros, Mono};

use crate::{
    cli::SimulateArgs,
    demo,
    exit::{Exit, Failure},
    print,
    source::{Loaded, Source},
};

/// The most that one run writes: a journal of more is no longer handled well by anything.
const HOURS_MAX: f64 = 1000.0;

/// Quiet time between two faults.
const FAULT_EVERY: Micros = Micros::from_millis(120_000);

/// How far the world advances between two looks at what it says.
const STEP: Micros = Micros::from_millis(1000);

/// Runs `simulate`.
///
/// # Errors
/// [`Failure`] when the layout has errors or a file cannot be written.
pub fn run(args: &SimulateArgs) -> Result<Exit, Failure> {
    if args.list {
        return list();
    }
    let end = span(args)?;
    let Some(layout) = &args.layout else {
        return Err(Failure::Argument("simulate needs a layout file".to_owned()));
    };
    let source = Source::open(layout)?;
    let loaded = source.require()?;
    let mut plan = Plan::show(args.seed, FAULT_EVERY);
    plan.faults = demo::fault_plan(&args.faults, plan.faults)?;
    plan.trains = args.trains;
    let world = World::new(loaded.layout.clone(), loaded.channels.clone(), plan);
    write(&loaded, world, end, &args.out)
}

/// The scenarios, a line each.
fn list() -> Result<Exit, Failure> {
    for scenario in SCENARIOS {
        let expected = match scenario.expected {
            Expected::Cut => "cut",
            Expected::Alarm => "alarm",
            Expected::CutOrAlarm => "cut or alarm",
            Expected::Nothing => "nothing",
        };
        print::line(&format!("{:5} {expected:13} {}", scenario.id, scenario.name))?;
    }
    Ok(Exit::Done)
}

/// When it ends.
fn span(args: &SimulateArgs) -> Result<Mono, Failure> {
    let hours = args.minutes.map_or(args.hours, |minutes| minutes / 60.0);
    if !(hours > 0.0 && hours <= HOURS_MAX) {
        let what = match args.minutes {
            Some(minutes) => format!("--minutes {minutes}"),
            None => format!("--hours {hours}"),
        };
        return Err(Failure::Argument(format!(
            "{what} needs more than 0 and at most {HOURS_MAX} h"
        )));
    }
    Ok(Mono((hours * 3600.0 * 1e6) as u64))
}

fn write(loaded: &Loaded, mut world: World, end: Mono, out: &Path) -> Result<Exit, Failure> {
    let mut journal = Lines::create(out, "jsonl")?;
    let mut truth = Lines::create(out, "truth.jsonl")?;
    let mut tally = Tally::default();
    let progress = progress(end);
    let mut now = Mono::START;
    while now < end {
        now = (now + STEP).min(end);
        world.advance(now);
        while let Some(reading) = world.poll_reading() {
            journal.write(&session::journal_line(&loaded.channels, &reading))?;
        }
        while let Some(event) = world.poll_truth() {
            tally.count(&event.what);
            truth.write(&session::truth_line(&loaded.layout, &event))?;
        }
        progress.set_position(now.0 / 1_000_000);
    }
    progress.finish_and_clear();
    print::line(&format!("{}: {} readings", journal.path.display(), journal.count))?;
    print::line(&format!("{}: {} events", truth.path.display(), truth.count))?;
    journal.finish()?;
    truth.finish()?;
    let faults =
        if tally.started == 1 { "1 fault".to_owned() } else { format!("{} faults", tally.started) };
    print::line(&format!("{faults} in place"))?;
    for scenario in &tally.skipped {
        print::line(&format!("{scenario} found no place on this layout"))?;
    }
    Ok(Exit::Done)
}

/// What became of the faults.
#[derive(Default)]
struct Tally {
    started: u64,
    skipped: Vec<&'static str>,
}

impl Tally {
    fn count(&mut self, what: &Truth) {
        if let Truth::FaultStarted(_) = what {
            self.started += 1;
        } else if let Truth::FaultSkipped { scenario } = what {
            self.skipped.push(scenario);
        }
    }
}

fn progress(end: Mono) -> ProgressBar {
    if !print::progress_is_seen() {
        return ProgressBar::hidden();
    }
    let style = ProgressStyle::with_template("{bar:40} {pos}/{len} railroad seconds, {eta} left");
    ProgressBar::new(end.0 / 1_000_000)
        .with_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()))
}

/// A file of JSON lines.
struct Lines {
    path: PathBuf,
    out: BufWriter<File>,
    count: u64,
}

impl Lines {
    fn path(base: &Path, ending: &str) -> PathBuf {
        let mut name = base.as_os_str().to_owned();
        name.push(".");
        name.push(ending);
        PathBuf::from(name)
    }

    fn create(base: &Path, ending: &str) -> Result<Self, Failure> {
        let path = Self::path(base, ending);
        let file = File::create(&path)
            .map_err(|source| Failure::Write { path: path.clone(), error: source })?;
        Ok(Self { path, out: BufWriter::new(file), count: 0 })
    }

    fn write(&mut self, line: &str) -> Result<(), Failure> {
        self.count += 1;
        writeln!(self.out, "{line}")
            .map_err(|source| Failure::Write { path: self.path.clone(), error: source })
    }

    fn finish(mut self) -> Result<(), Failure> {
        self.out.flush().map_err(|source| Failure::Write { path: self.path, error: source })
    }
}
