//! How a command ends.

use std::{io, path::PathBuf, process::ExitCode};

/// Exit status of every command.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Exit {
    /// 0: done.
    Done,
    /// 1: errors found.
    ErrorsFound,
    /// 2: input unreadable.
    Unreadable,
    /// 3: stopped, and a cut could not be proved.
    CutNotProved,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        match exit {
            Exit::Done => Self::from(0),
            Exit::ErrorsFound => Self::from(1),
            Exit::Unreadable => Self::from(2),
            Exit::CutNotProved => Self::from(3),
        }
    }
}

/// Why a command could not do its work. The text goes to standard error; the status is [`Failure::exit`].
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// A file could not be read.
    #[error("cannot read {path}: {why}", path = path.display(), why = read_trouble(error))]
    Read {
        /// Which.
        path: PathBuf,
        /// Why.
        error: io::Error,
    },
    /// A file could not be written.
    #[error("cannot write {path}: {why}", path = path.display(), why = write_trouble(error))]
    Write {
        /// Which.
        path: PathBuf,
        /// Why.
        error: io::Error,
    },
    /// Standard output is gone.
    #[error("cannot print: {0}")]
    Print(io::Error),
    /// The layout file has errors, already shown.
    #[error("{path} has {count} error{s}; `checkrail check` shows {it}", path = path.display(), s = if *count == 1 { "" } else { "s" }, it = if *count == 1 { "it" } else { "them" })]
    LayoutRefused {
        /// Which.
        path: PathBuf,
        /// How many.
        count: usize,
    },
    /// A file of settings has errors, already shown.
    #[error("{path} has {count} error{s}", path = path.display(), s = if *count == 1 { "" } else { "s" })]
    SettingsRefused {
        /// Which.
        path: PathBuf,
        /// How many.
        count: usize,
    },
    /// A part of the daemon could not be set up.
    #[error("{what}: {source}")]
    Start {
        /// Which part.
        what: &'static str,
        /// Why.
        source: Box<dyn std::error::Error + Send + Sync>,
    },
    /// An argument has no meaning.
    #[error("{0}")]
    Argument(String),
}

impl Failure {
    /// The exit status it ends with.
    #[must_use]
    pub const fn exit(&self) -> Exit {
        match self {
            Self::Read { .. } | Self::Argument(_) => Exit::Unreadable,
            Self::Write { .. }
            | Self::Print(_)
            | Self::LayoutRefused { .. }
            | Self::SettingsRefused { .. }
            | Self::Start { .. } => Exit::ErrorsFound,
        }
    }
}

/// Why a file cannot be read, for a reader who never saw an error of the operating system.
fn read_trouble(error: &io::Error) -> String {
    use io::ErrorKind as Kind;
    match error.kind() {
        Kind::NotFound => "there is no such file".to_owned(),
        Kind::IsADirectory => "it is a folder".to_owned(),
        Kind::InvalidData => "it is no text file (UTF-8)".to_owned(),
        Kind::PermissionDenied => "this user may not read it".to_owned(),
        _ => error.to_string(),
    }
}

/// The same of writing.
fn write_trouble(error: &io::Error) -> String {
    use io::ErrorKind as Kind;
    match error.kind() {
        Kind::NotFound => "its folder does not exist".to_owned(),
        Kind::IsADirectory => "it is a folder".to_owned(),
        Kind::AlreadyExists | Kind::NotADirectory => {
            "a file of that name stands there already".to_owned()
        }
        Kind::PermissionDenied => "this user may not write there".to_owned(),
        Kind::StorageFull => "the disk is full".to_owned(),
        _ => error.to_string(),
    }
}
