//! The list of faults.

use jiff::tz::TimeZone;

use super::{number, span, table, time};
use crate::json::{Samples, Summary};

/// One line a fault, in the order given. `zone` is the reader's.
#[must_use]
pub fn list(faults: &[Summary], zone: &TimeZone) -> String {
    if faults.is_empty() {
        return "No faults recorded.\n".to_owned();
    }
    let head =
        ["fault", "when", "district", "cause", "peak", "cleared", "first suspect", "samples"];
    let mut rows = vec![head.map(str::to_owned).to_vec()];
    rows.extend(faults.iter().map(|fault| row(fault, zone)));
    table(&rows)
}

fn row(fault: &Summary, zone: &TimeZone) -> Vec<String> {
    let nothing = || "-".to_owned();
    vec![
        fault.fault.to_string(),
        time::local(fault.trigger_us, zone),
        fault.district.clone(),
        fault.cause.clone(),
        fault.peak.map_or_else(nothing, |amps| format!("{} A", number(amps, 2))),
        fault.cleared_ms.map_or_else(nothing, span),
        suspect(fault),
        match (fault.complete, fault.samples) {
            (false, _) => "not finished".to_owned(),
            (true, Samples::Kept) => "kept".to_owned(),
            (true, Samples::Pruned) => "pruned".to_owned(),
            (true, Samples::None) => "none".to_owned(),
        },
    ]
}

fn suspect(fault: &Summary) -> String {
    match (&fault.named, &fault.suspect, fault.share) {
        (Some(named), _, _) => format!("{named} (named)"),
        (None, Some(first), Some(share)) => format!("{first} {} %", number(share * 100.0, 0)),
        (None, Some(first), None) => first.clone(),
        (None, None, _) => "-".to_owned(),
    }
}
