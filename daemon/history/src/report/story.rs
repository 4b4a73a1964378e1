//! One paragraph of what happened.

use supervision::words::sentence;

use super::{number, plain, span};
use crate::json::{Contact, Cut, Fault};

/// The paragraph, made from the record alone.
pub(crate) fn story(fault: &Fault) -> String {
    let was = if fault.cuts.is_empty() { "" } else { " was cut" };
    let mut sentences = vec![
        format!("District {}{was}: {}.", fault.summary.district, fault.summary.text),
        current(fault),
    ];
    sentences.extend(fault.cuts.iter().map(cut));
    if fault.cuts.is_empty() {
        sentences.push("Nothing was ordered off.".to_owned());
    }
    sentences.extend(suspicion(fault));
    sentences.extend(worst_contact(fault));
    if fault.cut_short {
        sentences.push("The record was cut short by a stop.".to_owned());
    }
    sentences.join(" ")
}

fn current(fault: &Fault) -> String {
    let peak = fault.summary.peak.map_or_else(
        || "The current was not measured".to_owned(),
        |amps| format!("Current rose to {} A", number(amps, 2)),
    );
    match fault.summary.cleared_ms {
        Some(ms) => format!("{peak} and was gone {} after onset.", span(ms)),
        None => format!("{peak}; it was not seen to go."),
    }
}

fn cut(cut: &Cut) -> String {
    let again = if cut.attempts > 1 { format!(", {} times", cut.attempts) } else { String::new() };
    match (cut.proved_ms, cut.proof.as_deref()) {
        (Some(proved), Some(proof)) => format!(
            "The {} was ordered off{again} and proved off {} later ({proof} proof).",
            plain(&cut.feed),
            span(proved - cut.ordered_ms)
        ),
        _ => {
            format!("The {} was ordered off{again}; that was not proved.", plain(&cut.feed))
        }
    }
}

fn suspicion(fault: &Fault) -> Option<String> {
    let first = fault.suspects.first()?;
    let share = number(first.share * 100.0, 0);
    Some(match first.reasons.iter().find(|reason| reason.ratio > 1.0) {
        Some(reason) => {
            format!("First suspect, {share} % of the evidence: {} ({}).", first.text, reason.text)
        }
        None => format!("First suspect, {share} % of the evidence: {}.", first.text),
    })
}

fn worst_contact(fault: &Fault) -> Option<String> {
    let worst: &Contact = fault
        .contacts
        .iter()
        .filter(|it| it.energy > 0.0)
        .max_by(|a, b| a.energy.total_cmp(&b.energy))?;
    let basis = if worst.estimated { "estimated" } else { "measured" };
    Some(format!(
        "{} carried {} A and {} A2s ({basis}), its heat went from {} to {} % of its limit.",
        sentence(&plain(&worst.pole)),
        number(worst.amps, 2),
        number(worst.energy, 3),
        number(worst.before, 0),
        number(worst.after, 0)
    ))
}
