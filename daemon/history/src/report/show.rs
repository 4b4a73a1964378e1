//! One fault.

use std::fmt::Write;

use jiff::tz::TimeZone;

use super::{
    number,
    plot::{Window, plot},
    span, table, time, wrapped,
};
use crate::json::{Contact, Cut, Event, Fault, Samples, Suspect, Waveform};

/// Width of paragraphs.
const WIDTH: usize = 100;

/// Suspects with less are counted only. Of 1.
const SHARE_MIN: f64 = 0.01;

/// Analog channels that are plotted at most.
const PLOTS_MAX: usize = 3;

/// Everything about one fault, for a terminal. `zone` is the reader's.
#[must_use]
pub fn show(fault: &Fault, zone: &TimeZone) -> String {
    let mut out = format!(
        "Fault {}, {}, district {}\n\n",
        fault.summary.fault,
        time::local(fault.summary.trigger_us, zone),
        fault.summary.district
    );
    out.push_str(&wrapped(&fault.story, WIDTH, ""));
    section(&mut out, "Suspects", &suspects(fault));
    section(&mut out, "What to do", &advice(fault));
    section(&mut out, "Waveform", &waveforms(fault));
    section(&mut out, "Sequence of events, ms from trigger", &events(&fault.events));
    section(&mut out, "What was cut", &cuts(&fault.cuts));
    section(&mut out, "Contact stress", &contacts(&fault.contacts));
    section(&mut out, "At the onset", &onset(fault));
    section(&mut out, "Notes", &notes(fault));
    out
}

fn section(out: &mut String, title: &str, body: &str) {
    if !body.is_empty() {
        let _ = write!(out, "\n{title}\n{body}");
    }
}

fn suspects(fault: &Fault) -> String {
    let mut out = String::new();
    let (named, few): (Vec<&Suspect>, Vec<&Suspect>) =
        fault.suspects.iter().partition(|it| SHARE_MIN <= it.share);
    for suspect in named {
        out.push_str(&one_suspect(suspect));
    }
    if !few.is_empty() {
        let _ = writeln!(out, "           {} others below 1 %", few.len());
    }
    if let Some(text) = &fault.inseparable {
        out.push_str(&wrapped(text, WIDTH, "  "));
    }
    if let Some(named) = &fault.summary.named {
        let who = fault.naming.as_ref().map_or("an operator", |it| &it.who);
        let _ = writeln!(out, "  named by {who}: {named}");
    }
    out
}

fn one_suspect(suspect: &Suspect) -> String {
    let share = number(suspect.share * 100.0, 1);
    let mut out = format!("  {share:>5} %  {}\n", suspect.text);
    for reason in &suspect.reasons {
        let sign = if reason.ratio >= 1.0 { '+' } else { '-' };
        let _ = writeln!(out, "           {sign} {} (x {})", reason.text, number(reason.ratio, 2));
    }
    out
}

fn advice(fault: &Fault) -> String {
    fault
        .advice
        .iter()
        .enumerate()
        .map(|(at, step)| wrapped(&format!("{}. {step}", at + 1), WIDTH, "  "))
        .collect()
}

/// The district's own channels first, currents before voltages.
fn waveforms(fault: &Fault) -> String {
    match fault.summary.samples {
        Samples::Pruned => return "  The samples were removed to bound size and age.\n".to_owned(),
        Samples::None => return "  No samples were recorded.\n".to_owned(),
        Samples::Kept => {}
    }
    let own = format!("district/{}/", fault.summary.district);
    let mut analog: Vec<&Waveform> =
        fault.waveforms.iter().filter(|it| it.unit.is_some()).collect();
    analog.sort_by_key(|it| (!it.channel.starts_with(&own), it.unit.as_deref() != Some("A")));
    let window = Window::of(fault);
    let plots: Vec<String> =
        analog.into_iter().filter_map(|it| plot(it, window)).take(PLOTS_MAX).collect();
    plots.join("\n")
}

/// Values that only follow from the events are left to the exports.
fn events(events: &[Event]) -> String {
    let left = events.iter().filter(|it| it.kind == "state").count();
    let rows: Vec<Vec<String>> = events
        .iter()
        .filter(|it| it.kind != "state")
        .map(|it| {
            let mark = if it.first_out { "[first-out] " } else { "" };
            vec![format!("  {:>10}", format!("{:+.3}", it.ms)), format!("{mark}{}", it.text)]
        })
        .collect();
    let mut out = table(&rows);
    if left > 0 {
        let _ = writeln!(out, "  {left} values that follow from these are in the exports.");
    }
    out
}

fn cuts(cuts: &[Cut]) -> String {
    let row = |it: &Cut| {
        let proof = match (it.proved_ms, it.proof.as_deref()) {
            (Some(proved), Some(proof)) => {
                format!("proved off {} after the order ({proof})", span(proved - it.ordered_ms))
            }
            _ => "not proved".to_owned(),
        };
        vec![format!("  {}", it.feed), format!("ordered at {:+.1} ms", it.ordered_ms), proof]
    };
    table(&cuts.iter().map(row).collect::<Vec<_>>())
}

fn contacts(contacts: &[Contact]) -> String {
    if contacts.is_empty() {
        return String::new();
    }
    let head =
        ["  pole", "current", "energy", "heat before", "heat after", "hits", "basis", "spot"];
    let mut rows = vec![head.map(str::to_owned).to_vec()];
    rows.extend(contacts.iter().map(contact));
    table(&rows)
}

fn contact(it: &Contact) -> Vec<String> {
    vec![
        format!("  {}", it.pole),
        format!("{} A", number(it.amps, 2)),
        format!("{} A2s", number(it.energy, 3)),
        format!("{} %", number(it.before, 0)),
        format!("{} %", number(it.after, 0)),
        it.hits.to_string(),
        if it.estimated { "estimated" } else { "measured" }.to_owned(),
        match (it.melting, it.softening) {
            (true, _) => "above melting",
            (false, true) => "above softening",
            (false, false) => "",
        }
        .to_owned(),
    ]
}

fn onset(fault: &Fault) -> String {
    let positions =
        fault.positions.iter().map(|it| vec![format!("  {}", it.machine), it.position.clone()]);
    let polarity = fault.polarity.iter().map(|it| {
        let measured = it.measured.as_deref().unwrap_or("not measured");
        vec![format!("  {}", it.frog), format!("expected {}, measured {measured}", it.expected)]
    });
    table(&positions.chain(polarity).collect::<Vec<_>>())
}

fn notes(fault: &Fault) -> String {
    fault
        .notes
        .iter()
        .map(|it| wrapped(&format!("{} {}: {}", it.at, it.who, it.text), WIDTH, "  "))
        .collect()
}
