//! Reading: a connection of its own, which never writes.

use std::{
    io,
    path::{Path, PathBuf},
};

use rusqlite::{Connection, OpenFlags, OptionalExtension, Row, params};

use crate::{
    codec::{self, BadSamples},
    json, open, render,
    report::time,
    schema,
};

/// Why something cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    /// There is no history yet.
    #[error("no history in {}", .0.display())]
    None(PathBuf),
    /// The file was written by a later version of this program.
    #[error("the history is of version {found}, this program knows up to {known}")]
    TooNew {
        /// Its version.
        found: i64,
        /// The newest that this program knows.
        known: i64,
    },
    /// There is no fault of this number.
    #[error("no fault {0}")]
    NoFault(u32),
    /// The database cannot be read.
    #[error("the history cannot be read")]
    Database(#[from] rusqlite::Error),
    /// A record is not what a writer writes.
    #[error("the record of fault {fault} is damaged")]
    Record {
        /// The fault.
        fault: u32,
        /// What is wrong.
        #[source]
        source: serde_json::Error,
    },
    /// Samples are not what a writer writes.
    #[error("the samples of {channel} in fault {fault} are damaged")]
    Samples {
        /// The fault.
        fault: u32,
        /// The channel.
        channel: String,
        /// What is wrong.
        #[source]
        source: BadSamples,
    },
}

/// Which faults to list. The default lists all.
#[derive(Clone, Debug, Default)]
pub struct Filter {
    /// Only of this district's id.
    pub district: Option<String>,
    /// Only of this cause's word.
    pub cause: Option<String>,
    /// Only with this first or named suspect.
    pub suspect: Option<String>,
    /// Only numbers below this: for the next page.
    pub before: Option<u32>,
    /// Only from this instant on. Unit: microseconds since 1970.
    pub from_us: Option<i64>,
    /// Only before this instant.
    pub to_us: Option<i64>,
    /// At most this many; none: all.
    pub most: Option<usize>,
}

/// The reading side.
#[derive(Debug)]
pub struct Reader {
    pub(crate) db: Connection,
}

const SUMMARY: &str = "SELECT number, district, cause, cause_text, trigger_us, peak_ua, cleared_us, \
                       suspect, share, culprit.subject, record IS NOT NULL, samples \
                       FROM fault LEFT JOIN culprit ON culprit.fault = fault.number";

impl Reader {
    /// Opens the history in `dir` for reading. A daemon may be writing it.
    ///
    /// # Errors
    /// [`ReadError::None`] where there is none yet, and the others.
    pub fn open(dir: &Path) -> Result<Self, ReadError> {
        let path = open::file(dir);
        if path.metadata().is_err_and(|error| error.kind() == io::ErrorKind::NotFound) {
            return Err(ReadError::None(dir.to_owned()));
        }
        let db = Connection::open_with_flags(
            &path,
            OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX,
        )?;
        db.busy_timeout(std::time::Duration::from_secs(5))?;
        db.execute_batch("PRAGMA query_only=ON; PRAGMA trusted_schema=OFF;")?;
        let found = schema::version(&db)?;
        if schema::NEWEST < found {
            return Err(ReadError::TooNew { found, known: schema::NEWEST });
        }
        Ok(Self { db })
    }

    /// Copies the whole history into a new file, while the daemon may be writing: what was saved before the call is in it.
    ///
    /// # Errors
    /// [`ReadError::Database`], also where `to` cannot be written.
    pub fn back_up(&self, to: &Path) -> Result<(), ReadError> {
        Ok(self.db.backup("main", to, None::<fn(rusqlite::backup::Progress)>)?)
    }

