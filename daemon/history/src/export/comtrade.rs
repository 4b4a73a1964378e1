//! COMTRADE (IEEE C37.111-2013, IEC 60255-24:2013): a configuration and a data file, data as ASCII or BINARY.
//!
//! Channels send when they like, so the record is one without a rate (`nrates` 0): one row for each instant at which any
//! channel has a sample. A current or voltage holds until its next sample, 250 ms at most, which is the longest silence of
//! a current; beyond, and where a reading had no value, it is missing. Words become status channels, one a word. Instants
//! are UTC. Layout of both files from memory of the standard and public data dictionaries, checked with a reader.

use std::fmt::Write;

use serde_json::Value;

use crate::{
    json::{Fault, Waveform},
    report::time,
};

/// Kind of the data file.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Format {
    /// Text.
    Ascii,
    /// Binary, 16 bits a value.
    Binary,
}

/// Both files.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Comtrade {
    /// `NAME.cfg`.
    pub cfg: String,
    /// `NAME.dat`.
    pub dat: Vec<u8>,
}

/// How long a value holds without a new sample. Unit: microseconds.
const HOLD_US: i64 = 250_000;

/// Raw values stay within this: a bit less than 16 bits, and clear of the marks for missing values.
const RAW_MAX: i64 = 32_766;

/// A value that is missing, as ASCII writes it.
const MISSING_ASCII: &str = "99999";

/// A value that is missing, as BINARY writes it.
const MISSING_BINARY: i16 = i16::MIN;

/// Characters of a channel's or station's name at most.
const NAME_MAX: usize = 64;

/// The record of `fault`. `station` is the layout's name.
#[must_use]
pub fn comtrade(fault: &Fault, station: &str, format: Format) -> Comtrade {
    let record = Record::of(fault);
    Comtrade { cfg: record.cfg(fault, station, format), dat: record.dat(format) }
}

/// An analog channel: raw values by row.
struct Analog {
    name: String,
    unit: String,
    /// Value of one raw step, in units.
    step: f64,
    raw: Vec<Option<i64>>,
}

/// A status channel: states by row.
struct Status {
    name: String,
    on: Vec<bool>,
}

struct Record {
    /// Instants of the rows, microseconds from the trigger.
    rows: Vec<i64>,
    analog: Vec<Analog>,
    status: Vec<Status>,
}

impl Record {
    fn of(fault: &Fault) -> Self {
        let mut rows: Vec<i64> =
            fault.waveforms.iter().flat_map(|it| &it.ms).map(|ms| micros(*ms)).collect();
        rows.extend(cut_instants(fault));
        rows.push(0);
        rows.sort_unstable();
        rows.dedup();
        let (numbers, words): (Vec<&Waveform>, Vec<&Waveform>) =
            fault.waveforms.iter().partition(|it| it.unit.is_some());
        let analog = numbers.into_iter().map(|it| analog(it, &rows)).collect();
        let mut status = vec![Status {
            name: "trigger".to_owned(),
            on: rows.iter().map(|at| 0 <= *at).collect(),
        }];
        status.extend(fault.cuts.iter().flat_map(|cut| {
            let since = |name: &str, ms: Option<f64>| Status {
                name: format!("{} {name}", cut.feed),
                on: rows.iter().map(|at| ms.is_some_and(|ms| micros(ms) <= *at)).collect(),
            };
            [since("cut ordered", Some(cut.ordered_ms)), since("cut proved", cut.proved_ms)]
        }));
        status.extend(words.into_iter().flat_map(|it| statuses(it, &rows)));
        Self { rows, analog, status }
    }

    fn cfg(&self, fault: &Fault, station: &str, format: Format) -> String {
        let first = self.rows.first().copied().unwrap_or(0);
        let (analogs, statuses) = (self.analog.len(), self.status.len());
        let mut out = format!("{},checkrail,2013\r\n", clean(station));
        let mut line = |text: String| {
            let _ = write!(out, "{text}\r\n");
        };
        line(format!("{},{analogs}A,{statuses}D", analogs + statuses));
        for (at, it) in self.analog.iter().enumerate() {
            let (low, high) = it.range();
            let (name, object) = (clean(&it.name), clean(object_of(&it.name)));
            line(format!(
                "{},{name},,{object},{},{},0,0,{low},{high},1,1,P",
                at + 1,
                it.unit,
                it.step
            ));
        }
        for (at, it) in self.status.iter().enumerate() {
            line(format!("{},{},,{},0", at + 1, clean(&it.name), clean(object_of(&it.name))));
        }
        line(String::new()); // No line frequency: track current is no power line.
        line("0".to_owned());
        line(format!("0,{}", self.rows.len()));
        line(time::comtrade(fault.summary.trigger_us + first));
        line(time::comtrade(fault.summary.trigger_us));
        line(match format {
            Format::Ascii => "ASCII".to_owned(),
            Format::Binary => "BINARY".to_owned(),
        });
        line("1".to_owned());
        line("0,0".to_owned());
        // Quality of time: within ten seconds, the weakest that says anything; leap seconds not known.
        line("B,3".to_owned());
        out
    }

