//! A layout with more than thirty faults: every one is found, on the right line, and nothing else is.

use std::collections::BTreeSet;

use wiring::{check::check, finding::Finding, layout::Span, read};

const TEXT: &str = include_str!("data/bad-layout.toml");

/// `line code subject` of everything that `check` shows.
fn shown() -> BTreeSet<String> {
    let read = read(TEXT);
    let report = check(&read.layout.expect("a layout"));
    let errors = read.errors.iter().map(|it| (it.span, it.kind.code(), it.subject.clone()));
    let findings = report.findings.iter().map(|it| (it.span, it.code.code(), it.subject.clone()));
    errors
        .chain(findings)
        .map(|(span, code, subject)| format!("{} {code} {subject}", line(span)))
        .collect()
}

fn line(span: Span) -> usize {
    TEXT[..span.start].matches('\n').count() + 1
}

/// The same from the marks in the file; also how many faults those count.
fn marked() -> (BTreeSet<String>, usize) {
    let mut marked = BTreeSet::new();
    let mut count = 0;
    for (at, text) in TEXT.lines().enumerate() {
        let Some((_, marks)) = text.split_once("#! ") else { continue };
        for mark in marks.split('[').skip(1) {
            let (number, what) = mark.split_once("] ").expect("a number in brackets");
            count += 1;
            assert_eq!(number.parse(), Ok(count), "faults are counted in the order of the file");
            marked.insert(format!("{} {}", at + 1, what.trim()));
        }
    }
    (marked, count)
}

#[test]
fn every_fault_of_the_bad_layout_is_found_on_its_line_and_nothing_else_is() {
    let (marked, count) = marked();
    let shown = shown();
    let missed: Vec<_> = marked.difference(&shown).collect();
    let invented: Vec<_> = shown.difference(&marked).collect();
    assert!(missed.is_empty() && invented.is_empty(), "missed {missed:#?}, invented {invented:#?}");
    assert_eq!(count, marked.len());
    assert!(30 <= count);
}

#[test]
fn every_message_and_remedy_of_the_bad_layout_reads_as_a_sentence() {
    let report = check(&read(TEXT).layout.expect("a layout"));
    let text = |it: &Finding| {
        format!(
            "{} {} {}\n  {}\n  {}\n",
            it.severity.word(),
            it.code.code(),
            it.subject,
            it.message,
            it.remedy
        )
    };
    let all: String = report.findings.iter().map(text).collect();
    insta::assert_snapshot!(all);
}
