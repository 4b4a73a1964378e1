//! Findings as text: code, place, source line, caret, remedy. What a good compiler prints, in trade words.

use std::ops::Range;

use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};
use wiring::{
    finding::{Finding, Severity},
    layout::Span,
    read::FileError,
    source::LineIndex,
};

/// Something to say about a layout file, whoever found it.
#[derive(Clone, Debug)]
pub struct Diagnostic {
    /// Stable code.
    pub code: &'static str,
    /// How bad it is.
    pub severity: Severity,
    /// `frog/T1`, `layout` …
    pub subject: String,
    /// Where.
    pub span: Span,
    /// Other places that belong to it, with what they are.
    pub also: Vec<(Span, String)>,
    /// What is wrong.
    pub message: String,
    /// What to do.
    pub remedy: String,
}

impl From<&FileError> for Diagnostic {
    fn from(error: &FileError) -> Self {
        Self {
            code: error.kind.code(),
            severity: Severity::Error,
            subject: error.subject.clone(),
            span: error.span,
            also: error.also.iter().map(|(span, label)| (*span, label.to_string())).collect(),
            message: error.kind.message(),
            remedy: error.kind.remedy(),
        }
    }
}

impl From<&Finding> for Diagnostic {
    fn from(finding: &Finding) -> Self {
        Self {
            code: finding.code.code(),
            severity: finding.severity,
            subject: finding.subject.clone(),
            span: finding.span,
            also: finding.also.clone(),
            message: finding.message.clone(),
            remedy: finding.remedy.clone(),
        }
    }
}

impl Diagnostic {
    /// Line and column of its place, from 1.
    #[must_use]
    pub fn place(&self, lines: &LineIndex) -> (usize, usize) {
        let place = lines.place(self.span.start);
        (place.line, place.column)
    }

    /// The text, with source line and caret.
    #[must_use]
    pub fn render(&self, lines: &LineIndex, path: &str, renderer: &Renderer) -> String {
        let text = lines.text();
        let level = match self.severity {
            Severity::Error => Level::ERROR,
            Severity::Warning => Level::WARNING,
            Severity::Advice => Level::NOTE.with_name("advice"),
        };
        let shown = self.lines_shown(text);
        let line = lines.place(shown.start).line;
        let within = |span: Span| {
            let span = clip(span, text);
            span.start - shown.start..span.end - shown.start
        };
        let mut snippet = Snippet::source(&text[shown.clone()])
            .line_start(line)
            .path(path)
            .annotation(AnnotationKind::Primary.span(within(self.span)));
        for (span, label) in &self.also {
            let label = label.as_str();
            snippet = snippet.annotation(AnnotationKind::Context.span(within(*span)).label(label));
        }
        let mut group = Group::with_title(level.primary_title(self.message.as_str()).id(self.code))
            .element(snippet);
        if !self.remedy.is_empty() {
            group = group.element(Level::HELP.message(self.remedy.as_str()));
        }
        renderer.render(&[group])
    }
}

impl Diagnostic {
    /// The whole lines from the first to the last place. The renderer is handed no more than these: it looks at all it
    /// gets, and a file of a thousand findings would be looked at a thousand times.
    fn lines_shown(&self, text: &str) -> Range<usize> {
        let places = || std::iter::once(self.span).chain(self.also.iter().map(|it| it.0));
        let first = places().map(|span| clip(span, text).start).min().unwrap_or(0);
        let last = places().map(|span| clip(span, text).end).max().unwrap_or(0);
        let start = text[..first].rfind('\n').map_or(0, |at| at + 1);
        let end = text[last..].find('\n').map_or(text.len(), |at| last + at + 1);
        start..end
    }
}

/// A span that the renderer takes: within the text, on character boundaries, of the first line only, so that a
/// finding about a whole table does not print the table.
fn clip(span: Span, text: &str) -> Range<usize> {
    let boundary = |mut at: usize| {
        at = at.min(text.len());
        while !text.is_char_boundary(at) {
            at -= 1;
        }
        at
    };
    let start = boundary(span.start);
    let end = boundary(span.end.max(span.start));
    let line_end = text[start..end].find('\n').map_or(end, |at| start + at);
    start..line_end
}