    fn dat(&self, format: Format) -> Vec<u8> {
        let first = self.rows.first().copied().unwrap_or(0);
        let mut out = Vec::new();
        for (row, at) in self.rows.iter().enumerate() {
            let stamp = at - first;
            match format {
                Format::Ascii => self.ascii_row(&mut out, row, stamp),
                Format::Binary => self.binary_row(&mut out, row, stamp),
            }
        }
        out
    }

    fn ascii_row(&self, out: &mut Vec<u8>, row: usize, stamp: i64) {
        let mut cells = vec![(row + 1).to_string(), stamp.to_string()];
        cells.extend(
            self.analog.iter().map(|it| {
                it.raw[row].map_or_else(|| MISSING_ASCII.to_owned(), |raw| raw.to_string())
            }),
        );
        cells.extend(self.status.iter().map(|it| u8::from(it.on[row]).to_string()));
        out.extend_from_slice(cells.join(",").as_bytes());
        out.extend_from_slice(b"\r\n");
    }

    fn binary_row(&self, out: &mut Vec<u8>, row: usize, stamp: i64) {
        let number = u32::try_from(row + 1).unwrap_or(u32::MAX);
        // 0xFFFFFFFF marks a missing time; a record of an hour and more does not exist.
        let stamp = u32::try_from(stamp).unwrap_or(u32::MAX - 1);
        out.extend_from_slice(&number.to_le_bytes());
        out.extend_from_slice(&stamp.to_le_bytes());
        for it in &self.analog {
            let raw = it.raw[row].and_then(|raw| i16::try_from(raw).ok()).unwrap_or(MISSING_BINARY);
            out.extend_from_slice(&raw.to_le_bytes());
        }
        for sixteen in self.status.chunks(16) {
            let word = sixteen
                .iter()
                .enumerate()
                .fold(0_u16, |word, (bit, it)| word | u16::from(it.on[row]) << bit);
            out.extend_from_slice(&word.to_le_bytes());
        }
    }
}

impl Analog {
    fn range(&self) -> (i64, i64) {
        let seen = || self.raw.iter().flatten().copied();
        (seen().min().unwrap_or(0), seen().max().unwrap_or(0))
    }
}

fn cut_instants(fault: &Fault) -> impl Iterator<Item = i64> + '_ {
    fault.cuts.iter().flat_map(|cut| [Some(cut.ordered_ms), cut.proved_ms]).flatten().map(micros)
}

fn analog(waveform: &Waveform, rows: &[i64]) -> Analog {
    let highest = waveform
        .values
        .iter()
        .filter_map(Value::as_f64)
        .fold(0.0, |most: f64, it| most.max(it.abs()));
    let step = step_for(highest);
    let held = held(waveform, rows, Some(HOLD_US));
    let raw = held
        .into_iter()
        .map(|value| value.and_then(Value::as_f64).map(|it| (it / step).round() as i64))
        .collect();
    Analog {
        name: waveform.channel.clone(),
        unit: waveform.unit.clone().unwrap_or_default(),
        step,
        raw,
    }
}

/// The smallest of 1, 2, 5 times a power of ten, from a tenth of a milliunit on, that keeps `highest` in range.
fn step_for(highest: f64) -> f64 {
    let mut decade = 1e-4;
    loop {
        for digit in [1.0, 2.0, 5.0] {
            let step = digit * decade;
            if highest / step <= RAW_MAX as f64 {
                // Written and read as decimals: 0.0001, not 0.00010000000000000002.
                return format!("{step:.4}").parse().unwrap_or(step);
            }
        }
        decade *= 10.0;
    }
}

/// A word channel as one status channel a word. Before the first sample all are off.
fn statuses(waveform: &Waveform, rows: &[i64]) -> Vec<Status> {
    let mut words: Vec<&str> = waveform.values.iter().filter_map(Value::as_str).collect();
    words.sort_unstable();
    words.dedup();
    let held = held(waveform, rows, None);
    words
        .into_iter()
        .map(|word| Status {
            name: format!("{} {word}", waveform.channel),
            on: held.iter().map(|it| it.and_then(Value::as_str) == Some(word)).collect(),
        })
        .collect()
}

/// The value that stands at each row: the latest sample, at most `hold` old.
fn held<'a>(waveform: &'a Waveform, rows: &[i64], hold: Option<i64>) -> Vec<Option<&'a Value>> {
    let mut next = 0;
    rows.iter()
        .map(|row| {
            while waveform.ms.get(next).is_some_and(|ms| micros(*ms) <= *row) {
                next += 1;
            }
            let latest = next.checked_sub(1)?;
            let age = row - micros(waveform.ms[latest]);
            hold.is_none_or(|hold| age <= hold).then(|| &waveform.values[latest])
        })
        .collect()
}

fn micros(ms: f64) -> i64 {
    (ms * 1e3).round() as i64
}

/// `district/quarry` of `district/quarry/current`, of `frog/T1/polarity B` and of `district/quarry cut ordered`.
fn object_of(name: &str) -> &str {
    let channel = name.split(' ').next().unwrap_or(name);
    match channel.match_indices('/').nth(1) {
        Some((end, _)) => &channel[..end],
        None => channel,
    }
}

/// A comma or a line end would break the line that the name stands in.
fn clean(name: &str) -> String {
    name.chars()
        .map(|it| if it == ',' || it.is_control() { ';' } else { it })
        .take(NAME_MAX)
        .collect()
}
