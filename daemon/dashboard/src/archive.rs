//! The reading side of the history as the dashboard needs it, each question answered with JSON or a file; and the one thing
//! that the dashboard writes there, a person's note.
//!
//! The functions read a database and therefore run on a blocking thread, never in the task that serves the page.

use std::fmt;

use serde_json::Value;

/// Why the archive has no answer.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
pub enum ArchiveError {
    /// There is no such record.
    #[error("there is no such record")]
    Unknown,
    /// The question has no meaning.
    #[error("{reason}")]
    Question {
        /// Why.
        reason: String,
    },
    /// It cannot be read at the moment.
    #[error("the history cannot be read: {reason}")]
    Unreadable {
        /// Why.
        reason: String,
    },
    /// It was not saved, or not yet.
    #[error("the history did not save it in time")]
    NotSaved,
}

/// Which faults are asked for. The default asks for all.
#[derive(Clone, Debug, Default, Eq, PartialEq)]
pub struct FaultQuery {
    /// At most so many, the newest.
    pub limit: usize,
    /// Only of this district.
    pub district: Option<String>,
    /// Only of this cause.
    pub cause: Option<String>,
    /// Only with this first or named suspect.
    pub suspect: Option<String>,
    /// Only numbers below this.
    pub before: Option<u32>,
    /// Only from then on: a date, or RFC 3339.
    pub from: Option<String>,
    /// Only before then.
    pub to: Option<String>,
}

/// A file to download.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Download {
    /// Its name.
    pub name: String,
    /// Its media type.
    pub kind: &'static str,
    /// What is in it.
    pub bytes: Vec<u8>,
}

/// How something is downloaded. Which form fits which question, the archive decides.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Form {
    /// For programs.
    Json,
    /// For a spreadsheet.
    Csv,
    /// As the terminal shows it.
    Text,
    /// One self-contained page.
    Html,
    /// IEEE C37.111-2013: the description of the channels for samples in text.
    Cfg,
    /// The samples in text.
    Dat,
    /// The description for binary samples.
    CfgBinary,
    /// The binary samples.
    DatBinary,
}

impl Form {
    /// Every form.
    pub const ALL: [Self; 8] = [
        Self::Json,
        Self::Csv,
        Self::Text,
        Self::Html,
        Self::Cfg,
        Self::Dat,
        Self::CfgBinary,
        Self::DatBinary,
    ];

    /// The value of `as`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Json => "json",
            Self::Csv => "csv",
            Self::Text => "text",
            Self::Html => "html",
            Self::Cfg => "cfg",
            Self::Dat => "dat",
            Self::CfgBinary => "cfg-binary",
            Self::DatBinary => "dat-binary",
        }
    }
}

/// What the pages read, and the note they write.
pub trait Archive: fmt::Debug + Send + Sync {
    /// Summaries of faults as a JSON array, newest first.
    ///
    /// # Errors
    /// [`ArchiveError`].
    fn faults(&self, query: &FaultQuery) -> Result<Value, ArchiveError>;
    /// One fault with its waveforms, events and suspects.
    ///
    /// # Errors
    /// [`ArchiveError::Unknown`], and the others.
    fn fault(&self, number: u32) -> Result<Value, ArchiveError>;
    /// One fault as a file.
    ///
    /// # Errors
    /// [`ArchiveError`].
    fn fault_file(&self, number: u32, form: Form) -> Result<Download, ArchiveError>;
    /// Keeps a note of `who` on a fault; returns when it is durable.
    ///
    /// # Errors
    /// [`ArchiveError::Unknown`], [`ArchiveError::NotSaved`].
    fn note(&self, number: u32, who: &str, text: &str) -> Result<(), ArchiveError>;
    /// Results of commissioning as a JSON array, the latest first; of one machine (`machine/T14`) where it is given.
    ///
    /// # Errors
    /// [`ArchiveError`].
    fn commissioned(&self, machine: Option<&str>) -> Result<Value, ArchiveError>;
    /// The ledger of the poles as a JSON array: throws, hits, stress used.
    ///
    /// # Errors
    /// [`ArchiveError`].
    fn machines(&self) -> Result<Value, ArchiveError>;
    /// The ledger as a file.
    ///
    /// # Errors
    /// [`ArchiveError`].
    fn machines_file(&self, form: Form) -> Result<Download, ArchiveError>;
    /// What a span of time was like. Ends as a person writes them; none: the newest start of Checkrail, and now.
    ///
    /// # Errors
    /// [`ArchiveError`].
    fn session(&self, from: Option<&str>, to: Option<&str>) -> Result<Value, ArchiveError>;
    /// The same as a file; `demo` says so in its heading.
    ///
    /// # Errors
    /// [`ArchiveError`].
    fn session_file(
        &self,
        from: Option<&str>,
        to: Option<&str>,
        form: Form,
        demo: bool,
    ) -> Result<Download, ArchiveError>;
}

/// Nothing was ever recorded.
#[derive(Clone, Copy, Debug, Default)]
pub struct NoArchive;

impl Archive for NoArchive {
    fn faults(&self, _: &FaultQuery) -> Result<Value, ArchiveError> {
        Ok(Value::Array(Vec::new()))
    }
    fn fault(&self, _: u32) -> Result<Value, ArchiveError> {
        Err(ArchiveError::Unknown)
    }
    fn fault_file(&self, _: u32, _: Form) -> Result<Download, ArchiveError> {
        Err(ArchiveError::Unknown)
    }
    fn note(&self, _: u32, _: &str, _: &str) -> Result<(), ArchiveError> {
        Err(ArchiveError::Unknown)
    }
    fn commissioned(&self, _: Option<&str>) -> Result<Value, ArchiveError> {
        Ok(Value::Array(Vec::new()))
    }
    fn machines(&self) -> Result<Value, ArchiveError> {
        Ok(Value::Array(Vec::new()))
    }
    fn machines_file(&self, _: Form) -> Result<Download, ArchiveError> {
        Err(ArchiveError::Unknown)
    }
    fn session(&self, _: Option<&str>, _: Option<&str>) -> Result<Value, ArchiveError> {
        Err(ArchiveError::Unknown)
    }
    fn session_file(
        &self,
        _: Option<&str>,
        _: Option<&str>,
        _: Form,
        _: bool,
    ) -> Result<Download, ArchiveError> {
        Err(ArchiveError::Unknown)
    }
}
