//! The text as TOML, with errors of syntax in words that help, and without what they alone cause further on.

use toml::{Spanned, de::DeTable};

use super::error::{FileError, FileErrorKind};
use crate::layout::Span;

/// Parses the text; goes on after each error as far as that is possible.
pub(super) fn parse(text: &str) -> (Spanned<DeTable<'_>>, Vec<FileError>) {
    let (document, errors) = DeTable::parse_recoverable(text);
    let mut found: Vec<FileError> = Vec::new();
    for error in errors {
        let span = error.span().unwrap_or(text.len()..text.len());
        let span = Span { start: span.start.min(text.len()), end: span.end.min(text.len()) };
        let error = told(text, span, error.message());
        let on_line = line_of(text, error.span.start);
        // The parser may stumble several times over one slip; the first time tells.
        if !found.iter().any(|other| line_of(text, other.span.start) == on_line) {
            found.push(error);
        }
    }
    (document, found)
}

/// Errors that do not follow from an error of syntax: none on the same line, and no missing keys in the same table.
pub(super) fn without_echoes<'t>(
    text: &'t str,
    syntax: &[FileError],
    errors: impl Iterator<Item = FileError> + 't,
) -> impl Iterator<Item = FileError> + 't {
    let lines: Vec<Span> = syntax.iter().map(|error| line_of(text, error.span.start)).collect();
    errors.filter(move |error| {
        let start = error.span.start;
        let is_echo = match &error.kind {
            FileErrorKind::KeyMissing { .. } | FileErrorKind::Empty => !lines.is_empty(),
            _ => lines.iter().any(|line| (line.start..=line.end).contains(&start)),
        };
        !is_echo
    })
}

fn told(text: &str, span: Span, message: &str) -> FileError {
    let (span, kind) = match unquoted(text, span) {
        Some((span, value)) => (span, FileErrorKind::Unquoted { value }),
        None if message.starts_with("duplicate key") => {
            let name = text.get(span.start..span.end).unwrap_or_default().to_owned();
            (span, FileErrorKind::Doubled { name })
        }
        None => (span, FileErrorKind::Syntax { detail: message.to_owned() }),
    };
    FileError { span, also: Vec::new(), subject: "layout".to_owned(), kind }
}

/// Most characters of a value that is repeated in a message.
const VALUE_LENGTH_MAX: usize = 40;

/// A value of the line at `span` that lacks only its quotes: `limit = 5 A`, `booster = main`.
fn unquoted(text: &str, span: Span) -> Option<(Span, String)> {
    let line = line_of(text, span.start);
    let content = text.get(line.start..line.end)?;
    let (key, value) = content.split_once('=')?;
    let start = line.start + key.len() + 1 + (value.len() - value.trim_start().len());
    let value = value.split('#').next()?.trim();
    let is_key =
        key.trim().bytes().all(|byte| byte.is_ascii_alphanumeric() || b"-_.".contains(&byte));
    let is_plain =
        |part: char| part.is_alphanumeric() || matches!(part, ' ' | '.' | '-' | '_' | '/' | '%');
    let is_value = !value.is_empty()
        && value.chars().count() <= VALUE_LENGTH_MAX
        && value.chars().all(is_plain)
        && value.chars().any(char::is_alphabetic);
    (is_key && is_value).then(|| (Span { start, end: start + value.len() }, value.to_owned()))
}

/// The line around a byte, without its break.
fn line_of(text: &str, at: usize) -> Span {
    let at = at.min(text.len());
    let bytes = text.as_bytes();
    let start = bytes[..at].iter().rposition(|byte| *byte == b'\n').map_or(0, |found| found + 1);
    let end =
        bytes[at..].iter().position(|byte| *byte == b'\n').map_or(text.len(), |found| at + found);
    Span { start, end }
}
