//! Faults of a run that began before the last number was known: every number in an item moves by the same amount.

use supervision::{
    output::Decision,
    record::{FaultNumber, FaultRecord},
};

use crate::item::{Item, What};

/// The item with its fault numbers moved up. Notes stay: whoever writes one has read the number from the history.
pub(crate) fn later(mut item: Item, by: u32) -> Item {
    match &mut item.what {
        What::Order(order) => maybe(&mut order.fault, by),
        What::Event(event) => maybe(&mut event.fault, by),
        What::FaultOpened { fault, .. } | What::Culprit { fault, .. } => number(fault, by),
        What::FaultClosed(record) => whole(record, by),
        What::Alarm { .. }
        | What::Shelving { .. }
        | What::Hand { .. }
        | What::Note { .. }
        | What::Proving(_)
        | What::Commissioned(_)
        | What::Commissioning(_) => {}
    }
    item
}

fn whole(record: &mut FaultRecord, by: u32) {
    number(&mut record.number, by);
    for cut in &mut record.cuts {
        maybe(&mut cut.order.fault, by);
    }
    for other in &mut record.beside {
        number(&mut other.fault, by);
    }
    for output in &mut record.events {
        match &mut output.what {
            Decision::Order(order) => maybe(&mut order.fault, by),
            Decision::Event(event) => maybe(&mut event.fault, by),
            Decision::FaultOpened { fault, .. } => number(fault, by),
            Decision::Alarm(_)
            | Decision::State { .. }
            | Decision::FaultClosed(_)
            | Decision::Answer { .. }
            | Decision::Commissioned(_) => {}
        }
    }
}

const fn number(it: &mut FaultNumber, by: u32) {
    it.0 = it.0.saturating_add(by);
}

fn maybe(it: &mut Option<FaultNumber>, by: u32) {
    if let Some(it) = it {
        number(it, by);
    }
}
