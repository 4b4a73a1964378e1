//! The table of one switch machine as its sheet shows it, on paper and on the dashboard: which wire goes on which
//! terminal, in words.

use super::{MachineWiring, Terminal, Wiring, words};
use crate::{
    layout::{Layout, LimiterKind},
    units::Gauge,
};

/// A terminal with its wires.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Row {
    /// What stands on the machine, or a name of ours.
    pub terminal: String,
    /// The name is the owner's.
    pub is_named: bool,
    /// `contact 1 common`.
    pub function: String,
    /// The wires on it; none: see `free`.
    pub wires: Vec<End>,
    /// What a terminal without wires is for.
    pub free: Option<String>,
}

/// A wire as it is seen from its terminal.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct End {
    /// Its number on labels; none for a jumper.
    pub number: Option<u32>,
    /// Its colour in the owner's words; empty where the file states none.
    pub colour: String,
    /// Its size; none where the file states none.
    pub gauge: Option<Gauge>,
    /// Where it goes.
    pub to: String,
}

/// Every terminal of a machine, in the order in which they sit on it.
#[must_use]
pub fn rows(layout: &Layout, wiring: &Wiring, machine: &MachineWiring) -> Vec<Row> {
    machine.terminals.iter().map(|terminal| row(layout, wiring, machine, terminal)).collect()
}

fn row(layout: &Layout, wiring: &Wiring, machine: &MachineWiring, terminal: &Terminal) -> Row {
    let ends = wiring.at(machine, &terminal.function).map(|(wire, place)| End {
        number: wire.number,
        colour: words::colour(wire),
        gauge: wire.gauge,
        to: words::goes_to(layout, machine, place),
    });
    let wires: Vec<End> = ends.collect();
    Row {
        terminal: words::terminal(layout, terminal),
        is_named: terminal.label.is_some(),
        function: words::function(layout, terminal),
        free: wires.is_empty().then(|| words::unwired(terminal)),
        wires,
    }
}

/// `left-hand turnout T1, district home, block a`.
#[must_use]
pub fn belongs(layout: &Layout, machine: &MachineWiring) -> String {
    let each = machine.trackwork.iter().map(|trackwork| {
        let block = layout.trackwork[trackwork.at()].block;
        let district = &layout.districts[layout.district_of_block(block).at()].id;
        let block = &layout.blocks[block.at()].id;
        format!("{}, district {district}, block {block}", words::trackwork(layout, *trackwork))
    });
    let all: Vec<String> = each.collect();
    if all.is_empty() { "no trackwork names it".to_owned() } else { all.join("; ") }
}

/// Which poles stand side by side, and what is in the frogs' wires: a sentence each.
#[must_use]
pub fn notes(layout: &Layout, machine: &MachineWiring) -> Vec<String> {
    let mut notes = Vec::new();
    for frog in &machine.frogs {
        let it = &layout.frogs[frog.at()];
        let name = words::frog_name(layout, *frog);
        let poles: Vec<String> = it.poles.iter().map(|pole| layout.pole_name(pole.pole)).collect();
        if 1 < poles.len() {
            notes.push(format!(
                "Jumpers put contacts {} side by side, so that they share the current of the {name}.",
                words::and(&poles)
            ));
        }
        if let Some(limiter) = it.limiter {
            let kind = match limiter.kind {
                LimiterKind::Lamp => "a lamp",
                LimiterKind::Ptc => "a resettable fuse",
                LimiterKind::Resistor => "a resistor",
            };
            notes.push(format!("In the wire to the {name}: {kind}, {}.", limiter.ohms_hot));
        }
    }
    notes
}
