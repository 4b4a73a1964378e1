//! What a run has found so far, a line for each trial: a run that is stopped goes on where it stopped, and what several
//! runs have found adds up.
//!
//! ```text
//! fault seed=2031/24 at=17 F01 tried=1 flowed=1 cut=1/1 … millis=28.4
//! clean seed=2031 at=3 hours=2 processor=4.2 alarm=machine-slow:3 cut="seed 5, 30 turnouts, session 8: …"
//! ```

use std::{
    collections::BTreeSet,
    fmt::Write as _,
    fs::{File, OpenOptions},
    io::Write as _,
};

use super::{draw::Clean, tally::Tally};

/// The lines of a file, if there is one, and those that are added.
#[derive(Default)]
pub struct Ledger {
    lines: Vec<String>,
    file: Option<File>,
}

impl Ledger {
    /// Reads what a file holds and adds to it.
    pub fn open(path: &str) -> Self {
        let held = std::fs::read_to_string(path).unwrap_or_default();
        let file = OpenOptions::new().create(true).append(true).open(path);
        let file = Some(file.expect("the log of the run can be written"));
        Self { lines: held.lines().map(str::to_owned).collect(), file }
    }

    fn add(&mut self, line: String) {
        if let Some(file) = &mut self.file {
            writeln!(file, "{line}").expect("the log of the run can be written");
        }
        self.lines.push(line);
    }

    /// Which trials of a kind and seed are there.
    pub fn done(&self, kind: &str, seed: &str) -> BTreeSet<usize> {
        let start = format!("{kind} seed={seed} at=");
        let rest = self.lines.iter().filter_map(|line| line.strip_prefix(&start));
        rest.filter_map(|rest| rest.split(' ').next()?.parse().ok()).collect()
    }

    pub fn add_fault(&mut self, seed: &str, at: usize, scenario: &str, tally: &Tally) {
        self.add(format!("fault seed={seed} at={at} {scenario} {}", tally.line()));
    }

    /// A fault that found no place on any layout is done as well.
    pub fn add_no_place(&mut self, seed: &str, at: usize) {
        self.add(format!("fault seed={seed} at={at}"));
    }

    pub fn add_clean(&mut self, seed: &str, at: usize, it: &Clean) {
        let Clean { hours, processor, .. } = it;
        let mut line = format!("clean seed={seed} at={at} hours={hours} processor={processor:.2}");
        for (kind, count) in &it.alarms {
            let _ = write!(line, " alarm={kind}:{count}");
        }
        for cut in &it.cuts {
            let _ = write!(line, " cut=\"{cut}\"");
        }
        self.add(line);
    }

    /// Scenario and tally of each fault.
    pub fn faults(&self) -> impl Iterator<Item = (&str, Tally)> {
        self.lines.iter().filter_map(|line| {
            let mut words = line.strip_prefix("fault ")?.splitn(4, ' ');
            let scenario = words.nth(2)?;
            Some((scenario, Tally::of_line(words.next()?)))
        })
    }

    /// All clean traffic together.
    pub fn clean(&self) -> Clean {
        let mut all = Clean::default();
        for line in self.lines.iter().filter(|line| line.starts_with("clean ")) {
            let mut parts = line.split(" cut=\"");
            for word in parts.next().into_iter().flat_map(|plain| plain.split(' ')) {
                match word.split_once('=') {
                    Some(("hours", value)) => all.hours += value.parse().unwrap_or(0.0),
                    Some(("processor", value)) => all.processor += value.parse().unwrap_or(0.0),
                    Some(("alarm", value)) => {
                        let Some((kind, count)) = value.split_once(':') else { continue };
                        *all.alarms.entry(kind.to_owned()).or_default() +=
                            count.parse().unwrap_or(0);
                    }
                    Some(_) | None => {}
                }
            }
            all.cuts.extend(parts.map(|cut| cut.trim_end_matches('"').to_owned()));
        }
        all
    }
}
