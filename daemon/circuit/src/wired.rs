//! The network under one set of switches: factorised once, solved for many cases.

use std::borrow::Cow;

use wiring::{
    layout::Position,
    material::{LAMP_EXPONENT, LAMP_HOT_OVER_COLD},
};

use crate::{
    grid::{Amps, Bridge, Flow, Grid, Ohms, PoleState, Series, Switches, Terminal, Volts},
    load::{Across, Case, Supplied},
    network::{Branch, LEAST_OHMS, Network},
    order::{Graph, minimum_degree},
    plan::{BlockPlan, FrogPlan},
    repeat::Kept,
    source::Source,
};

/// Most rounds until the lamps have settled. A round shrinks the error to less than half.
const LAMP_ROUNDS: usize = 60;

/// A change of a lamp's resistance by less than this part has settled.
const LAMP_SETTLED: f64 = 1e-11;

/// A lamp with less than this part of its voltage is dark.
const LAMP_DARK: f64 = 1e-9;

/// A resistance that stands for an open circuit beside a lamp. Unit: ohm.
const OPEN_OHMS: f64 = 1e9;

/// A wire whose current somebody wants to know.
#[derive(Clone, Copy, Debug)]
struct Wire {
    from: u32,
    to: u32,
    ohms: f64,
}

/// A closed contact of a pole.
#[derive(Clone, Copy, Debug)]
struct Contact {
    pole: usize,
    wire: Wire,
}

#[derive(Clone, Debug)]
struct Lamp {
    across: Across,
    hot: f64,
    volts: f64,
}

/// What branches belong to.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Section {
    Rails,
    /// The source resistance of a booster; one branch.
    Booster(usize),
    District(usize),
    Block(usize),
    Frog(usize),
}

/// The network as switched.
#[derive(Clone, Debug)]
pub struct Wired<'a> {
    pub(crate) grid: Cow<'a, Grid>,
    /// Order of elimination that holds for any switches, where this network is to be switched again.
    order: Option<Vec<u32>>,
    pub(crate) supplied: Supplied,
    /// Source of each booster that is on.
    pub(crate) running: Vec<Option<usize>>,
    /// Conductor A between booster and bus end, by district that is on.
    heads: Vec<Option<Wire>>,
    /// Conductor A of each feeder, by block.
    feeders: Vec<Vec<Wire>>,
    contacts: Vec<Contact>,
    lamps: Vec<Lamp>,
    /// All branches.
    pub(crate) branches: Vec<Branch>,
    /// Where the branches of each section start.
    pub(crate) sections: Vec<(usize, Section)>,
}

/// Branches as they are collected.
#[derive(Default)]
struct Parts {
    branches: Vec<Branch>,
    /// Lamps: branch ends, hot resistance, voltage.
    lamps: Vec<(u32, u32, f64, f64)>,
    /// Nodes in front of lamps, beyond those of the plan.
    nodes: u32,
    sections: Vec<(usize, Section)>,
}

impl Parts {
    fn begin(&mut self, section: Section) {
        self.sections.push((self.branches.len(), section));
    }

    fn wire(&mut self, from: u32, to: u32, ohms: f64) -> Wire {
        let ohms = ohms.max(LEAST_OHMS);
        self.branches.push(Branch::new(from, to, ohms));
        Wire { from, to, ohms }
    }

    /// A wire with something in series. A lamp gets a node of its own in front of it.
    fn series(&mut self, from: u32, to: u32, ohms: f64, series: Series) -> Wire {
        match series {
            Series::Ohms(more) => self.wire(from, to, ohms + more),
            Series::Lamp { hot, volts } => {
                let middle = self.nodes;
                self.nodes += 1;
                self.branches.push(Branch::new(middle, to, hot));
                self.lamps.push((middle, to, hot, volts));
                self.wire(from, middle, ohms)
            }
        }
    }
}

impl<'a> Wired<'a> {
    pub(crate) fn new(grid: Cow<'a, Grid>, switches: &Switches, order: Option<Vec<u32>>) -> Self {
        let (parts, Joined { sources, running, heads, feeders, contacts }) = join(&grid, switches);
        let nodes = parts.nodes as usize;
        let network = match &order {
            Some(order) => Network::in_order(nodes, &parts.branches, order),
            None => Network::new(nodes, &parts.branches),
        };
        let network =
            network.expect("every branch has a positive resistance and every island its ground");
        let supplied = Supplied::new(network, sources);
        let mut work = vec![0.0; nodes];
        let lamp = |&(from, to, hot, volts): &(u32, u32, f64, f64)| Lamp {
            across: supplied.across(from, to, OPEN_OHMS, &mut work),
            hot,
            volts,
        };
        let lamps = parts.lamps.iter().map(lamp).collect();
        let Parts { branches, sections, .. } = parts;
        Self { grid, order, supplied, running, heads, feeders, contacts, lamps, branches, sections }
    }

