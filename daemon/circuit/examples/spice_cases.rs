//! Writes random layouts with faults as SPICE netlists, each with what this crate solves beside it:
//! `cargo run -p circuit --example spice_cases -- DIRECTORY COUNT`. The other half is `tests/peers/ngspice_check.py`.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a program: it prints, and reads what it is told"
)]

use std::{fmt::Write, path::PathBuf};

use circuit::{
    grid::{Bridge, Grid, Ohms, Scales},
    spice,
};

#[path = "../tests/support/mod.rs"]
mod support;

fn main() {
    let mut arguments = std::env::args().skip(1);
    let directory = PathBuf::from(arguments.next().expect("a directory"));
    let count: u64 = arguments.next().map_or(60, |text| text.parse().expect("a count"));
    for seed in 0..count {
        let support::random::Case { layout, switches, bridges } = support::random::case(seed);
        let grid = Grid::new(&layout, &Scales::unity(&layout));
        let (netlist, potentials) = spice::solved(&layout, &grid, &switches, &bridges);
        let flow = grid.solve(&switches, &bridges);
        let answer = json(&potentials, &bridges, &flow);
        std::fs::write(directory.join(format!("case-{seed:03}.cir")), netlist).expect("writable");
        std::fs::write(directory.join(format!("case-{seed:03}.json")), answer).expect("writable");
    }
    println!("{count} cases");
}

fn json(potentials: &[Option<f64>], bridges: &[Bridge], flow: &circuit::grid::Flow) -> String {
    let mut out = String::from("{\"nodes\":{");
    let known = potentials.iter().enumerate().filter_map(|(at, volts)| Some((at, (*volts)?)));
    for (place, (node, volts)) in known.enumerate() {
        let comma = if place == 0 { "" } else { "," };
        write!(out, "{comma}\"n{node}\":{volts:e}").expect("a string takes any text");
    }
    out.push_str("},\"bridges\":[");
    for (place, (Bridge { resistance: Ohms(ohms), .. }, amps)) in
        bridges.iter().zip(&flow.bridges).enumerate()
    {
        let comma = if place == 0 { "" } else { "," };
        write!(out, "{comma}{{\"ohms\":{ohms:e},\"amps\":{:e}}}", amps.0)
            .expect("a string takes any text");
    }
    out.push_str("]}");
    out
}
