//! A case as a SPICE netlist, so that any SPICE can check what was solved here.
//!
//! Boosters are current sources that keep to voltage, resistance and limit; lamps stand with the resistance that they
//! settled at. Each island has one tie to ground, which carries nothing.

use std::{collections::BTreeSet, fmt::Write};

use wiring::{
    index::{BlockIx, DistrictIx, FrogIx, TrackIx},
    layout::{Conductor, Layout, Position, Side, Which},
};

use crate::{
    grid::{Bridge, Flow, Grid, Ohms, Scales, Switches, Terminal},
    load::Across,
    network::Branch,
    study::{
        Short, Study,
        base::Base,
        place::{Spot, places},
    },
    wired::{Section, Wired},
};

/// The netlist of a case.
#[must_use]
pub fn netlist(layout: &Layout, switches: &Switches, bridges: &[Bridge]) -> String {
    let grid = Grid::new(layout, &Scales::unity(layout));
    solved(layout, &grid, switches, bridges).0
}

/// The netlist of a case, and potentials by node number as solved here, each against the lowest node of what is joined
/// to it; none for nodes that nothing is joined to.
#[must_use]
pub fn solved(
    layout: &Layout,
    grid: &Grid,
    switches: &Switches,
    bridges: &[Bridge],
) -> (String, Vec<Option<f64>>) {
    let wired = grid.wired(switches);
    let (flow, across) = wired.solve_all(bridges);
    let mut text = String::new();
    head(&mut text, layout);
    names(&mut text, layout, grid);
    let used = elements(&mut text, layout, &wired, &across);
    grounds(&mut text, &flow, &used);
    text.push_str(".op\n.end\n");
    let ground = |node: usize| flow.potentials[flow.groups[node] as usize];
    let potential =
        |node: usize| used.contains(&(node as u32)).then(|| flow.potentials[node] - ground(node));
    (text, (0..flow.potentials.len()).map(potential).collect())
}

/// The netlist of the short at a place of a study; of the one with the smallest margin when no place is named. None
/// when the study has no such place.
#[must_use]
pub fn short(layout: &Layout, study: &Study, at: Option<&str>) -> Option<String> {
    let chosen = match at {
        Some(at) => study.shorts.iter().find(|short| short.at == at)?,
        None => study.shorts.iter().min_by(|a, b| a.margin.total_cmp(&b.margin))?,
    };
    let (switches, bridge) = case(layout, chosen)?;
    Some(netlist(layout, &switches, &[bridge]))
}

/// A short of a study as switches and a bridge.
fn case(layout: &Layout, short: &Short) -> Option<(Switches, Bridge)> {
    let mut switches = Switches::all_on(layout);
    for (machine, position) in &short.positions {
        switches.machines[machine.at()] = Some(*position);
    }
    let place = places(layout).into_iter().find(|place| place.at == short.at)?;
    let (from, to) = match place.spot {
        Spot::Rails(from, to) => (from, to),
        Spot::Frog(frog) => (Terminal::Frog(frog), opposite(layout, frog, &short.positions)?),
    };
    Some((switches, Bridge { from, to, resistance: Ohms(0.0) }))
}

/// The rail that a frog's short goes to, as a terminal.
fn opposite(
    layout: &Layout,
    frog: FrogIx,
    positions: &[(wiring::index::MachineIx, Position)],
) -> Option<Terminal> {
    let grid = Grid::new(layout, &Scales::unity(layout));
    let base = Base::new(layout, &grid);
    let fault = base.frog_faults(frog).into_iter().find(|fault| fault.positions == positions)?;
    let work = layout.frogs[frog.at()].trackwork;
    let ports = layout.trackwork[work.at()].kind.ports().iter();
    let mut rails = ports.flat_map(|port| {
        [Side::Left, Side::Right].map(|side| Terminal::PortRail(work, *port, side))
    });
    rails.find(|rail| base.node(*rail) == fault.rail)
}

/// Writing to a string cannot fail.
fn put(text: &mut String, line: std::fmt::Arguments<'_>) {
    text.write_fmt(line).expect("a string takes any text");
}

/// One line, whatever a name holds.
fn plain(name: &str) -> String {
    name.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).collect()
}

fn head(text: &mut String, layout: &Layout) {
    put(text, format_args!("* {}: a case of Checkrail's circuit study\n", plain(&layout.name)));
    text.push_str(
        "* Boosters hold their voltage behind their resistance up to their limit, and their limit beyond it.\n\
         .options reltol=1e-10 abstol=1e-14 vntol=1e-12 gmin=1e-18 itl1=1000\n",
    );
}