    /// Switches the same layout otherwise: cheaper than starting from the grid again, since the order of elimination is
    /// kept.
    pub fn switch(&mut self, switches: &Switches) {
        let order = self.order.take().unwrap_or_else(|| order(&self.grid));
        let grid = std::mem::replace(&mut self.grid, Cow::Owned(Grid::default()));
        *self = Self::new(grid, switches, Some(order));
    }

    /// Voltage of `a` against `b` in a flow that this network solved; none where nothing joins the two.
    #[must_use]
    pub fn between(&self, flow: &Flow, a: Terminal, b: Terminal) -> Option<Volts> {
        self.grid.between(flow, a, b)
    }

    /// Solves one case as [`Wired::solve`] does, and keeps in `kept` what the next case needs of it where only
    /// resistances or a few places differ. `kept` belongs to this network under these switches.
    #[must_use]
    pub fn solve_again(&self, bridges: &[Bridge], kept: &mut Kept) -> Flow {
        if !self.lamps.is_empty() {
            return self.solve(bridges);
        }
        let places = bridges.iter().map(|Bridge { from, to, resistance: Ohms(ohms) }| {
            let [from, to] = [from, to].map(|terminal| self.grid.plan.node(*terminal));
            (from, to, ohms.max(LEAST_OHMS))
        });
        let (case, currents) = self.supplied.case_again(places, kept);
        let (potentials, groups) = self.supplied.spread(&currents, &case);
        self.flow(&case, bridges.len(), potentials, groups)
    }

    /// Solves one case. Magnitudes but for bridges, which have a direction.
    #[must_use]
    pub fn solve(&self, bridges: &[Bridge]) -> Flow {
        self.solve_all(bridges).0
    }

    /// Solves one case; also the resistances between nodes that it added, those beside lamps last.
    pub(crate) fn solve_all(&self, bridges: &[Bridge]) -> (Flow, Vec<Across>) {
        let mut work = vec![0.0; self.supplied.network.nodes()];
        let node = |terminal| self.grid.plan.node(terminal);
        let mut across: Vec<Across> = bridges
            .iter()
            .map(|Bridge { from, to, resistance: Ohms(ohms) }| {
                self.supplied.across(node(*from), node(*to), ohms.max(LEAST_OHMS), &mut work)
            })
            .collect();
        let case = self.settled(&[], &mut across);
        let (potentials, groups) = self.supplied.potentials(&across, &case);
        (self.flow(&case, bridges.len(), potentials, groups), across)
    }

    /// Solves with lamps as hot as their voltage makes them: a lamp that is not fully lit is its lit self with a
    /// resistance beside it. The bridges come back with those added.
    pub(crate) fn settled(&self, altered: &[(usize, Source)], across: &mut Vec<Across>) -> Case {
        let first = across.len();
        let mut case = self.supplied.case_from(altered, across);
        let lit: Vec<&Lamp> =
            self.lamps.iter().filter(|lamp| self.is_lit(lamp, across, &case)).collect();
        across.extend(lit.iter().map(|lamp| lamp.across.clone()));
        for _ in 0..LAMP_ROUNDS {
            if lit.is_empty() {
                break;
            }
            case = self.supplied.case_from(altered, across);
            let beside = across[first..].iter_mut().zip(&case.amps[first..]);
            let mut settled = true;
            for (lamp, (beside, amps)) in lit.iter().zip(beside) {
                let ohms = lamp_ohms(lamp.hot, lamp.volts, (amps * beside.ohms).abs());
                let wanted = beside_ohms(ohms, lamp.hot);
                settled &= (wanted - beside.ohms).abs() <= LAMP_SETTLED * wanted;
                beside.ohms = wanted;
            }
            if settled {
                break;
            }
        }
        case
    }

    /// A lamp that carries nothing carries nothing at any resistance, and need not be followed.
    fn is_lit(&self, lamp: &Lamp, across: &[Across], case: &Case) -> bool {
        self.supplied.voltage(&lamp.across.port, across, case).abs() > LAMP_DARK * lamp.volts
    }

