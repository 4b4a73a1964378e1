//! `checkrail check`: the proof of a layout file, for people and for programs.

use circuit::study;
use serde_json::{Map, Value as Json, json};
use wiring::{
    check::Report,
    finding::{Code, Finding, Severity},
    index::FrogIx,
    layout::Layout,
    polarity::{Required, Wired},
    source::LineIndex,
};

use crate::{
    check_verbose,
    cli::{CheckArgs, TextOrJson},
    diagnostic::Diagnostic,
    exit::{Exit, Failure},
    print::{self, Styled},
    source::Source,
};

/// The version of the layout file's grammar.
pub const SCHEMA: u32 = 1;

/// So many of the things that an error kept from being read are named.
const LEFT_OUT_SHOWN: usize = 6;

const CAUTION: &str = "Checkrail supervises and does not replace a breaker, fuse or current-limited supply sized for \
                       the wiring. Unplug the booster before you solder or work under the table.";

/// Runs `check`.
///
/// # Errors
/// [`Failure`] when the file cannot be read.
pub fn run(args: &CheckArgs) -> Result<Exit, Failure> {
    let source = Source::open(&args.layout)?;
    let report = source.read.layout.as_ref().map(wiring::check::check);
    let mut found = source.errors();
    if let (Some(layout), Some(report)) = (&source.read.layout, &report) {
        let told = report.findings.iter().filter(|it| !is_for_what_was_left_out(it, &source));
        found.extend(told.map(Diagnostic::from));
        found.extend(circuit_findings(layout));
    }
    sort(&mut found);
    let exit = if !source.read.is_toml {
        Exit::Unreadable
    } else if found.iter().any(Diagnostic::is_error) {
        Exit::ErrorsFound
    } else {
        Exit::Done
    };
    match args.format {
        TextOrJson::Json => print::line(&as_json(&source, report.as_ref(), &found).to_string())?,
        TextOrJson::Text => print_text(&source, report.as_ref(), &found, args.verbose)?,
    }
    Ok(exit)
}

/// The file has a track plan, and an error kept it from being read: advice to draw one would send its owner astray.
fn is_for_what_was_left_out(finding: &Finding, source: &Source) -> bool {
    let has_plan = source.read.left_out.iter().any(|it| it.starts_with("track/"));
    finding.code == Code::NotChecked
        && finding.subject == "layout"
        && (has_plan || !source.read.is_toml)
}

/// All findings about a layout that could be read without an error.
#[must_use]
pub fn findings(layout: &Layout) -> Vec<Diagnostic> {
    let mut found: Vec<Diagnostic> =
        wiring::check::check(layout).findings.iter().map(Diagnostic::from).collect();
    found.extend(circuit_findings(layout));
    sort(&mut found);
    found
}

/// What only the circuit can tell: contacts, breakers and wires against the currents that would flow.
fn circuit_findings(layout: &Layout) -> Vec<Diagnostic> {
    study::findings(layout).iter().map(Diagnostic::from).collect()
}

/// In the order of the file; at one place the worst first.
fn sort(found: &mut [Diagnostic]) {
    found.sort_by(|a, b| {
        (a.span.start, a.severity, a.code, &a.subject).cmp(&(
            b.span.start,
            b.severity,
            b.code,
            &b.subject,
        ))
    });
}

impl Diagnostic {
    /// It makes the exit status 1.
    #[must_use]
    pub fn is_error(&self) -> bool {
        self.severity == Severity::Error
    }

    /// It is more than advice.
    #[must_use]
    pub fn is_serious(&self) -> bool {
        match self.severity {
            Severity::Error | Severity::Warning => true,
            Severity::Advice => false,
        }
    }

    fn as_json(&self, lines: &LineIndex) -> Json {
        let (line, column) = self.place(lines);
        json!({
            "code": self.code,
            "severity": severity_word(self.severity),
            "subject": self.subject,
            "line": line,
            "column": column,
            "message": self.message,
            "remedy": self.remedy,
        })
    }
}

const fn severity_word(severity: Severity) -> &'static str {
    match severity {
        Severity::Error => "error",
        Severity::Warning => "warning",
        Severity::Advice => "advice",
    }
}

fn as_json(source: &Source, report: Option<&Report>, found: &[Diagnostic]) -> Json {
    let lines = source.lines();
    let findings: Vec<Json> = found.iter().map(|it| it.as_json(&lines)).collect();
    let layout = source.read.layout.as_ref();
    let frogs = match (layout, report) {
        (Some(layout), Some(report)) => frog_rows(layout, report),
        (None, _) | (_, None) => Vec::new(),
    };
    let loops = match (layout, report) {
        (Some(layout), Some(report)) => loop_rows(layout, report),
        (None, _) | (_, None) => Vec::new(),
    };
    json!({
        "layout": layout.map(|layout| layout.name.as_str()),
        "schema": SCHEMA,
        "findings": findings,
        "frogs": frogs,
        "loops": loops,
    })
}

