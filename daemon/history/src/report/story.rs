//! One paragraph of what happened.

use supervision::words::sentence;

use super::{number, plain, span};
use crate::json::{Beside, Contact, Cut, Fault};

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
    sentences.extend(fault.beside.iter().map(beside));
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

/// Another district that the same fault took, before this one or after it.
fn beside(other: &Beside) -> String {
    let Beside { district, fault, text, after_ms, .. } = other;
    let why = text.split(',').next().unwrap_or(text);
    if *after_ms < 0.0 {
        return format!(
            "District {district} had gone {} before by the same fault (fault {fault}: {why}).",
            span(-after_ms)
        );
    }
    let span = span(*after_ms);
    format!("District {district} followed {span} later by the same fault (fault {fault}: {why}).")
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_district_that_went_with_it_is_told_of_before_the_suspects() {
        let mut fault: Fault =
            serde_json::from_str(include_str!("../../tests/data/fault.json")).expect("a record");
        let other = |after_ms: f64| Beside {
            district: "valley".to_owned(),
            fault: 13,
            cause: "tripped-elsewhere".to_owned(),
            text: "breaker or booster tripped before Checkrail, 4.9 A and then none".to_owned(),
            after_ms,
        };
        let why = "(fault 13: breaker or booster tripped before Checkrail). First suspect";
        for (after_ms, want) in [
            (230.0, "District valley followed 230 ms later by the same fault"),
            (-230.0, "District valley had gone 230 ms before by the same fault"),
        ] {
            fault.beside = vec![other(after_ms)];
            let story = story(&fault);
            assert!(story.contains(&format!("{want} {why}")), "{story}");
        }
        // A record from before there was such a field.
        fault.beside.clear();
        assert!(!story(&fault).contains("same fault"));
    }
}
