//! `checkrail simulate`: the journal of a simulated session, and the truth beside it.

use std::{
    fs::File,
    io::{BufWriter, Write},
    path::{Path, PathBuf},
};

use indicatif::{ProgressBar, ProgressStyle};
use serde_json::{Value as Json, json};
use simulator::{Plan, SimReading, SimValue, TruthEvent, World};
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
    if !(0.0..=HOURS_MAX).contains(&args.hours) {
        return Err(Failure::Argument(format!("--hours {} needs 0 to {HOURS_MAX}", args.hours)));
    }
    let source = Source::open(&args.layout)?;
    let loaded = source.require()?;
    let mut plan = Plan::show(args.seed, FAULT_EVERY);
    plan.faults = demo::fault_plan(&args.faults, plan.faults)?;
    let mut world = World::new(loaded.layout.clone(), loaded.channels.clone(), plan);
    let mut journal = Lines::create(&args.out, "jsonl")?;
    let mut truth = Lines::create(&args.out, "truth.jsonl")?;
    let end = Mono((args.hours * 3600.0 * 1e6) as u64);
    let progress = progress(end);
    let mut now = Mono::START;
    while now < end {
        now = (now + STEP).min(end);
        world.advance(now);
        while let Some(reading) = world.poll_reading() {
            journal.write(&reading_line(&loaded, &reading))?;
        }
        while let Some(event) = world.poll_truth() {
            truth.write(&truth_line(&event))?;
        }
        progress.set_position(now.0 / 1_000_000);
    }
    progress.finish_and_clear();
    print::line(&format!(
        "{} lines in {}",
        journal.finish()?,
        Lines::path(&args.out, "jsonl").display()
    ))?;
    let count = truth.finish()?;
    print::line(&format!("{count} lines in {}", Lines::path(&args.out, "truth.jsonl").display()))?;
    Ok(Exit::Done)
}

fn progress(end: Mono) -> ProgressBar {
    if !print::progress_is_seen() {
        return ProgressBar::hidden();
    }
    let style = ProgressStyle::with_template("{bar:40} {pos}/{len} railroad seconds, {eta} left");
    ProgressBar::new(end.0 / 1_000_000)
        .with_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()))
}

fn reading_line(loaded: &Loaded, reading: &SimReading) -> Json {
    let t = reading.at.seconds();
    let channel = loaded.channels.name(reading.channel);
    match reading.value {
        SimValue::Number(number) => json!({"t": t, "channel": channel, "value": number}),
        SimValue::Word(word) => json!({"t": t, "channel": channel, "value": word}),
        SimValue::Invalid(why) => json!({"t": t, "channel": channel, "value": null, "e": why}),
    }
}

fn truth_line(event: &TruthEvent) -> Json {
    json!({"t": event.at.seconds(), "truth": format!("{:?}", event.what)})
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
        let file =
            File::create(&path).map_err(|source| Failure::Write { path: path.clone(), source })?;
        Ok(Self { path, out: BufWriter::new(file), count: 0 })
    }

    fn write(&mut self, line: &Json) -> Result<(), Failure> {
        self.count += 1;
        writeln!(self.out, "{line}")
            .map_err(|source| Failure::Write { path: self.path.clone(), source })
    }

    fn finish(mut self) -> Result<u64, Failure> {
        self.out.flush().map_err(|source| Failure::Write { path: self.path, source })?;
        Ok(self.count)
    }
}
