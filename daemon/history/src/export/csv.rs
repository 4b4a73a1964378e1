//! CSV after RFC 4180: one row an instant, one column a channel, empty where a channel has no sample.

use serde_json::Value;

use crate::json::{Fault, Machine, Pole};

/// The samples of a fault.
#[must_use]
pub fn csv(fault: &Fault) -> String {
    let mut instants: Vec<f64> = fault.waveforms.iter().flat_map(|it| it.ms.clone()).collect();
    instants.sort_by(f64::total_cmp);
    instants.dedup();
    let head = std::iter::once("ms".to_owned()).chain(fault.waveforms.iter().map(|it| {
        let unit = it.unit.as_deref().map_or_else(String::new, |unit| format!(" ({unit})"));
        format!("{}{unit}", it.channel)
    }));
    let mut out = row(head);
    let mut next = vec![0_usize; fault.waveforms.len()];
    for instant in instants {
        // Samples of one channel at one instant take a row each, so that none is lost.
        loop {
            let mut any = false;
            let mut cells = vec![format!("{instant:.3}")];
            for (waveform, at) in fault.waveforms.iter().zip(&mut next) {
                if waveform.ms.get(*at) == Some(&instant) {
                    cells.push(written(&waveform.values[*at]));
                    *at += 1;
                    any = true;
                } else {
                    cells.push(String::new());
                }
            }
            if !any {
                break;
            }
            out.push_str(&row(cells.into_iter()));
        }
    }
    out
}

/// The ledger, one row a pole; a machine without a hit has one row with its poles' columns empty.
#[must_use]
pub fn machines_csv(machines: &[Machine]) -> String {
    let head = [
        "machine",
        "throws",
        "last throw (s)",
        "first throws (s)",
        "latest throws (s)",
        "change-over (ms)",
        "mismatches",
        "pole",
        "hits",
        "energy (A2s)",
        "stress (%)",
        "peak (A)",
        "proved",
        "verdict",
        "because",
    ];
    let mut out = row(head.into_iter().map(str::to_owned));
    for machine in machines {
        if machine.poles.is_empty() {
            out.push_str(&machine_row(machine, None));
        }
        for pole in &machine.poles {
            out.push_str(&machine_row(machine, Some(pole)));
        }
    }
    out
}

/// What is not measured is an empty cell.
fn machine_row(machine: &Machine, pole: Option<&Pole>) -> String {
    let known = |value: Option<f64>, places: usize| {
        value.map_or_else(String::new, |it| format!("{it:.places$}"))
    };
    let of = |text: &dyn Fn(&Pole) -> String| pole.map_or_else(String::new, text);
    row([
        machine.machine.clone(),
        machine.throws.to_string(),
        known(machine.throw_times.last().copied(), 3),
        known(machine.throw_first, 3),
        known(machine.throw_latest, 3),
        known(machine.change_over_ms, 1),
        machine.mismatches.to_string(),
        of(&|it| it.pole.clone()),
        of(&|it| it.hits.to_string()),
        of(&|it| it.energy.to_string()),
        of(&|it| format!("{:.1}", it.stress)),
        of(&|it| it.amps.to_string()),
        machine.proved.clone().unwrap_or_default(),
        machine.verdict.clone(),
        machine.because.clone(),
    ]
    .into_iter())
}

/// A value without a number or word is `invalid`: empty would mean that there was no sample.
fn written(value: &Value) -> String {
    match value {
        Value::Number(number) => number.to_string(),
        Value::String(word) => word.clone(),
        Value::Null | Value::Bool(_) | Value::Array(_) | Value::Object(_) => "invalid".to_owned(),
    }
}

fn row(cells: impl Iterator<Item = String>) -> String {
    let cells: Vec<String> = cells.map(|cell| quoted(&cell)).collect();
    cells.join(",") + "\r\n"
}

fn quoted(cell: &str) -> String {
    if cell.contains([',', '"', '\r', '\n']) {
        format!("\"{}\"", cell.replace('"', "\"\""))
    } else {
        cell.to_owned()
    }
}
