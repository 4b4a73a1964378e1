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

/// From so many mismatches on it is watched. Common practice, no source.
const WATCH_MISMATCHES: u32 = 3;

/// The latest throws may take so much longer than the first ones. The same factor as the `machine-slow` alarm.
const DRIFT: f64 = 1.5;

/// Throws that make a first and a latest time.
const DRIFT_THROWS: usize = 5;

/// `good`, `watch` or `replace`, and the rule that says so.
pub(crate) fn verdict(machine: &Machine) -> (&'static str, String) {
    let (poles, proved) = (&machine.poles, machine.proved.is_some());
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
    if machine.mismatches >= WATCH_MISMATCHES {
        let times = machine.mismatches;
        return (
            "watch",
            format!("frog {times} times on the wrong rail, watched from {WATCH_MISMATCHES}"),
        );
    }
    if let Some(drift) = drift(machine).filter(|drift| *drift >= DRIFT) {
        return (
            "watch",
            format!(
                "throws take {} times as long as at first, watched from {DRIFT}",
                number(drift, 1)
            ),
        );
    }
    let tested = match (proved, machine.unproved_by.as_deref()) {
        (true, _) => "proved",
        (false, Some("failed")) => "failed its last commissioning",
        (false, Some(_)) => "rewired since it was proved: prove it anew",
        (false, None) => "never proved: that it is good is not measured",
    };
    let hits = match hits {
        0 => return ("good", format!("no fault current through it yet, {tested}")),
        1 => "1 hit".to_owned(),
        more => format!("{more} hits"),
    };
    ("good", format!("{used}, {hits}, {tested}"))
}

fn drift(machine: &Machine) -> Option<f64> {
    let (first, latest) = (machine.throw_first?, machine.throw_latest?);
    (first > 0.0).then(|| latest / first)
}

/// Medians of the first and of the latest throws; none while there are too few.
pub(crate) fn trend(throws: &[f64]) -> Option<(f64, f64)> {
    if throws.len() < 2 * DRIFT_THROWS {
        return None;
    }
    let first = median(&throws[..DRIFT_THROWS])?;
    let latest = median(&throws[throws.len() - DRIFT_THROWS..])?;
    Some((first, latest))
}

/// The middle value, of an even number the upper of the two.
pub(crate) fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied()
}

/// One line a machine, the worst first; then the rules.
#[must_use]
pub fn machines(machines: &[Machine]) -> String {
    if machines.is_empty() {
        return "Nothing in the ledger.\n".to_owned();
    }
    let head = [
        "machine",
        "verdict",
        "throws",
        "last throw",
        "trend",
        "change-over",
        "mismatches",
        "hits by pole",
        "stress used",
        "proved",
    ];
    let mut sorted: Vec<&Machine> = machines.iter().collect();
    sorted.sort_by_key(|it| place(&it.verdict));
    let mut rows = vec![head.map(str::to_owned).to_vec()];
    rows.extend(sorted.iter().map(|it| row(it)));
    let mut out = table(&rows);
    out.push('\n');
    for machine in sorted.iter().filter(|it| it.verdict != "good") {
        out.push_str(&format!("{}: {}: {}.\n", plain(machine), machine.verdict, machine.because));
    }
    out.push_str(&rules());
    out
}

/// The rules of the verdict in words.
#[must_use]
pub fn rules() -> String {
    format!(
        "Replace from {REPLACE_STRESS} % of what one pole's thermal image holds, carried in faults; watch from \
         {WATCH_STRESS} %, from {WATCH_HITS} hits on a pole, from {WATCH_MISMATCHES} mismatches, or when throws take \
         {DRIFT} times as long as at first (common practice, no source).\nNo hits does not mean that a contact is good: \
         only a measurement does.\n"
    )
}

fn place(verdict: &str) -> u8 {
    match verdict {
        "replace" => 0,
        "watch" => 1,
        _ => 2,
    }
}

fn plain(machine: &Machine) -> &str {
    machine.machine.strip_prefix("machine/").unwrap_or(&machine.machine)
}

/// The day on which it was last proved; where that counts no more, why.
fn last_proved(machine: &Machine) -> String {
    let day = |it: &str| it[..10.min(it.len())].to_owned();
    match (&machine.proved, &machine.proved_before) {
        (Some(at), _) => day(at),
        (None, Some(before)) => {
            let why = machine.unproved_by.as_deref().unwrap_or("not valid");
            format!("{}, {why} since", day(before))
        }
        (None, None) => "never".to_owned(),
    }
}

fn row(machine: &Machine) -> Vec<String> {
    let unknown = || "not measured".to_owned();
    let last = machine.throw_times.last();
    let trend = machine.throw_first.zip(machine.throw_latest);
    let by_pole = |text: &dyn Fn(&Pole) -> String| {
        let all: Vec<String> = machine.poles.iter().map(text).collect();
        if all.is_empty() { "-".to_owned() } else { all.join(" / ") }
    };
    vec![
        plain(machine).to_owned(),
        machine.verdict.clone(),
        machine.throws.to_string(),
        last.map_or_else(unknown, |it| format!("{} s", number(*it, 2))),
        trend.map_or_else(
            || "-".to_owned(),
            |(first, latest)| format!("{} to {} s", number(first, 2), number(latest, 2)),
        ),
        machine.change_over_ms.map_or_else(unknown, |it| format!("{} ms", number(it, 0))),
        machine.mismatches.to_string(),
        by_pole(&|it| it.hits.to_string()),
        by_pole(&|it| format!("{} %", number(it.stress, 1))),
        last_proved(machine),
    ]
}
