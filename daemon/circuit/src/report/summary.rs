//! The answer of a study in a few sentences, before anybody reads a table.

use wiring::{check::check, finding::Severity, layout::Layout, units::Microamps};

use super::names;
use crate::study::{Contact, Study, Trips, Verdict, contact::Spot};

/// Names that a sentence lists before it says how many more there are.
const LISTED: usize = 8;

/// Sentences, the worst news first. `load` is the load that the voltage drops were studied with.
#[must_use]
pub fn summary(layout: &Layout, study: &Study, load: Microamps) -> Vec<String> {
    let mut sentences: Vec<String> = wrong(layout).into_iter().collect();
    sentences.push(clearing(study));
    sentences.extend(contacts(study));
    sentences.extend(coins(study));
    sentences.extend(lowest(study, load));
    sentences.extend(unwatched(layout, study));
    sentences
}

/// A contact that is protected on the wrong rail is no good news: what is wrong with the wiring comes before.
fn wrong(layout: &Layout) -> Option<String> {
    let findings = check(layout).findings;
    let errors = findings.iter().filter(|it| it.code.severity() == Severity::Error).count();
    let s = if errors == 1 { "" } else { "s" };
    (errors > 0).then(|| {
        format!(
            "The wiring has {errors} error{s}, which `checkrail check` shows: correct that first. What follows is of the \
             wiring as it is described."
        )
    })
}

fn clearing(study: &Study) -> String {
    let silent: Vec<&str> = study
        .shorts
        .iter()
        .filter(|short| short.trips == Trips::Nothing)
        .map(|short| short.at.as_str())
        .collect();
    match (study.shorts.len(), silent.is_empty()) {
        (0, _) => "There is no place where a short could be studied.".to_owned(),
        (_, true) => "Every short trips a breaker or its booster.".to_owned(),
        (all, false) => format!(
            "{} of {all} shorts trip nothing and burn on: {}.",
            silent.len(),
            names::listed(&distinct(&silent), LISTED)
        ),
    }
}

fn contacts(study: &Study) -> Vec<String> {
    let named = |verdict: Verdict| -> Vec<&str> {
        let fares = |contact: &&Contact| contact.outcome.verdict == verdict;
        study.contacts.iter().filter(fares).map(|contact| contact.name.as_str()).collect()
    };
    if study.contacts.is_empty() {
        return Vec::new();
    }
    let [good, marginal, bad] =
        [Verdict::Protected, Verdict::Marginal, Verdict::Unprotected].map(named);
    let mut sentences = Vec::new();
    if !bad.is_empty() {
        sentences.push(format!(
            "{} of {} contacts are unprotected, a short spends them before anything clears it: {}.",
            bad.len(),
            study.contacts.len(),
            names::listed(&bad, LISTED)
        ));
    }
    if !marginal.is_empty() {
        sentences.push(format!(
            "{} of {} contacts are marginal, they stand a short less than twice as long as it lasts: {}.",
            marginal.len(),
            study.contacts.len(),
            names::listed(&marginal, LISTED)
        ));
    }
    if good.len() == study.contacts.len() {
        sentences.push(format!("All {} contacts are protected.", good.len()));
    }
    let melting = study.contacts.iter().filter(|contact| contact.spot == Spot::Melts).count();
    if melting > 0 {
        sentences.push(format!("At {melting} contacts the touching spot itself would melt."));
    }
    sentences
}

fn coins(study: &Study) -> Option<String> {
    let failing: Vec<&str> = study
        .shorts
        .iter()
        .filter(|short| short.coin == Some(false))
        .map(|short| short.at.as_str())
        .collect();
    (!failing.is_empty()).then(|| {
        format!(
            "The coin test is forecast to fail at {} places: {}.",
            failing.len(),
            names::listed(&failing, LISTED)
        )
    })
}

fn lowest(study: &Study, load: Microamps) -> Option<String> {
    let drop = study.drops.iter().max_by(|a, b| a.percent.total_cmp(&b.percent))?;
    Some(format!(
        "A train of {load} has the least voltage at {}: {:.2} V, {:.1} % lost.",
        drop.at, drop.volts.0, drop.percent
    ))
}

/// A frog that no pole feeds has no contact to study, and the tables do not show it.
fn unwatched(layout: &Layout, study: &Study) -> Option<String> {
    let fed = |frog: usize| study.contacts.iter().any(|contact| contact.frog.at() == frog);
    let bare: Vec<&str> = (0..layout.frogs.len())
        .filter(|frog| !fed(*frog))
        .map(|frog| layout.frogs[frog].id.as_str())
        .collect();
    (!bare.is_empty()).then(|| {
        format!("No contact feeds {}: nothing to study there.", names::listed(&bare, LISTED))
    })
}

fn distinct<'a>(sorted: &[&'a str]) -> Vec<&'a str> {
    let mut all = sorted.to_vec();
    all.dedup();
    all
}
