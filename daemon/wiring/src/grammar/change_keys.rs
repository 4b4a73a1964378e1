//! Keys of a text that changes settings of protection and nothing else.

use super::{Fill, Table, Value, may, protection_keys};

/// The whole text.
pub static CHANGES: Table = Table {
    header: "",
    doc: "Settings of protection to try, in place of those of a layout file.",
    keys: &[
        may("protection", Value::Table(&protection_keys::PROTECTION), "For the layout as a whole."),
        may("district", Value::ById(&DISTRICT), "For districts, by id."),
        may("block", Value::ById(&BLOCK), "For blocks, by id."),
        may("machine", Value::ById(&MACHINE), "For machines, by id."),
    ],
    subject: "layout",
    fill: Fill::Nothing,
    open: false,
};

static DISTRICT: Table = Table {
    header: "district.ID",
    doc: "A district of the layout file.",
    keys: &[may("protection", Value::Table(&protection_keys::DISTRICT), "Its settings.")],
    subject: "district",
    fill: Fill::Nothing,
    open: false,
};

static BLOCK: Table = Table {
    header: "block.ID",
    doc: "A block of the layout file.",
    keys: &[may("protection", Value::Table(&protection_keys::BLOCK), "Its settings.")],
    subject: "block",
    fill: Fill::Nothing,
    open: false,
};

static MACHINE: Table = Table {
    header: "machine.ID",
    doc: "A switch machine of the layout file.",
    keys: &[may("protection", Value::Table(&protection_keys::MACHINE), "Its settings.")],
    subject: "machine",
    fill: Fill::Nothing,
    open: false,
};
