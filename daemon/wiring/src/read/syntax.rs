//! The text as TOML, with errors of syntax in words that help, and without what they alone cause further on.

use std::borrow::Cow;

use toml::de::DeTable;

use super::error::{FileError, FileErrorKind};
use crate::layout::Span;

/// The parser gives up at a line without an equals sign. So many of them are taken out before the rest is left unread.
const LINES_TAKEN_OUT_MAX: usize = 20;

/// What the parser says, what is said here, and what to write instead. The first that fits counts.
const WORDS: [(&str, &str, &str); 13] = [
    (
        NO_VALUE,
        "there is a name without = and a value",
        "write NAME = VALUE, or put a # before the line if it is a comment",
    ),
    ("string values must be", "there is no value behind the =", "write NAME = VALUE"),
    ("unclosed table", "the ] of this header is missing", "close the header: [district.quarry]"),
    ("unclosed array", LIST_OPEN, "write a ] behind its last value"),
    ("unclosed inline table", TABLE_OPEN, "write a } behind its last value"),
    ("invalid basic string", QUOTE_OPEN, "put a \" at its end"),
    ("invalid multi-line", QUOTE_OPEN, "use one \" at each end of a text"),
    ("invalid literal string", QUOTE_OPEN, "put a ' at its end"),
    (
        "missing escaped value",
        "a backslash in a text begins a special character",
        "write the backslash twice, or put the text in single quotes",
    ),
    ("extra `=`", "there is one = too many", "leave one out"),
    (
        "unexpected key or value",
        "there is something behind the value",
        "end the line after the value; put a # before a comment",
    ),
    ("missing comma", "a comma is missing between two values", "put a comma between them"),
    (
        "invalid unquoted key",
        "a name may have letters, digits, - and _ only",
        "write the name with these alone",
    ),
];

const NO_VALUE: &str = "key with no value";
const LIST_OPEN: &str = "the ] of this list is missing";
const TABLE_OPEN: &str = "the } of this table is missing";
const QUOTE_OPEN: &str = "the closing quote of this text is missing";

/// What to write where nothing else is known.
const ANY_REMEDY: &str = "write NAME = VALUE, with texts and quantities in quotes, and headers in \
                          square brackets";

/// What the parser makes of a text.
#[derive(Debug)]
pub(super) struct Syntax<'t> {
    /// The text with the lines taken out at which the parser would stop. Places in it are those of the text.
    pub(super) readable: Cow<'t, str>,
    /// The errors, in the order of the text, one a line.
    pub(super) errors: Vec<FileError>,
    /// What was not understood: errors that other passes find in there are echoes.
    dark: Vec<Span>,
}

impl<'t> Syntax<'t> {
    pub(super) fn new(text: &'t str) -> Self {
        let mut readable = Cow::Borrowed(text);
        let mut found: Vec<Raw> = Vec::new();
        for _ in 0..=LINES_TAKEN_OUT_MAX {
            let (_, errors) = DeTable::parse_recoverable(&readable);
            let mut raw: Vec<Raw> = errors.iter().map(|error| Raw::new(text, error)).collect();
            raw.sort_by_key(|error| error.span.start);
            let (stops, others): (Vec<Raw>, Vec<Raw>) =
                raw.into_iter().partition(|error| error.message.starts_with(NO_VALUE));
            if stops.is_empty() {
                found.extend(unclosed_once(text, others));
                break;
            }
            // The rest comes again in the next round.
            let lines: Vec<Span> =
                stops.iter().map(|error| line_of(text, error.span.start)).collect();
            readable = Cow::Owned(blanked(&readable, &lines));
            found.extend(stops);
        }
        found.sort_by_key(|error| error.span.start);
        found.dedup_by_key(|error| line_of(text, error.span.start));
        let errors = found.iter().map(|error| error.told(text)).collect();
        let dark = found.iter().map(|error| error.dark(text)).collect();
        Self { readable, errors, dark }
    }

    /// Whether an error of another pass stands by itself. What was not understood may have declared anything, so next
    /// to an error of syntax nothing counts as missing or unknown.
    pub(super) fn is_echo(&self, error: &FileError) -> bool {
        let start = error.span.start;
        let is_dark = |dark: &Span| (dark.start..=dark.end).contains(&start);
        let is_nowhere = error.span == Span::default();
        let is_echo = is_nowhere || !error.kind.is_of_form() || self.dark.iter().any(is_dark);
        !self.errors.is_empty() && is_echo
    }
}

/// An error as the parser has it.
#[derive(Clone, Debug)]
struct Raw {
    span: Span,
    message: String,
    /// How far what is not closed swallows what follows.
    swallows_to: usize,
}

impl Raw {
    fn new(text: &str, error: &toml::de::Error) -> Self {
        let end = text.len();
        let span = error.span().unwrap_or(end..end);
        let mut span = Span { start: span.start.min(end), end: span.end.min(end) };
        if span.start == span.end {
            // Something is missing: the place is behind what is there, not before what comes next.
            let behind = text.get(..span.start).map_or(0, |before| before.trim_end().len());
            span = Span { start: behind, end: behind };
        }
        Self { span, message: error.message().to_owned(), swallows_to: span.end }
    }

