//! Sessions on tape: the readings of a trial are kept in a file and played to the supervisor again, in a fraction of the
//! time that the plant takes. What is measured does not depend on how a fault is located, so a change of evidence, signs or
//! weights is judged on the same faults; a change that gives other orders needs the plant.

use std::{
    fs::File,
    io::{BufReader, BufWriter, Read, Result, Write},
    path::{Path, PathBuf},
};

use simulator::{FaultReport, Plan, Scenario, SimReading, SimValue, scenario};
use supervision::{
    input::Input,
    output::{Decision, Output},
    record::FaultRecord,
};
use wiring::{
    index::{ChannelIx, DistrictIx},
    units::{Micros, Mono},
};

use super::{bed::Bed, judge::Span, link};

/// Words that sensors say; a tape holds their places.
const WORDS: [&str; 18] = [
    "normal", "reverse", "moving", "unknown", "A", "B", "dead", "on", "off", "yes", "no",
    "straight", "swapped", "over", "under", "open", "sensor", "",
];
const NUMBER: u8 = 0;
const WORD: u8 = 1;
const INVALID: u8 = 2;
/// Bytes of one reading.
const READING: usize = 25;

/// One session.
pub struct Tape {
    pub scenario: &'static Scenario,
    /// Its layout, as [`super::draw::beds`] lists them.
    pub bed: usize,
    pub seed: u64,
    pub span: Span,
    pub report: FaultReport,
    pub step: Micros,
    pub readings: Vec<SimReading>,
}

impl Tape {
    /// Writes it into a folder under its number.
    pub fn save(&self, folder: &Path, number: usize) -> Result<()> {
        let mut file = BufWriter::new(File::create(folder.join(format!("{number:05}.tape")))?);
        let districts: Vec<String> =
            self.report.districts.iter().map(|it| it.0.to_string()).collect();
        let head = [
            self.scenario.id.to_owned(),
            self.bed.to_string(),
            self.seed.to_string(),
            self.span.start.0.to_string(),
            self.span.end.0.to_string(),
            self.step.0.to_string(),
            self.report.subject.clone(),
            self.report.place.clone(),
            districts.join(" "),
        ];
        let head = head.join("\n");
        file.write_all(&(head.len() as u32).to_le_bytes())?;
        file.write_all(head.as_bytes())?;
        for reading in &self.readings {
            file.write_all(&packed(reading))?;
        }
        file.flush()
    }

    /// Reads one; none: it is no tape.
    pub fn load(path: &Path) -> Option<Self> {
        let mut file = BufReader::new(File::open(path).ok()?);
        let mut all = Vec::new();
        file.read_to_end(&mut all).ok()?;
        let (length, rest) = all.split_first_chunk::<4>()?;
        let (head, readings) = rest.split_at_checked(u32::from_le_bytes(*length) as usize)?;
        let lines: Vec<&str> = std::str::from_utf8(head).ok()?.split('\n').collect();
        let [id, bed, seed, start, end, step, subject, place, districts] = lines[..] else {
            return None;
        };
        let scenario = scenario::find(id)?;
        let districts = districts.split(' ').filter(|it| !it.is_empty());
        Some(Self {
            scenario,
            bed: bed.parse().ok()?,
            seed: seed.parse().ok()?,
            span: Span { start: Mono(start.parse().ok()?), end: Mono(end.parse().ok()?) },
            step: Micros(step.parse().ok()?),
            report: FaultReport {
                number: 1,
                scenario: scenario.id,
                subject: subject.to_owned(),
                place: place.to_owned(),
                districts: districts.filter_map(|it| it.parse().ok().map(DistrictIx)).collect(),
                poles: Vec::new(),
                amps: 0.0,
            },
            readings: readings.chunks_exact(READING).filter_map(unpacked).collect(),
        })
    }

