//! Faults in open formats: JSON, CSV, COMTRADE.

mod comtrade;
mod csv;

pub use comtrade::{Comtrade, Format, comtrade};
pub use csv::{csv, machines_csv};

use crate::json::Fault;

/// Everything, indented.
#[must_use]
pub fn json(fault: &Fault) -> String {
    // Numbers and text only: this cannot fail, and an empty text would be seen at once.
    serde_json::to_string_pretty(fault).unwrap_or_default() + "\n"
}