    fn dark(&self, text: &str) -> Span {
        let line = line_of(text, self.span.start);
        Span { start: line.start, end: line.end.max(self.swallows_to) }
    }

    fn told(&self, text: &str) -> FileError {
        let value = text.get(self.span.start..self.span.end).unwrap_or_default();
        let mut error = FileError {
            span: self.span,
            also: Vec::new(),
            subject: "layout".to_owned(),
            kind: FileErrorKind::Unquoted { value: shown(value) },
        };
        if self.message.starts_with("duplicate key") {
            let (name, first) = doubled(text, self.span);
            error.kind = FileErrorKind::Doubled { name };
            error.also.extend(first.map(|span| (span, "the first one")));
        } else if !self.message.starts_with("string values must be") || value.trim().is_empty() {
            error.kind = self.in_words();
        }
        error
    }

    fn in_words(&self) -> FileErrorKind {
        let known = WORDS.iter().find(|(start, ..)| self.message.starts_with(start));
        let (detail, remedy) = known.map_or((self.message.as_str(), ANY_REMEDY), |words| {
            let (_, detail, remedy) = *words;
            (detail, remedy)
        });
        FileErrorKind::Syntax { detail: detail.to_owned(), remedy }
    }
}

/// Most characters of a value that are repeated in a message.
const SHOWN_MAX: usize = 40;

/// A value without the quotes that a word processor sets.
fn shown(value: &str) -> String {
    let quotes = ['“', '”', '„', '‘', '’', '«', '»'];
    value.trim().trim_matches(quotes).chars().take(SHOWN_MAX).collect()
}

/// A list or table that is not closed swallows what follows: of all the complaints about that, the one that tells.
fn unclosed_once(text: &str, mut raw: Vec<Raw>) -> Vec<Raw> {
    let Some(last) = raw.iter().rposition(|error| is_unclosed(&error.message)) else {
        return raw;
    };
    let is_outside = |error: &Raw| OUTSIDE.iter().any(|it| error.message.starts_with(it));
    let run = raw[..=last].iter().rev().take_while(|error| !is_outside(error)).count();
    let start = last + 1 - run;
    let opening = raw[start..=last].iter().position(|error| opens(text, error.span.start));
    let first = start + opening.unwrap_or(0);
    let told = Raw {
        span: raw[first].span,
        message: raw[last].message.clone(),
        swallows_to: raw[last].span.end,
    };
    raw.splice(first..=last, [told]);
    raw
}

fn is_unclosed(message: &str) -> bool {
    message.starts_with("unclosed array") || message.starts_with("unclosed inline")
}

/// The line around a byte, taken alone, opens a list or table that it does not close.
fn opens(text: &str, at: usize) -> bool {
    let line = line_of(text, at);
    let (_, errors) = DeTable::parse_recoverable(text.get(line.start..line.end).unwrap_or(""));
    errors.iter().any(|error| is_unclosed(error.message()))
}

/// What it says only of things outside.
const OUTSIDE: [&str; 4] =
    ["extra `=`", "unexpected key or value", "unclosed table", "duplicate key"];

/// The name of what is given twice, and where it stands first. A header is compared as a whole line.
fn doubled(text: &str, span: Span) -> (String, Option<Span>) {
    let line = line_of(text, span.start);
    let content = text.get(line.start..line.end).unwrap_or_default();
    let header = content.split('#').next().unwrap_or_default().trim();
    if !header.starts_with('[') {
        return (text.get(span.start..span.end).unwrap_or_default().to_owned(), None);
    }
    let mut start = 0;
    let mut first = None;
    for other in text.get(..line.start).unwrap_or_default().split_inclusive('\n') {
        if first.is_none() && other.split('#').next().unwrap_or_default().trim() == header {
            first = Some(Span { start, end: start + other.trim_end().len() });
        }
        start += other.len();
    }
    (header.to_owned(), first)
}

/// The text with these lines blank, so that every other place stays where it is.
fn blanked(text: &str, lines: &[Span]) -> String {
    let mut blank = String::with_capacity(text.len());
    let mut at = 0;
    for line in lines.iter().filter(|line| line.start < line.end) {
        if at <= line.start {
            blank.push_str(&text[at..line.start]);
            blank.push_str(&" ".repeat(line.end - line.start));
            at = line.end;
        }
    }
    blank.push_str(&text[at..]);
    blank
}

/// The line around a byte, without its break.
fn line_of(text: &str, at: usize) -> Span {
    let bytes = text.as_bytes();
    let at = at.min(bytes.len());
    let start = bytes[..at].iter().rposition(|byte| *byte == b'\n').map_or(0, |found| found + 1);
    let end = bytes[at..].iter().position(|byte| *byte == b'\n');
    Span { start, end: end.map_or(bytes.len(), |found| at + found) }
}
