//! The ledger of the machines, and the verdict on each with its rule.

use super::{number, table};
use crate::json::{Machine, Pole};

/// From here on a machine is to be replaced. Unit: % of what one pole's thermal image holds, summed over faults. Common
/// practice, no source.
const REPLACE_STRESS: f64 = 500.0;

/// From here on it is watched. Common practice, no source.
const WATCH_STRESS: f64 = 100.0;

/// From so many hits on it is watched. Common practice, no source.
const WATCH_HITS: u32 = 10;

/// The latest throws may take so much longer than the first ones. The same factor as the `machine-slow` alarm.
const DRIFT: f64 = 1.5;

/// Throws that make a first and a latest time.
const DRIFT_THROWS: usize = 5;

/// `good`, `watch` or `replace`, and the rule that says so.
pub(crate) fn verdict(poles: &[Pole], throws: &[f64], proved: bool) -> (&'static str, String) {
    let stress = poles.iter().map(|it| it.stress).fold(0.0, f64::max);
    let hits = poles.iter().map(|it| it.hits).max().unwrap_or(0);
    let used = format!("{} % of a pole's capacity carried in faults", number(stress, 0));
    if stress >= REPLACE_STRESS {
        return ("replace", format!("{used}, {} % is the limit", number(REPLACE_STRESS, 0)));
    }
    if stress >= WATCH_STRESS {
        return ("watch", format!("{used}, watched from {} %", number(WATCH_STRESS, 0)));
    }
    if hits >= WATCH_HITS {
        return ("watch", format!("{hits} hits on one pole, watched from {WATCH_HITS}"));
    }
    if let Some(drift) = drift(throws).filter(|drift| *drift >= DRIFT) {
        return ("watch", format!("throws take {} times as long as at first", number(drift, 1)));
    }
    let tested = if proved { "proved" } else { "never proved: that it is good is not measured" };
    ("good", format!("{used}, {hits} hits, {tested}"))
}

/// Median of the latest throws against the median of the first ones.
fn drift(throws: &[f64]) -> Option<f64> {
    if throws.len() < 2 * DRIFT_THROWS {
        return None;
    }
    let first = median(&throws[..DRIFT_THROWS]);
    let latest = median(&throws[throws.len() - DRIFT_THROWS..]);
    (first > 0.0).then(|| latest / first)
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[sorted.len() / 2]
}

/// One line a machine and pole.
#[must_use]
pub fn machines(machines: &[Machine]) -> String {
    if machines.is_empty() {
        return "Nothing in the ledger.\n".to_owned();
    }
    let head =
        ["machine", "throws", "last throw", "pole", "hits", "stress used", "verdict", "because"];
    let mut rows = vec![head.map(str::to_owned).to_vec()];
    for machine in machines {
        rows.extend(rows_of(machine));
    }
    table(&rows)
}

fn rows_of(machine: &Machine) -> Vec<Vec<String>> {
    let last = machine.throw_times.last();
    let last = last.map_or_else(|| "not measured".to_owned(), |it| format!("{} s", number(*it, 2)));
    let row = |pole: &str, hits: u32, stress: f64| {
        vec![
            machine.machine.clone(),
            machine.throws.to_string(),
            last.clone(),
            pole.to_owned(),
            hits.to_string(),
            format!("{} %", number(stress, 1)),
            machine.verdict.clone(),
            machine.because.clone(),
        ]
    };
    if machine.poles.is_empty() {
        return vec![row("-", 0, 0.0)];
    }
    machine.poles.iter().map(|it| row(&it.pole, it.hits, it.stress)).collect()
}