    /// Plays it to a fresh supervisor in the steps of the session; the records that it made.
    pub fn play(&self, bed: &Bed) -> Vec<FaultRecord> {
        let world = bed.world(Plan::clean(self.seed));
        let nodes = world.nodes();
        let mut link = link::Link::new(nodes.len());
        let mut supervisor = bed.supervisor();
        let mut records = Vec::new();
        let mut hand_over = |input: Input, at: Mono| {
            supervisor.handle(input, at);
            while let Some(Output { what, .. }) = supervisor.poll_output() {
                if let Decision::FaultClosed(record) = what {
                    records.push(*record);
                }
            }
        };
        for (at, node) in nodes.iter().enumerate() {
            hand_over(link::birth(at, node), Mono::START);
        }
        let mut now = Mono::START;
        let mut next = 0;
        while next < self.readings.len() {
            let to = now + self.step;
            while let Some(reading) = self.readings.get(next).filter(|it| it.at <= to) {
                next += 1;
                now = reading.at.max(now);
                for input in link.reading(reading, &bed.channels) {
                    hand_over(input, now);
                }
            }
            now = now.max(to);
            for input in link.silences(now) {
                hand_over(input, now);
            }
            hand_over(Input::Tick, now);
        }
        records
    }
}

/// Begins a folder: what its layouts are drawn from.
pub fn start(folder: &Path, seed: u64, layouts: usize) -> Result<()> {
    std::fs::create_dir_all(folder)?;
    std::fs::write(folder.join("run"), format!("{seed} {layouts}\n"))
}

/// Seed and number of the layouts of a folder.
pub fn run(folder: &Path) -> Option<(u64, usize)> {
    let text = std::fs::read_to_string(folder.join("run")).ok()?;
    let (seed, layouts) = text.trim().split_once(' ')?;
    Some((seed.parse().ok()?, layouts.parse().ok()?))
}

/// The tapes of a folder, in order.
pub fn list(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten().map(|it| it.path());
    let mut tapes: Vec<PathBuf> =
        entries.filter(|it| it.extension().is_some_and(|it| it == "tape")).collect();
    tapes.sort();
    tapes
}

fn packed(reading: &SimReading) -> [u8; READING] {
    let word = |word: &str| {
        WORDS.iter().position(|it| *it == word).expect("a word that sensors say") as f64
    };
    let (kind, value) = match reading.value {
        SimValue::Number(number) => (NUMBER, number),
        SimValue::Word(said) => (WORD, word(said)),
        SimValue::Invalid(why) => (INVALID, word(why)),
    };
    let mut bytes = [0; READING];
    bytes[0..4].copy_from_slice(&(reading.at.0 as u32).to_le_bytes());
    bytes[4..6].copy_from_slice(&(reading.channel.0 as u16).to_le_bytes());
    bytes[6..8].copy_from_slice(&(reading.node as u16).to_le_bytes());
    bytes[8..12].copy_from_slice(&(reading.number as u32).to_le_bytes());
    bytes[12..16].copy_from_slice(&(reading.node_ms as u32).to_le_bytes());
    bytes[16] = kind;
    bytes[17..25].copy_from_slice(&value.to_le_bytes());
    bytes
}

fn unpacked(bytes: &[u8]) -> Option<SimReading> {
    let four = |from: usize| bytes.get(from..from + 4)?.try_into().ok().map(u32::from_le_bytes);
    let two = |from: usize| bytes.get(from..from + 2)?.try_into().ok().map(u16::from_le_bytes);
    let value = f64::from_le_bytes(bytes.get(17..25)?.try_into().ok()?);
    let word = || WORDS.get(value as usize).copied();
    Some(SimReading {
        at: Mono(u64::from(four(0)?)),
        channel: ChannelIx(two(4)?.into()),
        value: match bytes[16] {
            NUMBER => SimValue::Number(value),
            WORD => SimValue::Word(word()?),
            _ => SimValue::Invalid(word()?),
        },
        node: usize::from(two(6)?),
        number: u64::from(four(8)?),
        node_ms: u64::from(four(12)?),
    })
}
