//! `checkrail report`: what a session was like, from the history. Works while the daemon runs.

use std::{fs, path::Path};

use history::{
    Reader,
    report::TimeZone,
    session::{self, Session},
};

use crate::{
    cli::{ReportArgs, ReportFormat},
    clock,
    exit::{Exit, Failure},
    faults::{history as failure, open},
    print,
    run::data_folder,
};

/// Runs `report`.
///
/// # Errors
/// [`Failure`] when there is no history, an instant cannot be read, or the file cannot be written.
pub fn run(args: &ReportArgs) -> Result<Exit, Failure> {
    let folder = data_folder(args.data.as_deref());
    let reader = open(&folder)?;
    let zone = TimeZone::system();
    let to = instant(args.to.as_deref(), &zone)?.unwrap_or_else(clock::wall_now);
    let from = match instant(args.from.as_deref(), &zone)? {
        Some(from) => from,
        None => reader.last_start().map_err(|why| failure(why, &folder))?.unwrap_or(to),
    };
    if to < from {
        let what = if args.to.is_some() {
            "`--to` lies before `--from`"
        } else {
            "`--from` is yet to come"
        };
        return Err(Failure::Argument(what.to_owned()));
    }
    let session = reader.session(from, to).map_err(|why| failure(why, &folder))?;
    write(&written(&session, args.format, &zone), args.out.as_deref())?;
    Ok(Exit::Done)
}

fn written(session: &Session, format: ReportFormat, zone: &TimeZone) -> String {
    match format {
        ReportFormat::Html => session::html(session, zone, None),
        ReportFormat::Json => serde_json::json!(session).to_string(),
    }
}

/// An instant of the command line; none where none is given.
///
/// # Errors
/// [`Failure::Argument`] that shows how one is written.
pub fn instant(text: Option<&str>, zone: &TimeZone) -> Result<Option<i64>, Failure> {
    let Some(text) = text else { return Ok(None) };
    session::instant(text, zone).map(Some).ok_or_else(|| {
        Failure::Argument(format!(
            "`{text}` is no date or time: write 2026-11-25, \"2026-11-25 19:30\" or 2026-11-25T19:30:00Z"
        ))
    })
}

fn write(text: &str, out: Option<&Path>) -> Result<(), Failure> {
    match out {
        None => print::line(text.trim_end()),
        Some(path) => fs::write(path, text)
            .map_err(|source| Failure::Write { path: path.to_owned(), error: source }),
    }
}

/// Copies the history into a new file.
///
/// # Errors
/// [`Failure`] where the file is there already or cannot be written.
pub fn back_up(reader: &Reader, file: &Path) -> Result<Exit, Failure> {
    if file.exists() {
        let why = format!("{} is there already; name a new file", file.display());
        return Err(Failure::Argument(why));
    }
    reader.back_up(file).map_err(|why| {
        Failure::Argument(format!("cannot copy the history to {}: {why}", file.display()))
    })?;
    print::line(&file.display().to_string())?;
    Ok(Exit::Done)
}