    fn flow(&self, case: &Case, bridges: usize, potentials: Vec<f64>, groups: Vec<u32>) -> Flow {
        let through = |wire: &Wire| {
            let [from, to] = [wire.from, wire.to].map(|node| potentials[node as usize]);
            (from - to) / wire.ohms
        };
        let across = |[plus, minus]: [u32; 2]| {
            let same = groups[plus as usize] == groups[minus as usize];
            Volts(if same { potentials[plus as usize] - potentials[minus as usize] } else { 0.0 })
        };
        let plan = &self.grid.plan;
        let boosters = self.running.iter();
        let mut poles = vec![Amps(0.0); self.grid.poles];
        for contact in &self.contacts {
            let amps = through(&contact.wire).abs();
            poles[contact.pole].0 = poles[contact.pole].0.max(amps);
        }
        let sum = |wires: &Vec<Wire>| Amps(wires.iter().map(through).sum::<f64>().abs());
        Flow {
            boosters: boosters
                .map(|run| Amps(run.map_or(0.0, |at| case.driven[at].amps.abs())))
                .collect(),
            booster_volts: plan.boosters.iter().map(|pair| across(*pair)).collect(),
            districts: self
                .heads
                .iter()
                .map(|head| Amps(head.as_ref().map_or(0.0, |wire| through(wire).abs())))
                .collect(),
            district_volts: plan.districts.iter().map(|one| across(one.ends)).collect(),
            blocks: self.feeders.iter().map(sum).collect(),
            poles,
            frogs: plan.frogs.iter().map(|_| Volts(0.0)).collect(),
            bridges: case.amps[..bridges].iter().copied().map(Amps).collect(),
            potentials,
            groups,
        }
        .with_frogs(&self.grid)
    }
}

impl Flow {
    /// A frog that nothing joins to its district reads as a divider between A and B would show it: half way.
    fn with_frogs(mut self, grid: &Grid) -> Self {
        for (at, (frog, district)) in grid.plan.frogs.iter().zip(&grid.frog_districts).enumerate() {
            let [_, b] = grid.plan.districts[*district].ends.map(|node| node as usize);
            let node = frog.node as usize;
            self.frogs[at] = if self.groups[node] == self.groups[b] {
                Volts(self.potentials[node] - self.potentials[b])
            } else {
                Volts(self.district_volts[*district].0 / 2.0)
            };
        }
        self
    }
}

/// Resistance of a lamp at a voltage: I ~ V^0.55 up to the voltage that it is made for, never below its cold
/// resistance.
pub(crate) fn lamp_ohms(hot: f64, made_for: f64, volts: f64) -> f64 {
    let lit = (volts / made_for).clamp(0.0, 1.0).powf(1.0 - LAMP_EXPONENT);
    hot * lit.max(1.0 / LAMP_HOT_OVER_COLD)
}

/// What beside `hot` makes `ohms`.
fn beside_ohms(ohms: f64, hot: f64) -> f64 {
    let siemens = 1.0 / ohms - 1.0 / hot;
    if siemens > 1.0 / OPEN_OHMS { 1.0 / siemens } else { OPEN_OHMS }
}

/// What is joined to the rails.
struct Joined {
    sources: Vec<Source>,
    running: Vec<Option<usize>>,
    heads: Vec<Option<Wire>>,
    feeders: Vec<Vec<Wire>>,
    contacts: Vec<Contact>,
}

fn join(grid: &Grid, switches: &Switches) -> (Parts, Joined) {
    let plan = &grid.plan;
    let mut parts = Parts { branches: plan.fixed.clone(), ..Parts::default() };
    parts.nodes = plan.nodes as u32;
    parts.sections.push((0, Section::Rails));
    let (sources, running) = sources(grid, switches, &mut parts);
    let heads = heads(grid, switches, &mut parts);
    let mut feeders = Vec::new();
    for (at, block) in plan.blocks.iter().enumerate() {
        parts.begin(Section::Block(at));
        feeders.push(self::feeders(grid, block, switches, &mut parts));
    }
    let mut contacts = Vec::new();
    for (at, (frog, limiter)) in plan.frogs.iter().zip(&grid.limiters).enumerate() {
        parts.begin(Section::Frog(at));
        contacts.extend(self::contacts(frog, *limiter, switches, &mut parts));
    }
    (parts, Joined { sources, running, heads, feeders, contacts })
}