    /// Faults, newest first.
    ///
    /// # Errors
    /// [`ReadError::Database`].
    pub fn faults(&self, filter: &Filter) -> Result<Vec<json::Summary>, ReadError> {
        let mut read = self.db.prepare_cached(&format!(
            "{SUMMARY} WHERE (?1 IS NULL OR district = ?1) AND (?2 IS NULL OR cause = ?2) \
             AND (?3 IS NULL OR suspect = ?3 OR culprit.subject = ?3) \
             AND (?4 IS NULL OR number < ?4) AND (?5 IS NULL OR trigger_us >= ?5) \
             AND (?6 IS NULL OR trigger_us < ?6) ORDER BY number DESC LIMIT ?7"
        ))?;
        let most = filter.most.map_or(-1, |most| i64::try_from(most).unwrap_or(i64::MAX));
        let rows = read.query_map(
            params![
                filter.district,
                filter.cause,
                filter.suspect,
                filter.before,
                filter.from_us,
                filter.to_us,
                most
            ],
            summary,
        )?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// One fault in full.
    ///
    /// # Errors
    /// [`ReadError::NoFault`], and the others where the file is damaged.
    pub fn fault(&self, number: u32) -> Result<json::Fault, ReadError> {
        let row = self
            .db
            .prepare_cached(&format!("{SUMMARY} WHERE number = ?"))?
            .query_row([number], summary)
            .optional()?
            .ok_or(ReadError::NoFault(number))?;
        let record: Option<String> = self
            .db
            .prepare_cached("SELECT record FROM fault WHERE number = ?")?
            .query_row([number], |row| row.get(0))?;
        let mut fault = match record {
            Some(text) => serde_json::from_str(&text)
                .map_err(|source| ReadError::Record { fault: number, source })?,
            None => unfinished(row.clone()),
        };
        // The table knows what came after the record: pruning, and who was named.
        fault.summary = row;
        fault.waveforms = self.waveforms(number)?;
        fault.notes = self.notes(number)?;
        fault.naming = self.naming(number)?;
        if !fault.summary.complete {
            fault.events = self.events_of(number, fault.summary.trigger_us)?;
        }
        Ok(fault)
    }

    fn waveforms(&self, fault: u32) -> Result<Vec<json::Waveform>, ReadError> {
        let mut read = self
            .db
            .prepare_cached("SELECT channel, data FROM waveform WHERE fault = ? ORDER BY rowid")?;
        let rows = read
            .query_map([fault], |row| Ok((row.get::<_, String>(0)?, row.get::<_, Vec<u8>>(1)?)))?;
        let mut all = Vec::new();
        for row in rows {
            let (channel, data) = row?;
            match codec::decode(&data) {
                Ok(samples) => all.push(render::waveform(channel, &samples)),
                Err(source) => return Err(ReadError::Samples { fault, channel, source }),
            }
        }
        Ok(all)
    }

    fn notes(&self, fault: u32) -> Result<Vec<json::Note>, ReadError> {
        let mut read = self
            .db
            .prepare_cached("SELECT utc_us, who, text FROM note WHERE fault = ? ORDER BY id")?;
        let rows = read.query_map([fault], |row| {
            Ok(json::Note { at: time::utc(row.get(0)?), who: row.get(1)?, text: row.get(2)? })
        })?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    fn naming(&self, fault: u32) -> Result<Option<json::Naming>, ReadError> {
        let naming = self
            .db
            .prepare_cached("SELECT utc_us, who FROM culprit WHERE fault = ?")?
            .query_row([fault], |row| {
                Ok(json::Naming { at: time::utc(row.get(0)?), who: row.get(1)? })
            })
            .optional()?;
        Ok(naming)
    }

    /// What the event list holds of a fault whose record was never finished.
    fn events_of(&self, fault: u32, trigger_us: i64) -> Result<Vec<json::Event>, ReadError> {
        let mut read = self.db.prepare_cached(
            "SELECT utc_us, kind, subject, text FROM event WHERE fault = ? ORDER BY id",
        )?;
        let rows = read.query_map([fault], |row| {
            Ok(json::Event {
                ms: (row.get::<_, i64>(0)? - trigger_us) as f64 / 1e3,
                kind: row.get(1)?,
                subject: row.get(2)?,
                text: row.get(3)?,
                first_out: false,
            })
        })?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// Lines of the event list from `from_us` until before `to_us`, oldest first, at most `most`.
    ///
    /// # Errors
    /// [`ReadError::Database`].
    pub fn events(
        &self,
        from_us: i64,
        to_us: i64,
        most: usize,
    ) -> Result<Vec<json::Line>, ReadError> {
        let mut read = self.db.prepare_cached(
            "SELECT utc_us, kind, subject, fault, text FROM event \
             WHERE ? <= utc_us AND utc_us < ? ORDER BY utc_us, id LIMIT ?",
        )?;
        let most = i64::try_from(most).unwrap_or(i64::MAX);
        let rows = read.query_map(params![from_us, to_us, most], |row| {
            let at_us = row.get(0)?;
            Ok(json::Line {
                at: time::utc(at_us),
                at_us,
                kind: row.get(1)?,
                subject: row.get(2)?,
                fault: row.get(3)?,
                text: row.get(4)?,
            })
        })?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// What operators did from `from_us` until before `to_us`, oldest first.
    ///
    /// # Errors
    /// [`ReadError::Database`].
    pub fn actions(&self, from_us: i64, to_us: i64) -> Result<Vec<json::Action>, ReadError> {
        let mut read = self.db.prepare_cached(
            "SELECT utc_us, who, what, refused FROM action \
             WHERE ? <= utc_us AND utc_us < ? ORDER BY id",
        )?;
        let rows = read.query_map([from_us, to_us], |row| {
            Ok(json::Action {
                at: time::utc(row.get(0)?),
                who: row.get(1)?,
                what: row.get(2)?,
                refused: row.get(3)?,
            })
        })?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// Results of commissioning, oldest first; of one subject where it is given.
    ///
    /// # Errors
    /// [`ReadError::Database`].
    pub fn commissioning(&self, subject: Option<&str>) -> Result<Vec<json::Proved>, ReadError> {
        let mut read = self.db.prepare_cached(
            "SELECT utc_us, subject, step, passed, detail, who FROM commissioning \
             WHERE ?1 IS NULL OR subject = ?1 ORDER BY id",
        )?;
        let rows = read.query_map([subject], |row| {
            Ok(json::Proved {
                at: time::utc(row.get(0)?),
                subject: row.get(1)?,
                step: row.get(2)?,
                passed: row.get(3)?,
                detail: row.get(4)?,
                who: row.get(5)?,
            })
        })?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }
}

fn summary(row: &Row<'_>) -> rusqlite::Result<json::Summary> {
    let trigger_us = row.get(4)?;
    Ok(json::Summary {
        fault: row.get(0)?,
        district: row.get(1)?,
        cause: row.get(2)?,
        text: row.get(3)?,
        trigger: time::utc(trigger_us),
        trigger_us,
        peak: row.get::<_, Option<i64>>(5)?.map(|micro| micro as f64 / 1e6),
        cleared_ms: row.get::<_, Option<i64>>(6)?.map(|micro| micro as f64 / 1e3),
        suspect: row.get(7)?,
        share: row.get::<_, Option<u32>>(8)?.map(|share| f64::from(share) / 1e3),
        named: row.get(9)?,
        complete: row.get(10)?,
        samples: json::Samples::from_word(&row.get::<_, String>(11)?),
    })
}

/// A fault whose window was open when the program was killed: what is known of it, and no more.
fn unfinished(summary: json::Summary) -> json::Fault {
    json::Fault {
        story: format!(
            "District {}: {}. The record was not finished, so its samples, suspects and contact stress are not \
             known.",
            summary.district, summary.text
        ),
        summary,
        onset_ms: 0.0,
        closed_ms: 0.0,
        cut_short: true,
        cuts: Vec::new(),
        events: Vec::new(),
        positions: Vec::new(),
        polarity: Vec::new(),
        contacts: Vec::new(),
        suspects: Vec::new(),
        inseparable: None,
        advice: Vec::new(),
        advice_done: 0,
        beside: Vec::new(),
        waveforms: Vec::new(),
        notes: Vec::new(),
        naming: None,
    }
}
