//! `checkrail sheets`: pages to print and take under the table.
//!
//! The data are `wiring::terminals`; here they become words, drawings and HTML. A page needs no other file.

mod bench;
mod district;
mod document;
mod drawing;
mod html;
mod labels;
mod machine;
mod track;

use std::{collections::BTreeSet, fs, path::Path};

use dashboard::qr;
use wiring::{
    layout::Layout,
    terminals::{Wiring, words},
};

use crate::{
    cli::SheetsArgs,
    exit::{Exit, Failure},
    print,
    source::{Source, revision},
};

/// What every page is made of.
pub struct Book<'a> {
    /// The layout.
    pub layout: &'a Layout,
    /// Its terminals and wires.
    pub wiring: Wiring,
    /// First digits of a hash of the layout file.
    pub revision: String,
    /// Errors that `check` finds in the wiring.
    pub errors: usize,
    /// The date to print: `25 Nov 2026`.
    pub date: String,
    /// File name of each district's page.
    pub files: Vec<String>,
    /// The dashboard as a phone reaches it: `http://192.168.1.20:8080`; none when only this computer does.
    pub dashboard: Option<String>,
}

impl<'a> Book<'a> {
    /// Gathers what the pages need.
    #[must_use]
    pub fn new(layout: &'a Layout, text: &str, date: String) -> Self {
        Self {
            layout,
            wiring: Wiring::new(layout),
            revision: revision(text),
            errors: 0,
            date,
            files: file_names(layout),
            dashboard: qr::reachable(&layout.links.dashboard.listen),
        }
    }

    /// Every page with its file name.
    #[must_use]
    pub fn pages(&self) -> Vec<(String, String)> {
        let mut pages = vec![
            ("index.html".to_owned(), document::index(self)),
            ("all.html".to_owned(), document::all(self)),
        ];
        let districts = self.files.iter().enumerate();
        pages.extend(districts.map(|(at, file)| (file.clone(), document::district(self, at))));
        pages
    }
}

/// Runs `sheets`.
///
/// # Errors
/// [`Failure`] when the layout has errors, the date is none, or a page cannot be written.
pub fn run(args: &SheetsArgs) -> Result<Exit, Failure> {
    let date = date(args.date.as_deref())?;
    let source = Source::open(&args.layout)?;
    let loaded = source.require()?;
    let errors = findings(&loaded.layout);
    if args.strict && errors > 0 {
        return Err(Failure::LayoutRefused { path: args.layout.clone(), count: errors });
    }
    let book = Book { errors, ..Book::new(&loaded.layout, &source.text, date) };
    let at = |path: &Path| {
        let path = path.to_owned();
        move |source| Failure::Write { path, error: source }
    };
    fs::create_dir_all(&args.out).map_err(at(&args.out))?;
    let pages = book.pages();
    for (name, page) in &pages {
        let path = args.out.join(name);
        fs::write(&path, page).map_err(at(&path))?;
    }
    print::line(&format!(
        "{} for {}, revision {}: open {}",
        words::counted(pages.len(), "page"),
        words::counted(book.wiring.machines.len(), "machine"),
        book.revision,
        args.out.join("index.html").display()
    ))?;
    Ok(Exit::Done)
}

/// Errors of the wiring, counted. `check` is the place that shows them; here a line tells that there are any.
fn findings(layout: &Layout) -> usize {
    let all = crate::check::findings(layout);
    let errors = all.iter().filter(|finding| finding.is_error()).count();
    let warnings = all.iter().filter(|finding| finding.is_serious()).count() - errors;
    if errors + warnings > 0 {
        print::error_line(&format!(
            "The wiring has {} and {}; `checkrail check` shows them.",
            words::counted(errors, "error"),
            words::counted(warnings, "warning")
        ));
    }
    errors
}

fn date(given: Option<&str>) -> Result<String, Failure> {
    let date = match given {
        None => jiff::Timestamp::now().to_zoned_datetime(jiff::tz::TimeZone::system()).date(),
        Some(text) => text.parse::<jiff::civil::Date>().map_err(|_| {
            Failure::Argument(format!("--date {text} is no date; write it as 2026-11-25"))
        })?,
    };
    Ok(date.strftime("%-d %b %Y").to_string())
}

/// A district may be called like one of our own pages, and some file systems do not tell `Q` from `q`.
fn file_names(layout: &Layout) -> Vec<String> {
    let mut taken = BTreeSet::from(["index".to_owned(), "all".to_owned()]);
    let mut names = Vec::new();
    for district in &layout.districts {
        let mut name = district.id.clone();
        while !taken.insert(name.to_lowercase()) {
            name = format!("district-{name}");
        }
        names.push(format!("{name}.html"));
    }
    names
}