/// An order of elimination for the network with everything closed: it suits whatever is open.
pub(crate) fn order(grid: &Grid) -> Vec<u32> {
    let closed = Switches {
        boosters_on: vec![true; grid.supplies.len()],
        districts_on: vec![true; grid.heads.len()],
        machines: vec![None; grid.machines],
        poles: vec![PoleState::Bridged; grid.poles],
        reversers_swapped: vec![false; grid.reversers],
    };
    let (parts, _) = join(grid, &closed);
    let pairs = parts.branches.iter().filter(|it| it.from != it.to).map(|it| (it.from, it.to));
    minimum_degree(&Graph::new(parts.nodes as usize, pairs))
}

fn sources(grid: &Grid, on: &Switches, parts: &mut Parts) -> (Vec<Source>, Vec<Option<usize>>) {
    let mut sources = Vec::new();
    let mut running = Vec::new();
    for ((supply, [plus, minus]), on) in
        grid.supplies.iter().zip(&grid.plan.boosters).zip(&on.boosters_on)
    {
        parts.begin(Section::Booster(running.len()));
        running.push(on.then_some(sources.len()));
        if *on {
            parts.branches.push(Branch::new(*plus, *minus, supply.ohms));
            let (volts, ohms, limit) = (supply.volts, supply.ohms, supply.limit);
            sources.push(Source { plus: *plus, minus: *minus, volts, ohms, limit });
        }
    }
    (sources, running)
}

/// Bus wires of districts that are on. What limits a district sits in conductor A; a breaker opens both.
fn heads(grid: &Grid, switches: &Switches, parts: &mut Parts) -> Vec<Option<Wire>> {
    let mut heads = Vec::new();
    for ((district, series), on) in
        grid.plan.districts.iter().zip(&grid.heads).zip(&switches.districts_on)
    {
        let [plus, minus] = grid.plan.boosters[district.booster];
        let [a, b] = district.ends;
        parts.begin(Section::District(heads.len()));
        heads.push(on.then(|| {
            parts.wire(minus, b, district.bus_ohms);
            parts.series(plus, a, district.bus_ohms, *series)
        }));
    }
    heads
}

/// Feeders of a block; a swapped reverser exchanges the bus conductors. Returns those on bus conductor A.
fn feeders(grid: &Grid, block: &BlockPlan, on: &Switches, parts: &mut Parts) -> Vec<Wire> {
    let [bus_a, bus_b] = grid.plan.districts[block.district].ends;
    let swapped = block.reverser.is_some_and(|reverser| on.reversers_swapped[reverser]);
    let mut wires = Vec::new();
    for &[own_a, own_b] in &block.feeds {
        let [to_a, to_b] = if swapped { [own_b, own_a] } else { [own_a, own_b] };
        parts.wire(bus_b, to_b, block.feeder_ohms);
        wires.push(parts.wire(bus_a, to_a, block.feeder_ohms));
    }
    wires
}

/// Contacts, feed wire and limiter of a frog.
fn contacts(
    frog: &FrogPlan,
    limiter: Series,
    switches: &Switches,
    parts: &mut Parts,
) -> Vec<Contact> {
    if let Some(tie) = frog.fixed {
        parts.wire(tie, frog.node, frog.feed_ohms);
        return Vec::new();
    }
    if frog.poles.is_empty() {
        return Vec::new();
    }
    parts.series(frog.common, frog.node, frog.feed_ohms, limiter);
    let mut contacts = Vec::new();
    for (pole, ohms, machine) in &frog.poles {
        for position in closed(switches.poles[pole.at()], switches.machines[machine.at()]) {
            let tie = match position {
                Position::Normal => frog.ties[0],
                Position::Reverse => frog.ties[1],
            };
            if let Some(tie) = tie {
                let wire = parts.wire(tie, frog.common, *ohms);
                contacts.push(Contact { pole: pole.at(), wire });
            }
        }
    }
    contacts
}

/// The contacts of a pole that are closed.
fn closed(pole: PoleState, machine: Option<Position>) -> &'static [Position] {
    let only = |position| match position {
        Position::Normal => &[Position::Normal][..],
        Position::Reverse => &[Position::Reverse][..],
    };
    match pole {
        PoleState::Follows => machine.map_or(&[], only),
        PoleState::Open => &[],
        PoleState::Stuck(position) => only(position),
        PoleState::Bridged => &[Position::Normal, Position::Reverse],
    }
}
