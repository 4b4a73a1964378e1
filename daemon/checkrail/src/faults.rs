//! `checkrail faults`: what happened, from the history. Works while the daemon runs.

use std::{
    fs,
    path::{Path, PathBuf},
};

use history::{
    Filter, ReadError, Reader,
    export::{self, Format},
    json::Fault,
    report,
};
use serde_json::json;

use crate::{
    cli::{ExportFormat, FaultsArgs, FaultsCommand, TextOrJson},
    exit::{Exit, Failure},
    print,
    report::{back_up, instant},
    run::data_folder,
};

/// Runs `faults`.
///
/// # Errors
/// [`Failure`] when there is no history, or no such fault.
pub fn run(args: &FaultsArgs) -> Result<Exit, Failure> {
    let folder = data_folder(args.data.as_deref());
    let reader = open(&folder)?;
    match &args.command {
        FaultsCommand::List { district, cause, suspect, from, to, most, format } => {
            let zone = report::TimeZone::system();
            let filter = Filter {
                district: district.clone(),
                cause: cause.clone(),
                suspect: suspect.clone(),
                from_us: instant(from.as_deref(), &zone)?,
                to_us: instant(to.as_deref(), &zone)?,
                before: None,
                most: Some(*most),
            };
            list(&reader, &filter, *format)
        }
        FaultsCommand::Backup { file } => back_up(&reader, file),
        FaultsCommand::Show { fault, format } => {
            let fault = one(&reader, *fault)?;
            match format {
                TextOrJson::Json => print::line(&export::json(&fault))?,
                TextOrJson::Text => {
                    print::line(&report::show(&fault, &report::TimeZone::system()))?
                }
            }
            Ok(Exit::Done)
        }
        FaultsCommand::Export { fault, format, out } => {
            write(&one(&reader, Some(*fault))?, *format, out.as_deref())
        }
    }
}

/// The reading side of a folder's history.
///
/// # Errors
/// [`Failure`] that names the folder where there is none.
pub fn open(folder: &Path) -> Result<Reader, Failure> {
    Reader::open(folder).map_err(|why| history(why, folder))
}

/// A failure of the history with the remedy that a person can use.
pub fn history(why: ReadError, folder: &Path) -> Failure {
    match why {
        ReadError::None(_) => Failure::Argument(format!(
            "there is no history in {}; `--data DIR` names another folder",
            folder.display()
        )),
        other => Failure::Argument(other.to_string()),
    }
}

fn list(reader: &Reader, filter: &Filter, format: TextOrJson) -> Result<Exit, Failure> {
    let faults = reader.faults(filter).map_err(|why| Failure::Argument(why.to_string()))?;
    match format {
        TextOrJson::Json => print::line(&json!({ "faults": faults }).to_string())?,
        TextOrJson::Text if faults.is_empty() => print::line("No fault was recorded.")?,
        TextOrJson::Text => print::line(&report::list(&faults, &report::TimeZone::system()))?,
    }
    Ok(Exit::Done)
}

/// The fault of a number, or the newest.
fn one(reader: &Reader, number: Option<u32>) -> Result<Fault, Failure> {
    let argument = |why: ReadError| Failure::Argument(why.to_string());
    let number = match number {
        Some(number) => number,
        None => {
            let newest = Filter { most: Some(1), ..Filter::default() };
            let newest = reader.faults(&newest).map_err(argument)?;
            newest
                .first()
                .ok_or_else(|| Failure::Argument("no fault was recorded".to_owned()))?
                .fault
        }
    };
    reader.fault(number).map_err(argument)
}

fn write(fault: &Fault, format: ExportFormat, out: Option<&Path>) -> Result<Exit, Failure> {
    match format {
        ExportFormat::Json => text(&export::json(fault), out)?,
        ExportFormat::Csv => text(&export::csv(fault), out)?,
        ExportFormat::Comtrade => comtrade(fault, Format::Ascii, out)?,
        ExportFormat::ComtradeBinary => comtrade(fault, Format::Binary, out)?,
    }
    Ok(Exit::Done)
}

fn text(text: &str, out: Option<&Path>) -> Result<(), Failure> {
    match out {
        None => print::line(text.trim_end()),
        Some(path) => save(path, text.as_bytes()),
    }
}

/// Two files: a name without ending, or with any, gives NAME.cfg and NAME.dat.
fn comtrade(fault: &Fault, format: Format, out: Option<&Path>) -> Result<(), Failure> {
    let usual = PathBuf::from(format!("fault-{}", fault.summary.fault));
    let base = out.unwrap_or(&usual);
    let files = export::comtrade(fault, "checkrail", format);
    let (cfg, dat) = (base.with_extension("cfg"), base.with_extension("dat"));
    save(&cfg, files.cfg.as_bytes())?;
    save(&dat, &files.dat)?;
    print::line(&format!("{}\n{}", cfg.display(), dat.display()))
}

fn save(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    fs::write(path, bytes).map_err(|source| Failure::Write { path: path.to_owned(), error: source })
}
