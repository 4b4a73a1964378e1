//! Wire to buy: what of which size and colour.

use std::collections::BTreeMap;

use super::WireRun;
use crate::units::{Gauge, Micrometres};

/// All wire of one size and colour.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Total {
    /// The size; none for wires of which the file states none.
    pub gauge: Option<Gauge>,
    /// The colour; none for wires of which the file states none.
    pub colour: Option<String>,
    /// Pieces.
    pub pieces: u32,
    /// Length of all pieces whose length is stated.
    pub length: Micrometres,
    /// Pieces whose length is not stated.
    pub unmeasured: u32,
}

/// Sums, thickest wire first, each colour on its own.
pub fn totals<'a>(wires: impl IntoIterator<Item = &'a WireRun>) -> Vec<Total> {
    let mut sums: BTreeMap<(i64, Option<String>), Total> = BTreeMap::new();
    for wire in wires {
        let sum = sums.entry((order(wire.gauge), wire.colour.clone())).or_insert_with(|| Total {
            gauge: wire.gauge,
            colour: wire.colour.clone(),
            pieces: 0,
            length: Micrometres::ZERO,
            unmeasured: 0,
        });
        let pieces = u32::from(wire.count);
        sum.pieces += pieces;
        match wire.total() {
            Some(length) => sum.length = sum.length + length,
            None => sum.unmeasured += pieces,
        }
    }
    sums.into_values().collect()
}

/// Thickest first, whatever the system; unstated sizes last. Unit: square nanometre, negative.
fn order(gauge: Option<Gauge>) -> i64 {
    gauge.map_or(i64::MAX, |gauge| -((crate::material::area(gauge) * 1e9).round() as i64))
}
