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
    pub fn render(&self, text: &str, path: &str, renderer: &Renderer) -> String {
        let level = match self.severity {
            Severity::Error => Level::ERROR,
            Severity::Warning => Level::WARNING,
            Severity::Advice => Level::NOTE.with_name("advice"),
        };
        let mut snippet = Snippet::source(text)
            .line_start(1)
            .path(path)
            .annotation(AnnotationKind::Primary.span(clip(self.span, text)));
        for (span, label) in &self.also {
            snippet = snippet
                .annotation(AnnotationKind::Context.span(clip(*span, text)).label(label.as_str()));
        }
        let mut group = Group::with_title(level.primary_title(self.message.as_str()).id(self.code))
            .element(snippet);
        if !self.remedy.is_empty() {
            group = group.element(Level::HELP.message(self.remedy.as_str()));
        }
        renderer.render(&[group])
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
