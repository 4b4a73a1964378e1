//! The only place that writes to standard output and standard error.

use std::io::{self, IsTerminal, Write};

use annotate_snippets::Renderer;

use crate::exit::Failure;

/// Which stream a text is styled for: colour only on a terminal, and not against the reader's wish.
#[derive(Clone, Copy, Debug)]
pub enum Styled {
    /// Standard output.
    Stdout,
    /// Standard error.
    Stderr,
}

impl Styled {
    /// The renderer of diagnostics.
    #[must_use]
    pub fn renderer(self) -> Renderer {
        let choice = match self {
            Self::Stdout => anstream::AutoStream::choice(&io::stdout()),
            Self::Stderr => anstream::AutoStream::choice(&io::stderr()),
        };
        match choice {
            anstream::ColorChoice::Never => Renderer::plain(),
            anstream::ColorChoice::Auto
            | anstream::ColorChoice::AlwaysAnsi
            | anstream::ColorChoice::Always => Renderer::styled(),
        }
    }
}

/// Prints a text and a line end on standard output.
///
/// # Errors
/// [`Failure::Print`], unless the reader merely closed the pipe: then there is nobody left to tell.
pub fn line(text: &str) -> Result<(), Failure> {
    let mut out = anstream::stdout().lock();
    settle(writeln!(out, "{text}").and_then(|()| out.flush()))
}

/// Prints on standard error; nobody is left to tell if that fails.
pub fn error_line(text: &str) {
    let _ = writeln!(anstream::stderr().lock(), "{text}");
}

/// Standard error is a terminal: progress may be drawn there.
#[must_use]
pub fn progress_is_seen() -> bool {
    io::stderr().is_terminal()
}

/// A closed pipe is no failure of ours.
///
/// # Errors
/// [`Failure::Print`].
pub fn settle(result: io::Result<()>) -> Result<(), Failure> {
    match result {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other.map_err(Failure::Print),
    }
}
