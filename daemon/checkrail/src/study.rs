//! `checkrail study`: what the short will do, before it happens.

use std::{fs, path::Path};

use circuit::{
    report,
    study::{self, Progress, Settings, Study},
};
use indicatif::{ProgressBar, ProgressStyle};
use wiring::{
    finding::Code,
    layout::Layout,
    quantity::{Dimension, amount},
    units::Microamps,
};

use crate::{
    cli::{StudyArgs, StudyFormat},
    exit::{Exit, Failure},
    print,
    source::Source,
    study_json, table,
};

/// Progress is drawn only for work that takes longer than this.
const SHOW_AFTER: std::time::Duration = std::time::Duration::from_secs(2);

/// Findings that repeat what the tables say.
const SAID_BY_THE_STUDY: [&str; 2] =
    [Code::ContactUnderrated.code(), Code::BreakerNeverTrips.code()];

/// Runs `study`.
///
/// # Errors
/// [`Failure`] when the layout has errors, the load is no current, or the result cannot be written.
pub fn run(args: &StudyArgs) -> Result<Exit, Failure> {
    let train_load = amount(&args.train_load, Dimension::Current).map(Microamps).map_err(|_| {
        Failure::Argument(format!(
            "--train-load {} needs a current, as in \"1 A\"",
            args.train_load
        ))
    })?;
    let source = Source::open(&args.layout)?;
    let loaded = source.require()?;
    source.show_findings(&loaded, args.strict, |code| !SAID_BY_THE_STUDY.contains(&code))?;
    let settings = Settings { train_load, ..Settings::default() };
    let layout = &loaded.layout;
    if args.at.is_some() && args.format != StudyFormat::Spice {
        return Err(Failure::Argument(
            "--at is for `--format spice`: the other formats show every place".to_owned(),
        ));
    }
    let text = match args.format {
        StudyFormat::Spice => spice(layout, &watched(layout, &settings), args.at.as_deref())?,
        StudyFormat::Json => study_json::json(layout, &watched(layout, &settings)).to_string(),
        StudyFormat::Html => report::html(layout, &watched(layout, &settings), train_load),
        StudyFormat::Text => tables(layout, &watched(layout, &settings), train_load),
    };
    match &args.out {
        None => print::line(text.trim_end())?,
        Some(path) => save(path, &text)?,
    }
    Ok(Exit::Done)
}

/// One case as a netlist that any SPICE reads: the short at a place, or the one with the smallest margin.
fn spice(layout: &Layout, study: &Study, at: Option<&str>) -> Result<String, Failure> {
    circuit::spice::short(layout, study, at).ok_or_else(|| {
        let places: Vec<&str> = study.shorts.iter().take(8).map(|it| it.at.as_str()).collect();
        Failure::Argument(format!(
            "--at {} is no place of this study; there are {} …",
            at.unwrap_or_default(),
            places.join(", ")
        ))
    })
}

fn watched(layout: &Layout, settings: &Settings) -> Study {
    let started = std::time::Instant::now();
    let mut bar: Option<ProgressBar> = None;
    let study = study::run_watched(layout, settings, &mut |Progress { done, total }| {
        if bar.is_none() && print::progress_is_seen() && started.elapsed() > SHOW_AFTER {
            let style = ProgressStyle::with_template(
                "{bar:40} {pos}/{len} places and contacts, {eta} left",
            )
            .unwrap_or_else(|_| ProgressStyle::default_bar());
            bar = Some(ProgressBar::new(total as u64).with_style(style));
        }
        if let Some(bar) = &bar {
            bar.set_position(done as u64);
        }
    });
    if let Some(bar) = bar {
        bar.finish_and_clear();
    }
    study
}

/// The answer first, then the tables, places that say the same on one line.
fn tables(layout: &Layout, study: &Study, train_load: Microamps) -> String {
    let mut text = String::new();
    for sentence in report::summary(layout, study, train_load) {
        text.push_str(&wrapped(&sentence));
    }
    for part in report::tables(layout, study) {
        text.push_str(&format!("\n{}\n", part.title.to_uppercase()));
        if !part.note.is_empty() {
            text.push_str(&wrapped(part.note));
        }
        let mut drawn = table::table(part.head);
        for row in part.folded().rows {
            drawn.add_row(row);
        }
        text.push_str(&format!("{drawn}\n"));
    }
    text.push('\n');
    text.push_str(&wrapped(report::CAUTION));
    text
}

/// A paragraph, broken between words.
fn wrapped(paragraph: &str) -> String {
    let width = usize::from(table::width());
    let mut lines = vec![String::new()];
    for word in paragraph.split_whitespace() {
        let last = lines.last_mut().expect("there is always a line");
        if !last.is_empty() && last.chars().count() + 1 + word.chars().count() > width {
            lines.push(word.to_owned());
        } else {
            if !last.is_empty() {
                last.push(' ');
            }
            last.push_str(word);
        }
    }
    lines.join("\n") + "\n"
}

fn save(path: &Path, text: &str) -> Result<(), Failure> {
    fs::write(path, text).map_err(|source| Failure::Write { path: path.to_owned(), error: source })
}
