//! The proof: rails from the netlist, contacts as switches, one row for each combination of positions.

use super::{FrogProof, PolarityProof, ProofRow, Required, Wired};
use crate::{
    index::{DistrictIx, FrogIx, MachineIx},
    layout::{Frog, Layout, Position, Trackwork},
    netlist::{Netlist, Supply},
    plan::settle,
    trackwork::Route,
};

/// Machines that may decide a frog. A proof has a row for each combination; above this it is left out and said so.
pub const MACHINES_MAX: usize = 10;

/// Proves the polarity of every frog.
#[must_use]
pub fn prove(layout: &Layout) -> PolarityProof {
    prove_net(&settle(layout).0)
}

pub(crate) fn prove_net(net: &Netlist<'_>) -> PolarityProof {
    let frogs = (0..net.layout.frogs.len()).map(|at| prove_frog(net, FrogIx::new(at)));
    PolarityProof { frogs: frogs.collect() }
}

fn prove_frog(net: &Netlist<'_>, frog: FrogIx) -> FrogProof {
    let machines = machines(net.layout, frog);
    let rows = if MACHINES_MAX < machines.len() { 0 } else { 1 << machines.len() };
    let rows = (0..rows).map(|row| prove_row(net, frog, &Combination { machines: &machines, row }));
    FrogProof { rows: rows.collect(), machines }
}

/// All machines of a frog's trackwork and of its poles, ascending, each once.
pub(crate) fn machines(layout: &Layout, frog: FrogIx) -> Vec<MachineIx> {
    let frog = &layout.frogs[frog.at()];
    let mut machines = layout.trackwork[frog.trackwork.at()].kind.machines();
    machines.extend(frog.poles.iter().map(|it| layout.poles[it.pole.at()].machine));
    machines.sort_unstable();
    machines.dedup();
    machines
}

/// One combination of positions. Bit n of `row` is set when machine n is reverse.
#[derive(Clone, Copy)]
pub(crate) struct Combination<'a> {
    pub(crate) machines: &'a [MachineIx],
    pub(crate) row: usize,
}

impl Combination<'_> {
    /// Position of a machine; normal for one that has no part in it.
    pub(crate) fn position(&self, machine: MachineIx) -> Position {
        match self.machines.binary_search(&machine) {
            Ok(bit) if self.row & (1 << bit) != 0 => Position::Reverse,
            Ok(_) | Err(_) => Position::Normal,
        }
    }
}

fn prove_row(net: &Netlist<'_>, frog: FrogIx, combination: &Combination<'_>) -> ProofRow {
    let it = &net.layout.frogs[frog.at()];
    let trackwork = &net.layout.trackwork[it.trackwork.at()];
    let open = trackwork.kind.open_routes(|machine| combination.position(machine));
    let wanted = wanted(net, it, &open);
    let tied = tied(net, frog, |machine| combination.position(machine));
    let first = tied.first();
    ProofRow {
        required: required(&wanted),
        wired: wired(&tied),
        district: first.map(|supply| reported_district(&wanted, &tied).unwrap_or(supply.district)),
        seen_by: first.and_then(|supply| supply.block),
        valid: trackwork.kind.is_valid(|machine| combination.position(machine)),
        open_ports: open_ports(trackwork, &open),
    }
}

/// Where a frog is tied to two districts, the one that does not belong is the one to show.
fn reported_district(wanted: &[Supply], tied: &[Supply]) -> Option<DistrictIx> {
    let home = wanted.first()?.district;
    tied.iter().map(|supply| supply.district).find(|district| *district != home)
}

/// The rails that the open routes want the frog to match.
pub(crate) fn wanted(net: &Netlist<'_>, frog: &Frog, open: &[&Route]) -> Vec<Supply> {
    let rails = open.iter().filter_map(|route| route.rail_at(frog.name));
    rails.map(|rail| net.port_rail(frog.trackwork, rail.port, rail.side)).collect()
}

/// What the frog's contacts tie it to; dead rails and open contacts do not count.
pub(crate) fn tied(
    net: &Netlist<'_>,
    frog: FrogIx,
    position: impl Fn(MachineIx) -> Position,
) -> Vec<Supply> {
    let it = &net.layout.frogs[frog.at()];
    let fixed = it.fixed.into_iter();
    let switched =
        it.poles.iter().map(|pole| match position(net.layout.poles[pole.pole.at()].machine) {
            Position::Normal => it.normal,
            Position::Reverse => it.reverse,
        });
    let supplies = fixed.chain(switched).filter_map(|tie| net.tie(frog, tie));
    supplies.filter(|supply| supply.is_live).collect()
}

pub(crate) fn required(wanted: &[Supply]) -> Required {
    match wanted {
        [] => Required::Any,
        [first, rest @ ..] if rest.iter().all(|it| it.conductor == first.conductor) => {
            Required::On(first.conductor)
        }
        [..] => Required::Conflict,
    }
}

pub(crate) fn wired(tied: &[Supply]) -> Wired {
    match tied {
        [] => Wired::None,
        [first, rest @ ..] if rest.iter().all(|it| it.conductor == first.conductor) => {
            Wired::On(first.conductor)
        }
        [..] => Wired::Both,
    }
}

fn open_ports(trackwork: &Trackwork, open: &[&Route]) -> u8 {
    let mut bits = 0;
    for (bit, port) in trackwork.kind.ports().iter().enumerate() {
        if open.iter().any(|route| route.ends.0 == *port || route.ends.1 == *port) {
            bits |= 1 << bit;
        }
    }
    bits
}