/// One row a frog and combination of positions.
fn frog_rows(layout: &Layout, report: &Report) -> Vec<Json> {
    let mut rows = Vec::new();
    for (at, frog) in layout.frogs.iter().enumerate() {
        let index = FrogIx::new(at);
        let own = layout.district_of_frog(index);
        let proof = report.proof.frog(index);
        for (number, row) in proof.rows.iter().enumerate() {
            let positions: Map<String, Json> = proof
                .positions(number)
                .map(|(machine, position)| {
                    (layout.machines[machine.at()].id.clone(), json!(position.word()))
                })
                .collect();
            rows.push(json!({
                "frog": frog.id,
                "positions": positions,
                "required": required_word(row.required),
                "wired": wired_word(row.wired),
                "district": layout.districts[row.district.unwrap_or(own).at()].id,
                "valid": row.valid,
                "seen_by": row.seen_by.map(|block| layout.blocks[block.at()].id.as_str()),
            }));
        }
    }
    rows
}

fn loop_rows(layout: &Layout, report: &Report) -> Vec<Json> {
    report
        .loops
        .iter()
        .map(|found| {
            let tracks: Vec<&str> =
                found.tracks.iter().map(|track| layout.tracks[track.at()].id.as_str()).collect();
            json!({"tracks": tracks, "gap_at": found.gap_at})
        })
        .collect()
}

/// `A B any conflict`.
#[must_use]
pub const fn required_word(required: Required) -> &'static str {
    match required {
        Required::On(conductor) => conductor.word(),
        Required::Any => "any",
        Required::Conflict => "conflict",
    }
}

/// `A B none both`.
#[must_use]
pub const fn wired_word(wired: Wired) -> &'static str {
    match wired {
        Wired::On(conductor) => conductor.word(),
        Wired::None => "none",
        Wired::Both => "both",
    }
}

fn print_text(
    source: &Source,
    report: Option<&Report>,
    found: &[Diagnostic],
    verbose: bool,
) -> Result<(), Failure> {
    let renderer = Styled::Stdout.renderer();
    let path = source.path.display().to_string();
    let lines = source.lines();
    for finding in found {
        print::line(&finding.render(&lines, &path, &renderer))?;
        print::line("")?;
    }
    if let (Some(layout), Some(report)) = (&source.read.layout, report) {
        if verbose {
            print::line(&check_verbose::tables(layout, report))?;
        }
        print::line(&size_line(layout))?;
    }
    if let Some(line) = left_out_line(source) {
        print::line(&line)?;
    }
    print::line(&count_line(found))?;
    print::line(CAUTION)
}

/// What was looked at: a proof of nothing would otherwise read like a proof.
fn size_line(layout: &Layout) -> String {
    let counted = |count: usize, one: &str, many: &str| match count {
        1 => format!("1 {one}"),
        count => format!("{count} {many}"),
    };
    format!(
        "{}: {}, {}, {}, {}, {}, {}.",
        layout.name,
        counted(layout.boosters.len(), "booster", "boosters"),
        counted(layout.districts.len(), "district", "districts"),
        counted(layout.blocks.len(), "block", "blocks"),
        counted(layout.trackwork.len(), "piece of trackwork", "pieces of trackwork"),
        counted(layout.frogs.len(), "frog", "frogs"),
        counted(layout.tracks.len(), "piece of plain track", "pieces of plain track"),
    )
}

/// What the counts lack, so that nobody looks for a second mistake.
fn left_out_line(source: &Source) -> Option<String> {
    let left_out = &source.read.left_out;
    if !source.read.is_toml {
        return Some("Not checked: what the error in the file's form hides.".to_owned());
    }
    let (first, rest) = left_out.split_at(left_out.len().min(LEFT_OUT_SHOWN));
    let more = if rest.is_empty() { String::new() } else { format!(" and {} more", rest.len()) };
    (!left_out.is_empty()).then(|| {
        format!("Left out because of the errors, and not checked: {}{more}.", first.join(", "))
    })
}

fn count_line(found: &[Diagnostic]) -> String {
    let count = |severity| found.iter().filter(|finding| finding.severity == severity).count();
    let (errors, warnings) = (count(Severity::Error), count(Severity::Warning));
    let advice = count(Severity::Advice);
    let noun =
        |count: usize, word: &str| format!("{count} {word}{}", if count == 1 { "" } else { "s" });
    if errors == 0 && warnings == 0 && advice == 0 {
        "Every frog is on the right conductor in every position. Nothing found.".to_owned()
    } else {
        format!("{}, {}, {advice} advice.", noun(errors, "error"), noun(warnings, "warning"))
    }
}
