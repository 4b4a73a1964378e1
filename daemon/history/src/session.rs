//! The session report: what a span of time was like. Everything from the history; what it does not hold is not said.

mod alarms;
mod html;
mod uptime;

use jiff::{Timestamp, civil, tz::TimeZone};
use serde::Serialize;

pub use alarms::{Alarms, Kind};
pub use html::html;
pub use uptime::{District, Stretch};

use crate::{
    json,
    reader::{Filter, ReadError, Reader},
    report::time,
};

/// Turnouts named as the busiest.
const BUSIEST: usize = 10;

/// What one span of time was like.
#[derive(Clone, Debug, Serialize)]
pub struct Session {
    /// Name of the layout, of the last run in the span.
    pub layout: Option<String>,
    /// Start. RFC 3339, UTC.
    pub from: String,
    /// The same. Unit: microseconds since 1970.
    pub from_us: i64,
    /// End. RFC 3339, UTC.
    pub to: String,
    /// The same. Unit: microseconds since 1970.
    pub to_us: i64,
    /// Time in which Checkrail watched. Unit: s.
    pub watched_s: f64,
    /// Starts of Checkrail that touch the span.
    pub runs: usize,
    /// Power by district.
    pub districts: Vec<District>,
    /// Faults, oldest first.
    pub faults: Vec<json::Summary>,
    /// Alarms and their rates.
    pub alarms: Alarms,
    /// The machines that threw most.
    pub busiest: Vec<Busy>,
    /// Machines to watch or to replace, as of now, not as of the span.
    pub due: Vec<json::Machine>,
    /// What operators did.
    pub actions: Vec<json::Action>,
}

/// Throws of one machine in the span.
#[derive(Clone, Debug, Serialize)]
pub struct Busy {
    /// `machine/T14`.
    pub machine: String,
    /// Throws, by whole minutes of the clock.
    pub throws: u32,
}

impl Reader {
    /// The session from `from_us` until before `to_us`. Unit: microseconds since 1970.
    ///
    /// # Errors
    /// [`ReadError::Database`].
    pub fn session(&self, from_us: i64, to_us: i64) -> Result<Session, ReadError> {
        let runs = uptime::runs(self, from_us, to_us)?;
        let watched: i64 = runs.iter().map(|it| it.to - it.from).sum();
        let filter = Filter { from_us: Some(from_us), to_us: Some(to_us), ..Filter::default() };
        let mut faults = self.faults(&filter)?;
        faults.reverse();
        Ok(Session {
            layout: runs.last().map(|it| it.layout.clone()),
            from: time::utc(from_us),
            from_us,
            to: time::utc(to_us),
            to_us,
            watched_s: watched as f64 / 1e6,
            runs: runs.len(),
            districts: uptime::districts(self, &runs, &faults)?,
            alarms: alarms::alarms(self, &runs, from_us, to_us)?,
            busiest: self.busiest(from_us, to_us)?,
            due: self.machines()?.into_iter().filter(|it| it.verdict != "good").collect(),
            actions: self.actions(from_us, to_us)?,
            faults,
        })
    }

    /// The start of the newest run, for a report of the session that is under way or just over. Unit: microseconds since
    /// 1970. None where nothing ever ran.
    ///
    /// # Errors
    /// [`ReadError::Database`].
    pub fn last_start(&self) -> Result<Option<i64>, ReadError> {
        Ok(self.db.query_row("SELECT max(started_us) FROM run", [], |row| row.get(0))?)
    }

    fn busiest(&self, from_us: i64, to_us: i64) -> Result<Vec<Busy>, ReadError> {
        let mut read = self.db.prepare_cached(
            "SELECT machine, sum(throws) FROM thrown WHERE ?1 / 60000000 <= minute \
             AND minute <= ?2 / 60000000 GROUP BY machine ORDER BY 2 DESC, 1 LIMIT ?3",
        )?;
        let rows = read.query_map(rusqlite::params![from_us, to_us, BUSIEST as i64], |row| {
            Ok(Busy { machine: row.get(0)?, throws: row.get(1)? })
        })?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }
}

/// An instant as a person writes it: `2026-11-25`, `2026-11-25 19:30`, or RFC 3339. A date alone is its midnight. Unit:
/// microseconds since 1970. None: it is none of these.
#[must_use]
pub fn instant(text: &str, zone: &TimeZone) -> Option<i64> {
    let text = text.trim();
    if let Ok(stamp) = text.parse::<Timestamp>() {
        return Some(stamp.as_microsecond());
    }
    let civil: civil::DateTime = text.parse().ok()?;
    Some(zone.to_timestamp(civil).ok()?.as_microsecond())
}
