//! How long each district was on. Only the time in which Checkrail watched counts.

use serde::Serialize;

use crate::{
    json::Summary,
    reader::{ReadError, Reader},
};

/// One run, clipped to the span. Unit: microseconds since 1970.
pub(super) struct Run {
    id: i64,
    pub(super) layout: String,
    pub(super) from: i64,
    pub(super) to: i64,
}

/// Power of one district over the span.
#[derive(Clone, Debug, Serialize)]
pub struct District {
    /// Id.
    pub district: String,
    /// Proved on. Unit: s.
    pub on_s: f64,
    /// Off, being cut or coming on. Unit: s.
    pub off_s: f64,
    /// Not known on or off, or not recorded. Unit: s.
    pub unknown_s: f64,
    /// `on_s` of the time known. Unit: %. None where nothing is known.
    pub uptime: Option<f64>,
    /// How often it went off.
    pub cuts: usize,
    /// Faults recorded in it.
    pub faults: usize,
    /// What it was, in order: for drawing.
    pub stretches: Vec<Stretch>,
}

/// A stretch of time with one state.
#[derive(Clone, Debug, Serialize)]
pub struct Stretch {
    /// Start. Unit: microseconds since 1970.
    pub from_us: i64,
    /// End.
    pub to_us: i64,
    /// `on`, `off` or `unknown`.
    pub state: &'static str,
}

/// A run ends where it was last seen to work: a killed program has said nothing of what came after.
pub(super) fn runs(reader: &Reader, from_us: i64, to_us: i64) -> Result<Vec<Run>, ReadError> {
    let mut read = reader.db.prepare_cached(
        "SELECT id, layout, max(started_us, ?1), min(coalesce(seen_us, started_us), ?2) FROM run \
         WHERE started_us < ?2 AND ?1 < coalesce(seen_us, started_us) ORDER BY started_us",
    )?;
    let rows = read.query_map([from_us, to_us], |row| {
        Ok(Run { id: row.get(0)?, layout: row.get(1)?, from: row.get(2)?, to: row.get(3)? })
    })?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

pub(super) fn districts(
    reader: &Reader,
    runs: &[Run],
    faults: &[Summary],
) -> Result<Vec<District>, ReadError> {
    let mut names = reader.db.prepare_cached(
        "SELECT DISTINCT feed FROM power WHERE run = ? AND feed LIKE 'district/%' ORDER BY feed",
    )?;
    let mut all: Vec<String> = Vec::new();
    for run in runs {
        for name in names.query_map([run.id], |row| row.get(0))? {
            all.push(name?);
        }
    }
    all.sort();
    all.dedup();
    all.iter().map(|feed| district(reader, runs, faults, feed)).collect()
}

fn district(
    reader: &Reader,
    runs: &[Run],
    faults: &[Summary],
    feed: &str,
) -> Result<District, ReadError> {
    let id = feed.strip_prefix("district/").unwrap_or(feed);
    let mut stretches = Vec::new();
    for run in runs {
        stretches.extend(of_run(reader, run, feed)?);
    }
    let seconds = |state: &str| {
        let of = stretches.iter().filter(|it: &&Stretch| it.state == state);
        of.map(|it| (it.to_us - it.from_us) as f64 / 1e6).sum::<f64>()
    };
    let (on_s, off_s) = (seconds("on"), seconds("off"));
    let known = on_s + off_s;
    Ok(District {
        district: id.to_owned(),
        on_s,
        off_s,
        unknown_s: seconds("unknown"),
        uptime: (known > 0.0).then(|| on_s / known * 100.0),
        cuts: stretches.windows(2).filter(|it| it[0].state == "on" && it[1].state == "off").count(),
        faults: faults.iter().filter(|it| it.district == id).count(),
        stretches,
    })
}

/// The states of one feed in one run. Before its first state it is unknown.
fn of_run(reader: &Reader, run: &Run, feed: &str) -> Result<Vec<Stretch>, ReadError> {
    let mut read = reader.db.prepare_cached(
        "SELECT utc_us, state FROM power WHERE run = ? AND feed = ? AND utc_us < ? ORDER BY id",
    )?;
    let mut stretches: Vec<Stretch> = Vec::new();
    let (mut since, mut state) = (run.from, "unknown");
    let changes = read.query_map(rusqlite::params![run.id, feed, run.to], |row| {
        Ok((row.get::<_, i64>(0)?, row.get::<_, String>(1)?))
    })?;
    for change in changes {
        let (at, word) = change?;
        push(&mut stretches, since, at.max(run.from), state);
        (since, state) = (at.max(run.from), kind(&word));
    }
    push(&mut stretches, since, run.to, state);
    Ok(stretches)
}

fn push(stretches: &mut Vec<Stretch>, from_us: i64, to_us: i64, state: &'static str) {
    if to_us <= from_us {
        return;
    }
    match stretches.last_mut() {
        Some(last) if last.state == state && last.to_us == from_us => last.to_us = to_us,
        _ => stretches.push(Stretch { from_us, to_us, state }),
    }
}

/// A cut that would not take leaves the district on: it counts as not known, for the proof failed.
fn kind(word: &str) -> &'static str {
    match word {
        "on" => "on",
        "cutting" | "cut" | "restoring" => "off",
        _ => "unknown",
    }
}
