//! Readings a second of the supervisor alone, on one core.

#[path = "../../../daemon/supervision/tests/support/pace.rs"]
mod pace;
#[path = "../../../daemon/supervision/tests/support/traffic.rs"]
mod traffic;

use traffic::Yard;

use crate::{
    Plan,
    support::figures::{Row, row},
};

const VIEWS: u32 = 1_000;

/// Two sizes, quiet and with faults.
pub(crate) fn rows(plan: &Plan) -> Vec<Row> {
    let mut rows = Vec::new();
    for turnouts in [400, 4000] {
        let yard = Yard::new(turnouts);
        for (name, faults) in [("quiet", false), ("with faults", true)] {
            let each = pace::each(&yard, faults, plan.readings);
            rows.push(row(
                &format!("core, {turnouts} turnouts, {name}: readings a second"),
                &format!("{:.2} million", 1e-6 / each.as_secs_f64()),
                &format!("{} ns a reading", each.as_nanos()),
                "",
                "",
            ));
        }
        let view = pace::view(&yard, VIEWS);
        let what = format!("core, {turnouts} turnouts: a view of everything, ten times a second");
        rows.push(row(&what, &format!("{} us", view.as_micros()), "", "", ""));
    }
    rows
}
