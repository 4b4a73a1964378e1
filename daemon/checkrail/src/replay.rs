//! `checkrail replay`: the supervision over a journal. With `--lockstep` another program closes the loop through it.

mod compare;
mod cost;
#[cfg(test)]
mod fuzz_tests;
mod result;

use std::{
    fs::File,
    io::{self, BufRead, BufReader, Write},
    path::Path,
};

use serde_json::json;
use supervision::{Supervisor, input::Input, start::Start};
use wiring::{channel::ChannelTable, units::Mono};

use crate::{
    cli::ReplayArgs,
    core::Core,
    exit::{Exit, Failure},
    journal::{self, LINE_MAX},
    print::{self, settle},
    source::{Loaded, Source},
};

/// Runs `replay`.
///
/// # Errors
/// [`Failure`] when layout or journal cannot be read.
pub fn run(args: &ReplayArgs) -> Result<Exit, Failure> {
    let source = Source::open(&args.layout)?;
    let loaded = source.require()?;
    source.show_findings(&loaded, args.strict, |_| true)?;
    if let Some(changes) = &args.protection {
        return compare::run(args, &source, &loaded, changes);
    }
    // Lockstep answers line by line; otherwise output is flushed when the buffer is full.
    let output = io::BufWriter::with_capacity(64 * 1024, io::stdout().lock());
    Replay::new(&loaded, output, args.lockstep).read_all(&args.journal)
}

fn open(path: &Path) -> Result<Box<dyn BufRead>, Failure> {
    if path == Path::new("-") {
        return Ok(Box::new(BufReader::new(io::stdin())));
    }
    let file = File::open(path)
        .map_err(|source| Failure::Read { path: path.to_owned(), error: source })?;
    Ok(Box::new(BufReader::new(file)))
}

/// Reads a journal line by line and hands each to `take`, until the end or until `take` says that it is enough.
fn each_line(
    path: &Path,
    mut take: impl FnMut(u64, &[u8]) -> Result<bool, Failure>,
) -> Result<(), Failure> {
    let mut input = open(path)?;
    let mut number = 0;
    let mut line = Vec::new();
    loop {
        line.clear();
        let read = read_line(&mut input, &mut line)
            .map_err(|source| Failure::Read { path: path.to_owned(), error: source })?;
        if read == 0 {
            return Ok(());
        }
        number += 1;
        if !take(number, &line)? {
            return Ok(());
        }
    }
}

/// What the lines of a journal say, with time that never goes back.
struct Lines<'a> {
    channels: &'a ChannelTable,
    /// The latest instant of the journal.
    last: Mono,
    complaints: u64,
    /// Lines that said something.
    useful: u64,
}

impl<'a> Lines<'a> {
    const fn new(channels: &'a ChannelTable) -> Self {
        Self { channels, last: Mono::START, complaints: 0, useful: 0 }
    }

    /// What to hand to the supervisor at `last`.
    fn parse(&mut self, number: u64, line: &[u8]) -> Option<Input> {
        let text = String::from_utf8_lossy(line);
        let parsed = journal::parse(&text, number, self.channels);
        if let Some(complaint) = &parsed.complaint {
            self.complain(number, complaint);
        }
        if let Some(t) = parsed.t {
            if t < self.last {
                self.complain(number, "`t` goes backwards; taken as the time of the line before");
            }
            self.last = self.last.max(t);
        }
        self.useful += u64::from(parsed.input.is_some() && parsed.complaint.is_none());
        parsed.input
    }

    /// A file of which no line could be used is no journal, and a replay of it shows nothing.
    ///
    /// # Errors
    /// [`Failure::Argument`].
    fn require_journal(&self, path: &Path) -> Result<(), Failure> {
        if self.useful > 0 || self.complaints == 0 {
            return Ok(());
        }
        let truth = path.to_string_lossy();
        let hint = truth.strip_suffix(".truth.jsonl").map_or_else(String::new, |name| {
            format!("; it is the truth beside a journal, which is {name}.jsonl")
        });
        Err(Failure::Argument(format!("{}: no line is one of a journal{hint}", path.display())))
    }

    /// Only the first complaints: a broken journal must not bury them.
    fn complain(&mut self, number: u64, what: &str) {
        const MOST: u64 = 10;
        self.complaints += 1;
        if self.complaints <= MOST {
            print::error_line(&format!("journal line {number}: {what}"));
        } else if self.complaints == MOST + 1 {
            print::error_line("further complaints about the journal are not shown");
        }
    }
}

struct Replay<'a, W: Write> {
    loaded: &'a Loaded,
    lines: Lines<'a>,
    supervisor: Supervisor,
    output: W,
    lockstep: bool,
}

impl<'a, W: Write> Replay<'a, W> {
    fn new(loaded: &'a Loaded, output: W, lockstep: bool) -> Self {
        let supervisor = Core::new(loaded).supervisor(Start::journal(), Mono::START);
        Self { loaded, lines: Lines::new(&loaded.channels), supervisor, output, lockstep }
    }

    fn read_all(mut self, path: &Path) -> Result<Exit, Failure> {
        let mut is_heard = true;
        each_line(path, |number, line| {
            is_heard = self.take(number, line)?;
            Ok(is_heard)
        })?;
        if is_heard {
            self.supervisor.finish(self.lines.last);
            self.drain()?;
            settle(self.output.flush())?;
            self.lines.require_journal(path)?;
        }
        Ok(Exit::Done)
    }

    /// Takes one line; false when nobody reads the output any more.
    fn take(&mut self, number: u64, line: &[u8]) -> Result<bool, Failure> {
        if let Some(input) = self.lines.parse(number, line) {
            self.supervisor.handle(input, self.lines.last);
        }
        self.drain()?;
        if self.lockstep {
            let done = json!({"done": number}).to_string();
            let written = writeln!(self.output, "{done}").and_then(|()| self.output.flush());
            if matches!(&written, Err(error) if error.kind() == io::ErrorKind::BrokenPipe) {
                return Ok(false);
            }
            settle(written)?;
        }
        Ok(true)
    }

    fn drain(&mut self) -> Result<(), Failure> {
        while let Some(output) = self.supervisor.poll_output() {
            let line =
                journal::output_line(&output, &self.loaded.layout, &self.loaded.channels, &[]);
            if let Some(line) = line {
                settle(writeln!(self.output, "{line}"))?;
            }
        }
        Ok(())
    }
}

/// Reads one line without its end. What is longer than [`LINE_MAX`] is cut there and the rest skipped, so that no
/// input makes the program grow.
fn read_line(input: &mut dyn BufRead, line: &mut Vec<u8>) -> io::Result<usize> {
    let mut total = 0;
    loop {
        let (used, ended) = {
            let available = match input.fill_buf() {
                Ok(available) => available,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                Err(error) => return Err(error),
            };
            if available.is_empty() {
                return Ok(total);
            }
            let end = available.iter().position(|byte| *byte == b'\n');
            let used = end.map_or(available.len(), |at| at + 1);
            let room = LINE_MAX.saturating_sub(line.len());
            line.extend_from_slice(&available[..used.min(room)]);
            (used, end.is_some())
        };
        input.consume(used);
        total += used;
        if ended {
            return Ok(total);
        }
    }
}
