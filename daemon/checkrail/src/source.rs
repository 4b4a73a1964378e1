//! Reading a layout file from disk: the one way in which every command does it.

use std::{
    fs,
    path::{Path, PathBuf},
    sync::Arc,
};

use sha2::{Digest, Sha256};
use wiring::{channel::ChannelTable, layout::Layout, read::ReadResult, source::LineIndex};

use crate::{
    diagnostic::Diagnostic,
    exit::Failure,
    print::{self, Styled},
};

/// A layout file, read.
pub struct Source {
    /// Where it came from.
    pub path: PathBuf,
    /// Its text.
    pub text: String,
    /// What the reader made of it.
    pub read: ReadResult,
}

/// A layout that may be run: no error of grammar or reference.
#[derive(Clone)]
pub struct Loaded {
    /// The model.
    pub layout: Arc<Layout>,
    /// Its channels.
    pub channels: Arc<ChannelTable>,
    /// See [`revision`].
    pub revision: String,
}

/// First digits of a hash of a layout file: eight are enough to tell two sheets apart.
#[must_use]
pub fn revision(text: &str) -> String {
    Sha256::digest(text.as_bytes()).iter().take(4).map(|byte| format!("{byte:02x}")).collect()
}

impl Source {
    /// Reads and parses.
    ///
    /// # Errors
    /// [`Failure::Read`] when the file cannot be opened or is no UTF-8.
    pub fn open(path: &Path) -> Result<Self, Failure> {
        let text = fs::read_to_string(path)
            .map_err(|source| Failure::Read { path: path.to_owned(), error: source })?;
        Ok(Self::from_text(path, text))
    }

    /// Parses a text that came from elsewhere.
    #[must_use]
    pub fn from_text(path: &Path, text: String) -> Self {
        let read = wiring::read::read(&text);
        Self { path: path.to_owned(), text, read }
    }

    /// Lines of the text.
    #[must_use]
    pub fn lines(&self) -> LineIndex<'_> {
        LineIndex::new(&self.text)
    }

    /// Errors of grammar and reference.
    #[must_use]
    pub fn errors(&self) -> Vec<Diagnostic> {
        self.read.errors.iter().map(Diagnostic::from).collect()
    }

    /// The layout, if the file has no error; otherwise the errors are shown on standard error.
    ///
    /// # Errors
    /// [`Failure::LayoutRefused`].
    pub fn require(&self) -> Result<Loaded, Failure> {
        let errors = self.errors();
        let path = self.path.display().to_string();
        let lines = self.lines();
        for error in &errors {
            print::error_line(&error.render(&lines, &path, &Styled::Stderr.renderer()));
        }
        match &self.read.layout {
            Some(layout) if errors.is_empty() => {
                let layout = Arc::new(layout.clone());
                let channels = Arc::new(ChannelTable::new(&layout));
                Ok(Loaded { layout, channels, revision: revision(&self.text) })
            }
            Some(_) | None => {
                Err(Failure::LayoutRefused { path: self.path.clone(), count: errors.len().max(1) })
            }
        }
    }

    /// Serious findings of the kinds that `shown` takes are printed; errors of any kind stop only where `strict` asks for
    /// it.
    ///
    /// # Errors
    /// [`Failure::LayoutRefused`] when `strict` and a finding is an error.
    pub fn show_findings(
        &self,
        loaded: &Loaded,
        strict: bool,
        shown: impl Fn(&str) -> bool,
    ) -> Result<(), Failure> {
        let findings = crate::check::findings(&loaded.layout);
        let path = self.path.display().to_string();
        let lines = self.lines();
        for finding in findings.iter().filter(|it| it.is_serious() && shown(it.code)) {
            print::error_line(&finding.render(&lines, &path, &Styled::Stderr.renderer()));
        }
        let errors = findings.iter().filter(|finding| finding.is_error()).count();
        if strict && errors > 0 {
            return Err(Failure::LayoutRefused { path: self.path.clone(), count: errors });
        }
        Ok(())
    }
}