/// What the nodes are, as comments.
fn names(text: &mut String, layout: &Layout, grid: &Grid) {
    let mut name = |terminal: Terminal, what: String| {
        put(text, format_args!("* n{} {}\n", grid.plan.node(terminal), plain(&what)));
    };
    for (at, district) in layout.districts.iter().enumerate() {
        for one in [Conductor::A, Conductor::B] {
            name(
                Terminal::Bus(DistrictIx::new(at), one),
                format!("bus end {} of district {}", one.word(), district.id),
            );
        }
    }
    for (at, block) in layout.blocks.iter().enumerate() {
        for one in [Conductor::A, Conductor::B] {
            name(
                Terminal::Block(BlockIx::new(at), one),
                format!("feeder {} of block {}", one.word(), block.id),
            );
        }
    }
    for (at, frog) in layout.frogs.iter().enumerate() {
        name(Terminal::Frog(FrogIx::new(at)), format!("frog {}", frog.id));
    }
    for (at, track) in layout.tracks.iter().enumerate() {
        for (which, end) in [(Which::From, "from"), (Which::To, "to")] {
            for (side, rail) in [(Side::Left, "left"), (Side::Right, "right")] {
                name(
                    Terminal::Rail(TrackIx::new(at), which, side),
                    format!("{rail} rail of {} at {end}", track.id),
                );
            }
        }
    }
}

/// Sources, resistors and bridges; returns the nodes in use.
fn elements(
    text: &mut String,
    layout: &Layout,
    wired: &Wired<'_>,
    across: &[Across],
) -> BTreeSet<u32> {
    let mut used = BTreeSet::new();
    let ends = wired.sections.iter().skip(1).map(|(start, _)| *start);
    let ends = ends.chain([wired.branches.len()]);
    for ((start, section), end) in wired.sections.iter().zip(ends) {
        put(text, format_args!("* {}\n", title(layout, *section)));
        let branches = wired.branches[*start..end].iter().enumerate();
        for (at, branch) in branches {
            used.extend([branch.from, branch.to]);
            match section {
                Section::Booster(booster) => source(text, wired, *booster, branch),
                Section::Rails | Section::District(_) | Section::Block(_) | Section::Frog(_) => {
                    resistor(text, start + at, branch.from, branch.to, 1.0 / branch.siemens);
                }
            }
        }
    }
    text.push_str("* bridges, and what stands beside lamps that are not fully lit\n");
    for (at, one) in across.iter().enumerate() {
        used.extend([one.port.from, one.port.to]);
        put(text, format_args!("Rbridge{at} n{} n{} {:e}\n", one.port.from, one.port.to, one.ohms));
    }
    used
}

fn title(layout: &Layout, section: Section) -> String {
    match section {
        Section::Rails => "rails".to_owned(),
        Section::Booster(at) => format!("booster {}", layout.boosters[at].id),
        Section::District(at) => format!("bus of district {}", layout.districts[at].id),
        Section::Block(at) => format!("feeders of block {}", layout.blocks[at].id),
        Section::Frog(at) => format!("contacts and feed of frog {}", layout.frogs[at].id),
    }
}

fn resistor(text: &mut String, at: usize, from: u32, to: u32, ohms: f64) {
    // A rail that begins and ends on one node carries nothing, and SPICE wants two.
    if from != to {
        put(text, format_args!("R{at} n{from} n{to} {ohms:e}\n"));
    }
}

fn source(text: &mut String, wired: &Wired<'_>, booster: usize, branch: &Branch) {
    let Branch { from: plus, to: minus, .. } = *branch;
    let supply = wired.grid.supplies[booster];
    let volts = supply.volts;
    // An iteration that begins at no voltage finds every booster at its limit, and an idle one without a solution.
    put(
        text,
        format_args!(
            "B{booster} n{minus} n{plus} I=min({:e}, ({volts:e}-v(n{plus},n{minus}))/{:e})\n\
             .nodeset v(n{plus})={volts:e} v(n{minus})=0\n",
            supply.limit, supply.ohms
        ),
    );
}

/// Ties the lowest node of every group to ground.
fn grounds(text: &mut String, flow: &Flow, used: &BTreeSet<u32>) {
    text.push_str("* grounds\n");
    let groups: BTreeSet<u32> = used.iter().map(|node| flow.groups[*node as usize]).collect();
    for group in groups {
        put(text, format_args!("Rground{group} n{group} 0 1\n"));
    }
}
