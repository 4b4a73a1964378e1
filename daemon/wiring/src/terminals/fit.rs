//! Whether the wires of a terminal go through its hole, and which number drill would clear them.

use super::{MachineWiring, Wiring};
use crate::{
    layout::Layout,
    material,
    units::{Gauge, Micrometres},
};

/// A number drill.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drill {
    /// Its number.
    pub number: u8,
    /// Its diameter. Unit: inch, as the tables print it.
    pub inches: f64,
}

impl Drill {
    /// Its diameter. Unit: millimetre.
    #[must_use]
    pub fn millimetres(self) -> f64 {
        self.inches * 25.4
    }
}

const fn drill(number: u8, inches: f64) -> Drill {
    Drill { number, inches }
}

/// Where [`DRILLS`] come from, for print.
pub const DRILLS_SOURCE: &str = "number drills after ASME B94.11M, as printed in a brass and copper supplier's \
                                 tap-drill chart and a public-domain drill table (v.2, 2007); number 52 from memory";

/// Number drills from the thinnest up.
pub const DRILLS: [Drill; 11] = [
    drill(60, 0.0400),
    drill(59, 0.0410),
    drill(58, 0.0420),
    drill(57, 0.0430),
    drill(56, 0.0465),
    drill(55, 0.0520),
    drill(54, 0.0550),
    drill(53, 0.0595),
    drill(52, 0.0635),
    drill(51, 0.0670),
    drill(50, 0.0700),
];

/// A strand of seven, round one, is three strands across: its diameter is 3 / √7 that of a solid wire of the same
/// copper.
const SEVEN_STRANDS: f64 = 1.133_893_419_027_682;

/// Thickness of the insulation of hook-up wire for 300 V. Unit: millimetre. From memory; kinds differ.
pub const INSULATION: f64 = 0.4;

/// The diameters of a wire. Unit: millimetre.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Diameters {
    /// A single solid wire, bare.
    pub solid: f64,
    /// Seven strands, bare.
    pub stranded: f64,
    /// Seven strands with [`INSULATION`] around.
    pub insulated: f64,
}

/// The diameters of a wire, computed from its copper.
#[must_use]
pub fn diameters(gauge: Gauge) -> Diameters {
    let solid = material::diameter(gauge);
    let stranded = solid * SEVEN_STRANDS;
    Diameters { solid, stranded, insulated: 2.0f64.mul_add(INSULATION, stranded) }
}

/// What the wires of a terminal need, and whether they get it.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// The terminals: positions in the machine's list.
    pub terminals: Vec<usize>,
    /// The wires that share each of them.
    pub wires: Vec<Gauge>,
    /// Diameter of the round hole that all of them go through, bare and stranded. Unit: millimetre.
    pub needs: f64,
    /// The hole.
    pub hole: Option<Micrometres>,
    /// The thinnest number drill that clears them; none when the table has none so thick.
    pub drill: Option<Drill>,
}

impl Fit {
    /// They go through; none when the hole is not known.
    #[must_use]
    pub fn fits(&self) -> Option<bool> {
        self.hole.map(|hole| self.needs <= hole.0 as f64 / 1e3)
    }
}

/// The thinnest number drill that clears a diameter in millimetres.
#[must_use]
pub fn clearing(millimetres: f64) -> Option<Drill> {
    DRILLS.into_iter().find(|drill| millimetres < drill.millimetres())
}

/// Diameter of a hole for several wires. Unit: millimetre. Two touching circles lie within a circle of the sum of their
/// diameters; three equal ones within 1 + 2/√3 diameters; more are given the sum, which is always enough.
#[must_use]
pub fn around(wires: &[Gauge]) -> f64 {
    let each = wires.iter().map(|gauge| diameters(*gauge).stranded);
    match wires.len() {
        3 => each.fold(0.0, f64::max) * (1.0 + 2.0 / 3f64.sqrt()),
        _ => each.sum(),
    }
}

/// The terminals of a machine that hold wires of known size, those with equal wires together.
#[must_use]
pub fn fits(layout: &Layout, wiring: &Wiring, machine: &MachineWiring) -> Vec<Fit> {
    let hole = layout.machines[machine.machine.at()].terminal_hole;
    let mut found: Vec<Fit> = Vec::new();
    for (at, terminal) in machine.terminals.iter().enumerate() {
        let held: Option<Vec<Gauge>> =
            wiring.at(machine, &terminal.function).map(|(wire, _)| wire.gauge).collect();
        let Some(wires) = held.filter(|wires| !wires.is_empty()) else { continue };
        match found.iter_mut().find(|fit| fit.wires == wires) {
            Some(fit) => fit.terminals.push(at),
            None => {
                let needs = around(&wires);
                let drill = clearing(needs);
                found.push(Fit { terminals: vec![at], wires, needs, hole, drill });
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: wire.csv (ASTM B258) and the number-drill table beside it.
    #[test]
    fn the_drill_that_clears_a_bare_solid_wire_is_that_of_the_published_table() {
        for (awg, number) in [(18, 59), (16, 55), (14, 51)] {
            let drill = clearing(diameters(Gauge::Awg(awg)).solid).expect("in the table");
            assert_eq!(drill.number, number, "{awg} AWG");
        }
        assert_eq!(clearing(diameters(Gauge::Awg(12)).solid), None, "thicker than the table goes");
    }

    #[test]
    fn seven_strands_of_equal_copper_are_thicker_than_one() {
        let it = diameters(Gauge::Awg(22));
        let strand = (material::area(Gauge::Awg(22)) / 7.0 * 4.0 / std::f64::consts::PI).sqrt();
        assert!((it.stranded - 3.0 * strand).abs() < 1e-9);
        assert!(it.solid < it.stranded && it.stranded < it.insulated);
    }

    #[test]
    fn wires_that_share_a_hole_need_room_for_all() {
        let one = around(&[Gauge::Awg(22)]);
        assert!((around(&[Gauge::Awg(22); 2]) - 2.0 * one).abs() < 1e-9);
        assert!((around(&[Gauge::Awg(22); 3]) - 2.1547 * one).abs() < 1e-3);
    }
}
