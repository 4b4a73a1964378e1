//! Text for a terminal: the list, one fault, the ledger.

mod list;
mod machines;
mod plot;
mod show;
mod story;
pub(crate) mod time;

pub use jiff::tz::TimeZone;
pub use list::list;
pub use machines::{machines, rules};
pub(crate) use machines::{median, trend, verdict};
pub use show::show;
pub(crate) use story::story;

/// A number with at most `places` decimals and no trailing zeros.
pub(crate) fn number(value: f64, places: usize) -> String {
    let text = format!("{value:.places$}");
    let text = if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    };
    if text == "-0" { "0".to_owned() } else { text }
}

/// `30 ms` below two seconds, `2.5 s` from there.
pub(crate) fn span(ms: f64) -> String {
    if ms.abs() < 2000.0 {
        format!("{} ms", number(ms, 1))
    } else {
        format!("{} s", number(ms / 1e3, 2))
    }
}

/// A subject in words: `district quarry`, `contact 1 of T1`.
fn plain(subject: &str) -> String {
    match subject.split_once('/') {
        Some(("pole", id)) => match id.rsplit_once('.') {
            Some((machine, number)) => format!("contact {number} of {machine}"),
            None => format!("contact {id}"),
        },
        Some((kind, id)) => format!("{kind} {id}"),
        None => subject.to_owned(),
    }
}

/// Rows as a table: columns as wide as their widest cell, two spaces between, no trailing space.
fn table(rows: &[Vec<String>]) -> String {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let widths: Vec<usize> = (0..columns)
        .map(|at| rows.iter().filter_map(|row| row.get(at)).map(|it| it.chars().count()).max())
        .map(Option::unwrap_or_default)
        .collect();
    let mut out = String::new();
    for row in rows {
        let cells = row.iter().zip(&widths).map(|(cell, width)| format!("{cell:width$}"));
        out.push_str(cells.collect::<Vec<_>>().join("  ").trim_end());
        out.push('\n');
    }
    out
}

/// Breaks a paragraph into lines of at most `width` characters.
fn wrapped(text: &str, width: usize, indent: &str) -> String {
    let mut out = String::new();
    let mut line = String::from(indent);
    for word in text.split_whitespace() {
        let longer = line.chars().count() + 1 + word.chars().count();
        if line.trim().is_empty() {
            line.push_str(word);
        } else if longer <= width {
            line.push(' ');
            line.push_str(word);
        } else {
            out.push_str(&line);
            out.push('\n');
            line = format!("{indent}{word}");
        }
    }
    out.push_str(&line);
    out.push('\n');
    out
}
