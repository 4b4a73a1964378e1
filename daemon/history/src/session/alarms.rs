//! Alarms by kind and rate. The figures and their targets follow ISA-18.2 / IEC 62682 from memory: average per ten
//! minutes, share of ten-minute periods in flood, distribution over priorities, chattering, stale.

use std::collections::BTreeMap;

use serde::Serialize;

use super::uptime::Run;
use crate::reader::{ReadError, Reader};

/// Unit of rates: ten minutes. Unit: us.
const PERIOD: i64 = 600_000_000;

/// More than so many alarms in ten minutes are a flood.
const FLOOD: usize = 10;

/// So often within a minute is chattering.
const CHATTER: usize = 3;
const MINUTE: i64 = 60_000_000;

/// Standing so long is stale. Unit: us.
const STALE: i64 = 24 * 3_600_000_000;

/// The alarms of a span.
#[derive(Clone, Debug, Serialize)]
pub struct Alarms {
    /// Alarms shown to a person. Those gathered under another are not counted.
    pub shown: usize,
    /// Gathered under another alarm.
    pub gathered: usize,
    /// Average in ten minutes of watching. None where less than ten minutes were watched.
    pub per_ten_minutes: Option<f64>,
    /// Most in one ten-minute period.
    pub most_in_ten_minutes: usize,
    /// Share of ten-minute periods with more than ten. Unit: %. None where less than ten minutes were watched.
    pub in_flood: Option<f64>,
    /// Of priority high, medium, low.
    pub by_priority: [usize; 3],
    /// By kind, the most frequent first.
    pub kinds: Vec<Kind>,
    /// Alarms, as `kind subject`, that came three times within a minute.
    pub chattering: Vec<String>,
    /// Alarms that stood for more than 24 h.
    pub stale: Vec<String>,
}

/// One kind of alarm.
#[derive(Clone, Debug, Serialize)]
pub struct Kind {
    /// Its word.
    pub kind: String,
    /// Its highest priority.
    pub priority: String,
    /// How often it was shown.
    pub count: usize,
    /// What it was about most often.
    pub most: String,
}

struct Change {
    at: i64,
    kind: String,
    subject: String,
    transition: String,
    priority: String,
    gathered: bool,
}

impl Change {
    fn name(&self) -> String {
        format!("{} {}", self.kind, self.subject)
    }
}

pub(super) fn alarms(
    reader: &Reader,
    runs: &[Run],
    from_us: i64,
    to_us: i64,
) -> Result<Alarms, ReadError> {
    let mut read = reader.db.prepare_cached(
        "SELECT utc_us, kind, subject, transition, priority, gathered FROM alarm_change \
         WHERE ? <= utc_us AND utc_us < ? ORDER BY utc_us, id",
    )?;
    let rows = read.query_map([from_us, to_us], |row| {
        Ok(Change {
            at: row.get(0)?,
            kind: row.get(1)?,
            subject: row.get(2)?,
            transition: row.get(3)?,
            priority: row.get(4)?,
            gathered: row.get(5)?,
        })
    })?;
    let all = rows.collect::<rusqlite::Result<Vec<_>>>()?;
    let raised = all.iter().filter(|it| it.transition == "raised");
    let (gathered, shown): (Vec<&Change>, Vec<&Change>) = raised.partition(|it| it.gathered);
    let counts = periods(runs, &shown);
    let whole = counts.len() as f64;
    let watched: i64 = runs.iter().map(|it| it.to - it.from).sum();
    let enough = PERIOD <= watched;
    let flooded = counts.iter().filter(|it| FLOOD < **it).count();
    Ok(Alarms {
        shown: shown.len(),
        gathered: gathered.len(),
        per_ten_minutes: enough.then(|| shown.len() as f64 / (watched as f64 / PERIOD as f64)),
        most_in_ten_minutes: counts.iter().copied().max().unwrap_or(0),
        in_flood: enough.then(|| flooded as f64 / whole * 100.0),
        by_priority: ["high", "medium", "low"]
            .map(|word| shown.iter().filter(|it| it.priority == word).count()),
        kinds: kinds(&shown),
        chattering: chattering(&shown),
        stale: stale(&all, runs.last().map_or(to_us, |it| it.to)),
    })
}

/// Alarms in each ten-minute period of each run; the last one of a run may be shorter.
fn periods(runs: &[Run], shown: &[&Change]) -> Vec<usize> {
    let mut counts = Vec::new();
    for run in runs {
        let mut from = run.from;
        while from < run.to {
            let to = (from + PERIOD).min(run.to);
            counts.push(shown.iter().filter(|it| (from..to).contains(&it.at)).count());
            from = to;
        }
    }
    counts
}

fn kinds(shown: &[&Change]) -> Vec<Kind> {
    let mut all: BTreeMap<&str, Vec<&Change>> = BTreeMap::new();
    for change in shown {
        all.entry(&change.kind).or_default().push(change);
    }
    let mut kinds: Vec<Kind> = all.into_iter().map(|(kind, changes)| one(kind, &changes)).collect();
    kinds.sort_by_key(|it| std::cmp::Reverse(it.count));
    kinds
}

fn one(kind: &str, changes: &[&Change]) -> Kind {
    let mut subjects: BTreeMap<&str, usize> = BTreeMap::new();
    for change in changes {
        *subjects.entry(&change.subject).or_default() += 1;
    }
    let most = subjects.iter().max_by_key(|(_, count)| **count);
    let highest = |word: &&str| changes.iter().any(|it| it.priority == *word);
    Kind {
        kind: kind.to_owned(),
        priority: ["high", "medium", "low"]
            .iter()
            .find(|it| highest(it))
            .map_or("", |it| it)
            .to_owned(),
        count: changes.len(),
        most: most.map_or_else(String::new, |(subject, _)| (*subject).to_owned()),
    }
}

fn chattering(shown: &[&Change]) -> Vec<String> {
    let mut times: BTreeMap<String, Vec<i64>> = BTreeMap::new();
    for change in shown {
        times.entry(change.name()).or_default().push(change.at);
    }
    let often = |at: &Vec<i64>| at.windows(CHATTER).any(|it| it[CHATTER - 1] - it[0] <= MINUTE);
    times.into_iter().filter(|(_, at)| often(at)).map(|(name, _)| name).collect()
}

/// Raised in the span and standing for a day, until it cleared or the span's watching ended.
fn stale(all: &[Change], end: i64) -> Vec<String> {
    let mut since: BTreeMap<String, i64> = BTreeMap::new();
    let mut stale = Vec::new();
    for change in all {
        match change.transition.as_str() {
            "raised" => {
                since.entry(change.name()).or_insert(change.at);
            }
            "cleared" | "cleared-unacknowledged" | "reset" => {
                let stood = since.remove(&change.name()).map_or(0, |from| change.at - from);
                stale.extend((STALE <= stood).then(|| change.name()));
            }
            _ => {}
        }
    }
    stale.extend(since.into_iter().filter(|(_, from)| STALE <= end - from).map(|(name, _)| name));
    stale
}
