//! The figures as text.

use std::{collections::BTreeMap, fmt::Write as _};

use super::{
    ledger::Ledger,
    tally::{Share, Tally, spread},
};

/// Adds up by scenario, in the order of the list.
pub fn by_scenario(ledger: &Ledger) -> (BTreeMap<&str, Tally>, Tally) {
    let mut tallies: BTreeMap<&str, Tally> = BTreeMap::new();
    let mut all = Tally::default();
    for (scenario, tally) in ledger.faults() {
        tallies.entry(scenario).or_default().take_in(tally.clone());
        all.take_in(tally);
    }
    (tallies, all)
}

fn millis(of: Option<f64>) -> String {
    of.map_or_else(|| "-".to_owned(), |millis| format!("{millis:.0}"))
}

/// One line a scenario.
pub fn scenarios(tallies: &BTreeMap<&str, Tally>, all: &Tally) -> String {
    let mut text = format!(
        "{:<5} {:>5} {:>5} | {:>6} {:>6} {:>6} {:>6} | {:>5} {:>5} {:>5} | {:>5} {:>6} {:>6} | {:>6} {:>6} {:>6} {:>6}\n",
        "",
        "tried",
        "short",
        "cut",
        "alone",
        "select",
        "calm",
        "p50",
        "p95",
        "max",
        "poles",
        "saved",
        "alone",
        "first",
        "three",
        "group1",
        "group3"
    );
    for (id, tally) in tallies.iter().map(|(id, tally)| (*id, tally)).chain([("all", all)]) {
        let [p50, p95, max] = spread(&tally.millis);
        let _ = writeln!(
            text,
            "{id:<5} {:>5} {:>5} | {:>6} {:>6} {:>6} {:>6} | {:>5} {:>5} {:>5} | {:>5} {:>6} {:>6} | {:>6} {:>6} {:>6} {:>6}",
            tally.tried,
            tally.flowed,
            tally.cut.percent(),
            tally.cut_alone.percent(),
            tally.selective.percent(),
            tally.needless.percent(),
            millis(p50),
            millis(p95),
            millis(max),
            tally.saved_where_possible.of,
            tally.saved_where_possible.percent(),
            tally.saved_alone_where_possible.percent(),
            tally.first.percent(),
            tally.in_three.percent(),
            tally.first_group.percent(),
            tally.in_three_group.percent(),
        );
    }
    text.push_str(
        "tried: faults in place. short: fault current flowed. cut: of faults to be cut that were, percent; alone: the \
         breaker or booster opened.\nselect: of cuts, those of the smallest part that holds the fault and nothing \
         else. calm: not cut where telling was asked for.\np50 p95 max: milliseconds from fault current to the order. \
         poles: contacts that carried it and could be saved; saved, and by the breaker alone.\nfirst, three: the \
         culprit among the suspects, each by itself; group1, group3: those that the record says it cannot tell apart as \
         one.\n",
    );
    text
}

/// The whole in a few lines, goals beside.
pub fn summary(all: &Tally) -> String {
    let mut text = String::new();
    let mut line = |name: &str, with: String, alone: String, goal: &str| {
        let _ = writeln!(text, "{name:<44} {with:<28} {alone:<28} {goal}");
    };
    line("", "with Checkrail".into(), "breakers alone".into(), "goal");
    line("dependability", all.cut.whole(), all.cut_alone.whole(), "99.9 %");
    let save = |share: &Share| share.whole();
    line("contacts saved, all", save(&all.saved), save(&all.saved_alone), "");
    line(
        "contacts saved, where a cut in time can",
        save(&all.saved_where_possible),
        save(&all.saved_alone_where_possible),
        "99.5 %",
    );
    line("selectivity", all.selective.whole(), String::new(), "");
    line("no cut where telling is asked for", all.needless.whole(), String::new(), "");
    let without = format!("{} in {} trials", all.cut_without, all.tried);
    line("cuts before a fault was in place, or after it", without, String::new(), "0");
    line("culprit first, each suspect by itself", all.first.whole(), String::new(), "");
    line("culprit in three, each suspect by itself", all.in_three.whole(), String::new(), "");
    line("culprit first, inseparable as one", all.first_group.whole(), String::new(), "90 %");
    line("culprit in three, inseparable as one", all.in_three_group.whole(), String::new(), "98 %");
    line("culprit first, without the inseparable", all.first_told.whole(), String::new(), "90 %");
    line(
        "culprit in three, without the inseparable",
        all.in_three_told.whole(),
        String::new(),
        "98 %",
    );
    let times = |of: &[f64]| {
        let [p50, p95, max] = spread(of).map(millis);
        format!("{p50} / {p95} / {max}")
    };
    line(
        "ms from fault current to order / opening",
        times(&all.millis),
        times(&all.millis_alone),
        "p50 / p95 / max",
    );
    text
}
