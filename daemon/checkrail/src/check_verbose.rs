//! The long tables of `check --verbose`: every frog in every position, what each detector sees, every value that the
//! file leaves to a default, every setting in force.

use std::fmt::Write;

use comfy_table::Table;
use wiring::{
    check::Report,
    detect,
    index::{BlockIx, FrogIx},
    layout::Layout,
    protection::Origin,
};

use crate::{
    check::{required_word, wired_word},
    table::table,
};

/// All tables, each under its heading.
#[must_use]
pub fn tables(layout: &Layout, report: &Report) -> String {
    let sections = [
        ("Frogs: the conductor each must be on, and the one it is tied to", frogs(layout, report)),
        ("Rails: the block whose detector sees a wheel there", rails(layout)),
        ("Assumed: what the file does not state", assumed(layout)),
        ("Protection: every key in force", protection(layout)),
    ];
    let mut out = String::new();
    for (heading, table) in sections {
        let _ = writeln!(out, "{heading}\n{table}\n");
    }
    out
}

fn frogs(layout: &Layout, report: &Report) -> Table {
    let mut table = table(&["frog", "positions", "must be on", "is tied to", "seen by"]);
    for (at, frog) in layout.frogs.iter().enumerate() {
        let proof = report.proof.frog(FrogIx::new(at));
        for (number, row) in proof.rows.iter().enumerate() {
            let positions: Vec<String> = proof
                .positions(number)
                .map(|(machine, position)| {
                    format!("{} {}", layout.machines[machine.at()].id, position.word())
                })
                .collect();
            let seen = row.seen_by.map_or("no detector", |block| &layout.blocks[block.at()].id);
            let required = if row.valid { required_word(row.required) } else { "invalid" };
            table.add_row([
                frog.id.as_str(),
                &positions.join(", "),
                required,
                wired_word(row.wired),
                seen,
            ]);
        }
    }
    table
}

fn rails(layout: &Layout) -> Table {
    let name = |block: Option<BlockIx>| {
        block.map_or("dead", |block| layout.blocks[block.at()].id.as_str())
    };
    let mut table = table(&["rails of", "left rail", "right rail"]);
    for it in detect::rails(layout) {
        table.add_row([it.piece.as_str(), name(it.left), name(it.right)]);
    }
    table
}

fn assumed(layout: &Layout) -> Table {
    let mut table = table(&["subject", "key", "assumed"]);
    for it in &layout.assumed {
        table.add_row([it.subject.as_str(), it.key, &it.value]);
    }
    table
}

fn protection(layout: &Layout) -> Table {
    let mut table = table(&["subject", "key", "value", "from"]);
    for it in &layout.protection.in_force {
        let origin = match it.origin {
            Origin::Default => "default",
            Origin::Layout => "[protection]",
            Origin::District => "district",
            Origin::Block => "block",
            Origin::Machine => "machine",
        };
        table.add_row([it.subject.as_str(), it.key, &it.value, origin]);
    }
    table
}
