//! The history as the dashboard asks for it. Each question opens its own connection: a slow one holds up no other.

use std::{path::PathBuf, time::Duration};

use dashboard::{Archive, ArchiveError, Download, FaultQuery, Form};
use history::{
    Filter, Item, ReadError, Reader, Scribe, What,
    export::{self, Format},
    json::Fault,
    report::{self, TimeZone},
    session::{self, Session},
};
use serde_json::Value;
use supervision::record::FaultNumber;
use wiring::units::Mono;

use crate::clock;

/// A note is refused when it is not on the disk after so long.
const PATIENCE: Duration = Duration::from_secs(2);

type Answer<T> = Result<T, ArchiveError>;

/// The history in a folder.
#[derive(Debug)]
pub struct Shelf {
    folder: PathBuf,
    scribe: Scribe,
}

impl Shelf {
    /// The history that is written by the owner of `scribe`.
    #[must_use]
    pub const fn new(folder: PathBuf, scribe: Scribe) -> Self {
        Self { folder, scribe }
    }

    /// None where nothing was recorded yet.
    fn open(&self) -> Answer<Option<Reader>> {
        match Reader::open(&self.folder) {
            Ok(reader) => Ok(Some(reader)),
            Err(ReadError::None(_)) => Ok(None),
            Err(why) => Err(unreadable(&why)),
        }
    }

    fn one(&self, number: u32) -> Answer<Fault> {
        let reader = self.open()?.ok_or(ArchiveError::Unknown)?;
        reader.fault(number).map_err(|why| match why {
            ReadError::NoFault(_) => ArchiveError::Unknown,
            other => unreadable(&other),
        })
    }

    /// Returns when it is durable.
    fn write(&self, what: What) -> Answer<()> {
        // Only the wall clock of what a person wrote is kept.
        let item = Item { at: Mono::START, utc: clock::wall_now(), what };
        if self.scribe.write(item, PATIENCE) { Ok(()) } else { Err(ArchiveError::NotSaved) }
    }

    fn span(&self, from: Option<&str>, to: Option<&str>) -> Answer<Session> {
        let reader = self.open()?.ok_or(ArchiveError::Unknown)?;
        let to = instant(to)?.unwrap_or_else(clock::wall_now);
        let from = match instant(from)? {
            Some(from) => from,
            None => reader.last_start().map_err(|why| unreadable(&why))?.unwrap_or(to),
        };
        reader.session(from, to).map_err(|why| unreadable(&why))
    }
}

impl Archive for Shelf {
    fn faults(&self, query: &FaultQuery) -> Answer<Value> {
        let Some(reader) = self.open()? else { return Ok(Value::Array(Vec::new())) };
        let filter = Filter {
            district: query.district.clone(),
            cause: query.cause.clone(),
            suspect: query.suspect.clone(),
            before: query.before,
            from_us: instant(query.from.as_deref())?,
            to_us: instant(query.to.as_deref())?,
            most: Some(query.limit),
        };
        to_json(&reader.faults(&filter).map_err(|why| unreadable(&why))?)
    }

    fn fault(&self, number: u32) -> Answer<Value> {
        to_json(&self.one(number)?)
    }

    fn fault_file(&self, number: u32, form: Form) -> Answer<Download> {
        let fault = self.one(number)?;
        let comtrade = |format| export::comtrade(&fault, "checkrail", format);
        let (ending, kind, bytes) = match form {
            Form::Json => ("json", "application/json", export::json(&fault).into_bytes()),
            Form::Csv => ("csv", CSV, export::csv(&fault).into_bytes()),
            Form::Text => ("txt", TEXT, report::show(&fault, &TimeZone::system()).into_bytes()),
            Form::Cfg => ("cfg", TEXT, comtrade(Format::Ascii).cfg.into_bytes()),
            Form::Dat => ("dat", TEXT, comtrade(Format::Ascii).dat),
            Form::CfgBinary => ("cfg", TEXT, comtrade(Format::Binary).cfg.into_bytes()),
            Form::DatBinary => ("dat", "application/octet-stream", comtrade(Format::Binary).dat),
            Form::Html => return Err(unfit()),
        };
        Ok(Download { name: format!("fault-{number}.{ending}"), kind, bytes })
    }

    fn note(&self, number: u32, who: &str, text: &str) -> Answer<()> {
        self.one(number)?;
        let (who, text) = (who.to_owned(), text.to_owned());
        self.write(What::Note { fault: FaultNumber(number), who, text })
    }

    fn commissioned(&self, machine: Option<&str>) -> Answer<Value> {
        let Some(reader) = self.open()? else { return Ok(Value::Array(Vec::new())) };
        to_json(&reader.commissioned(machine).map_err(|why| unreadable(&why))?)
    }

    fn machines(&self) -> Answer<Value> {
        let Some(reader) = self.open()? else { return Ok(Value::Array(Vec::new())) };
        to_json(&reader.machines().map_err(|why| unreadable(&why))?)
    }

    fn machines_file(&self, form: Form) -> Answer<Download> {
        let rows = match self.open()? {
            Some(reader) => reader.machines().map_err(|why| unreadable(&why))?,
            None => Vec::new(),
        };
        let (ending, kind, text) = match form {
            Form::Json => ("json", "application/json", to_json(&rows)?.to_string()),
            Form::Csv => ("csv", CSV, export::machines_csv(&rows)),
            Form::Text => ("txt", TEXT, report::machines(&rows)),
            Form::Html | Form::Cfg | Form::Dat | Form::CfgBinary | Form::DatBinary => {
                return Err(unfit());
            }
        };
        Ok(Download { name: format!("machines.{ending}"), kind, bytes: text.into_bytes() })
    }

    fn session(&self, from: Option<&str>, to: Option<&str>) -> Answer<Value> {
        to_json(&self.span(from, to)?)
    }

    fn session_file(
        &self,
        from: Option<&str>,
        to: Option<&str>,
        form: Form,
        demo: bool,
    ) -> Answer<Download> {
        let span = self.span(from, to)?;
        let (ending, kind, text) = match form {
            Form::Html => {
                let mark = demo.then_some("DEMO");
                (
                    "html",
                    "text/html; charset=utf-8",
                    session::html(&span, &TimeZone::system(), mark),
                )
            }
            Form::Json => ("json", "application/json", to_json(&span)?.to_string()),
            Form::Csv | Form::Text | Form::Cfg | Form::Dat | Form::CfgBinary | Form::DatBinary => {
                return Err(unfit());
            }
        };
        let day = span.from.get(..10).unwrap_or_default();
        let name = format!("session-{day}.{ending}");
        Ok(Download { name, kind, bytes: text.into_bytes() })
    }
}

const CSV: &str = "text/csv; charset=utf-8";
const TEXT: &str = "text/plain; charset=utf-8";

fn instant(text: Option<&str>) -> Answer<Option<i64>> {
    let Some(text) = text else { return Ok(None) };
    let found = session::instant(text, &TimeZone::system());
    found.map(Some).ok_or_else(|| ArchiveError::Question {
        reason: "a time is written 2026-11-25, 2026-11-25T19:30 or in RFC 3339".to_owned(),
    })
}

fn unfit() -> ArchiveError {
    ArchiveError::Question { reason: "it does not come in that form".to_owned() }
}

fn unreadable(why: &ReadError) -> ArchiveError {
    ArchiveError::Unreadable { reason: why.to_string() }
}

fn to_json(value: &impl serde::Serialize) -> Answer<Value> {
    serde_json::to_value(value)
        .map_err(|error| ArchiveError::Unreadable { reason: error.to_string() })
}
