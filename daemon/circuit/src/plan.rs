//! Nodes and fixed branches of a layout: where every rail, bus end and frog is, and what joins them without a switch.
//!
//! How it is drawn. District: booster terminals, breaker, bus wire, bus end; all blocks join at the bus end, the worst
//! case. Block: each of its feeders is a pair of wires from the bus end to the rails; the pairs that the file counts are
//! shared out evenly. Trackwork: no length; the rails of a turnout are its two stock rails, the leg rails beyond the
//! frog bonded to them; a crossing's four rails run straight through; frogs stand alone behind their contacts.

use std::collections::BTreeMap;

use wiring::{
    index::{BlockIx, DistrictIx, FrogIx, MachineIx, PoleIx, TrackIx, TrackworkIx},
    layout::{
        Block, Conductor, District, End, Frog, Layout, Side, Tie, Track, Trackwork, Which, Wire,
    },
    material::{rail_ohms_per_metre, wire_ohms_per_metre},
    trackwork::Port,
    units::Millicelsius,
};

use crate::{
    grid::{Scales, Terminal},
    network::{Branch, Sets},
};

/// A pair of nodes, by [`Side`] or by [`Conductor`].
pub(crate) type Pair = [u32; 2];

/// Place of a side in a [`Pair`].
pub(crate) const fn side(side: Side) -> usize {
    match side {
        Side::Left => 0,
        Side::Right => 1,
    }
}

/// Place of a conductor in a [`Pair`].
pub(crate) const fn conductor(conductor: Conductor) -> usize {
    match conductor {
        Conductor::A => 0,
        Conductor::B => 1,
    }
}

const fn which(which: Which) -> usize {
    match which {
        Which::From => 0,
        Which::To => 1,
    }
}

/// A district between its booster's terminals and its bus end.
#[derive(Clone, Debug)]
pub(crate) struct DistrictPlan {
    pub(crate) booster: usize,
    /// Bus end, by conductor.
    pub(crate) ends: Pair,
    /// One bus conductor. Unit: ohm.
    pub(crate) bus_ohms: f64,
}

/// A block's feeders.
#[derive(Clone, Debug)]
pub(crate) struct BlockPlan {
    pub(crate) district: usize,
    pub(crate) reverser: Option<usize>,
    /// Where feeders join the rails: nodes by the block's own conductor.
    pub(crate) feeds: Vec<Pair>,
    /// One conductor of each of these feeders. Unit: ohm.
    pub(crate) feeder_ohms: f64,
}

/// A frog behind its contacts.
#[derive(Clone, Debug)]
pub(crate) struct FrogPlan {
    pub(crate) node: u32,
    /// Where its contacts meet, before the feed wire.
    pub(crate) common: u32,
    /// The feed wire alone. Unit: ohm.
    pub(crate) feed_ohms: f64,
    /// Poles with their contact resistance (unit: ohm) and their machine.
    pub(crate) poles: Vec<(PoleIx, f64, MachineIx)>,
    /// Nodes of the normal and the reverse tie.
    pub(crate) ties: [Option<u32>; 2],
    /// Node that a fixed frog is wired to.
    pub(crate) fixed: Option<u32>,
}

/// The plan.
#[derive(Clone, Debug, Default)]
pub(crate) struct Plan {
    pub(crate) nodes: usize,
    /// Booster terminals, by conductor.
    pub(crate) boosters: Vec<Pair>,
    pub(crate) districts: Vec<DistrictPlan>,
    pub(crate) blocks: Vec<BlockPlan>,
    pub(crate) frogs: Vec<FrogPlan>,
    /// Rails at the ends of tracks, by end and side.
    pub(crate) rails: Vec<[Pair; 2]>,
    /// Rails at the ports of trackwork, by side looking in.
    pub(crate) ports: Vec<Vec<(Port, Pair)>>,
    /// Branches that no switch changes: rails.
    pub(crate) fixed: Vec<Branch>,
}

/// Nodes as they are drawn, before those joined without resistance become one.
struct Drawing<'a> {
    layout: &'a Layout,
    sets: Sets,
    boosters: Vec<Pair>,
    districts: Vec<Pair>,
    rails: Vec<[Pair; 2]>,
    /// Strands of trackwork: the stock rails, or the through rails of a crossing; left and right from the points or a.
    works: Vec<Vec<Pair>>,
    frogs: Vec<Pair>,
    /// Feeder ends of blocks that feed nothing.
    bare: Vec<Pair>,
    /// Track that ends at a port, and with which end.
    at_port: BTreeMap<(TrackworkIx, Port), (usize, Which)>,
    /// By block, its tracks and its trackwork.
    members: Vec<[Vec<usize>; 2]>,
}

/// Counts nodes out.
struct Counter(u32);

impl Counter {
    fn take<const N: usize>(&mut self) -> [u32; N] {
        let first = self.0;
        self.0 += N as u32;
        std::array::from_fn(|at| first + at as u32)
    }
}

/// The track that ends at each port, and with which end; the first of the file where it is drawn twice.
fn at_port(layout: &Layout) -> BTreeMap<(TrackworkIx, Port), (usize, Which)> {
    let mut found = BTreeMap::new();
    for (at, track) in layout.tracks.iter().enumerate() {
        for (end, place) in [(Which::From, track.from), (Which::To, track.to)] {
            match place {
                End::Port(work, port) => {
                    found.entry((work, port)).or_insert((at, end));
                }
                End::Joint(_) => {}
            }
        }
    }
    found
}

/// By block, its tracks and its trackwork.
fn members(layout: &Layout) -> Vec<[Vec<usize>; 2]> {
    let mut members = vec![[Vec::new(), Vec::new()]; layout.blocks.len()];
    for (at, track) in layout.tracks.iter().enumerate() {
        members[track.block.at()][0].push(at);
    }
    for (at, work) in layout.trackwork.iter().enumerate() {
        members[work.block.at()][1].push(at);
    }
    members
}

impl<'a> Drawing<'a> {
    fn new(layout: &'a Layout) -> Self {
        let mut nodes = Counter(0);
        let boosters = layout.boosters.iter().map(|_| nodes.take()).collect();
        let districts = layout.districts.iter().map(|_| nodes.take()).collect();
        let rails = layout.tracks.iter().map(|_| [nodes.take(), nodes.take()]).collect();
        let strands = |work: &Trackwork| (0..work.kind.strands()).map(|_| nodes.take()).collect();
        let works = layout.trackwork.iter().map(strands).collect();
        let frogs = layout.frogs.iter().map(|_| nodes.take()).collect();
        let bare = layout.blocks.iter().map(|_| nodes.take()).collect();
        let sets = Sets::new(nodes.0 as usize);
        let at_port = at_port(layout);
        let members = members(layout);
        Self { layout, sets, boosters, districts, rails, works, frogs, bare, at_port, members }
    }

    /// Track ends meet trackwork and each other; a gap parts one rail.
    fn join_rails(&mut self) {
        let mut met: Vec<Vec<(usize, Which)>> = vec![Vec::new(); self.layout.joints.len()];
        for (at, track) in self.layout.tracks.iter().enumerate() {
            for (end, place) in [(Which::From, track.from), (Which::To, track.to)] {
                match place {
                    End::Port(work, port) => {
                        let theirs = self.strand(work, port).map(Some);
                        self.join(self.outward(at, end), theirs);
                    }
                    End::Joint(joint) => met[joint.at()].push((at, end)),
                }
            }
        }
        for ends in met {
            self.join_ends(&ends);
        }
    }

    /// Tracks meet at a joint; more than two are those around a turntable, whose bridge has both its ends there.
    fn join_ends(&mut self, ends: &[(usize, Which)]) {
        let both = |(at, end): &&(usize, Which)| {
            ends.iter().any(|other| other.0 == *at && other.1 != *end)
        };
        let bridge = ends.iter().find(both).filter(|_| ends.len() > 2);
        let Some(&centre) = bridge.or(ends.first()) else { return };
        for &end in ends.iter().filter(|end| **end != centre) {
            let [left, right] = self.outward(end.0, end.1);
            // The two look at each other: the left of one is the right of the other.
            self.join(self.outward(centre.0, centre.1), [right, left]);
        }
    }

    /// Rails of a track end, left and right looking out of the track; a gapped one is none.
    fn outward(&self, at: usize, end: Which) -> [Option<u32>; 2] {
        let track: &Track = &self.layout.tracks[at];
        let [left, right] = [Side::Left, Side::Right].map(|rail| {
            let gapped = track.gaps.iter().any(|gap| gap.end == end && gap.rail == rail);
            (!gapped).then_some(self.rails[at][which(end)][side(rail)])
        });
        match end {
            Which::To => [left, right],
            Which::From => [right, left],
        }
    }

    fn join(&mut self, ours: [Option<u32>; 2], theirs: [Option<u32>; 2]) {
        for (ours, theirs) in ours.into_iter().zip(theirs) {
            if let (Some(ours), Some(theirs)) = (ours, theirs) {
                self.sets.join(ours, theirs);
            }
        }
    }

    /// Rails at a port, by side looking in.
    fn port_rails(&self, work: TrackworkIx, port: Port) -> Pair {
        let trackwork = &self.layout.trackwork[work.at()];
        if !trackwork.kind.has_stock_rails()
            && let Some((at, end)) = self.track_at(work, port)
        {
            let [left, right] = self.rails[at][which(end)];
            return match end {
                Which::To => [left, right],
                Which::From => [right, left],
            };
        }
        self.strand(work, port)
    }

    /// Rails of the strand that runs to a port, by side looking in.
    fn strand(&self, work: TrackworkIx, port: Port) -> Pair {
        let strand = self.layout.trackwork[work.at()].kind.strand(port);
        let [left, right] = self.works[work.at()][strand.number];
        match strand.left_on {
            Side::Left => [left, right],
            Side::Right => [right, left],
        }
    }

    fn track_at(&self, work: TrackworkIx, port: Port) -> Option<(usize, Which)> {
        self.at_port.get(&(work, port)).copied()
    }

    /// Node of a tie; a foreign or own bus counts at its end.
    fn tie(&self, frog: &Frog, tie: Tie) -> Option<u32> {
        let trackwork = &self.layout.trackwork[frog.trackwork.at()];
        match tie {
            Tie::Stock(rail) => Some(self.works[frog.trackwork.at()][0][side(rail)]),
            Tie::PortRail(port, rail) => Some(self.port_rails(frog.trackwork, port)[side(rail)]),
            Tie::Bus(name) => {
                let district = self.layout.district_of_block(trackwork.block);
                Some(self.districts[district.at()][conductor(name)])
            }
            Tie::ForeignBus(district, name) => Some(self.districts[district.at()][conductor(name)]),
            Tie::None => None,
        }
    }

    /// Where the feeders of a block join the rails, by the block's own conductors.
    fn feeds(&self, block: BlockIx) -> Vec<Pair> {
        let mut feeds = Vec::new();
        let own = &self.layout.blocks[block.at()];
        let [tracks, works] = &self.members[block.at()];
        for &at in tracks {
            let track = &self.layout.tracks[at];
            for end in &track.feeders {
                let left = track.left.unwrap_or(own.left);
                feeds.push(by_conductor(self.rails[at][which(*end)], left));
            }
        }
        for &at in works {
            let fed = (0..self.layout.trackwork[at].kind.strands()).filter_map(|strand| {
                let left = self.fed(TrackworkIx::new(at), strand)?;
                Some(by_conductor(self.works[at][strand], left))
            });
            feeds.extend(fed);
        }
        feeds
    }
}

impl Drawing<'_> {
    /// Conductor of the left rail of a strand that has a feeder of its own: of a turnout that states it, of any
    /// trackwork where there is no track plan, and of a crossing to which no track is joined.
    fn fed(&self, work: TrackworkIx, strand: usize) -> Option<Conductor> {
        let trackwork = &self.layout.trackwork[work.at()];
        let block = self.layout.blocks[trackwork.block.at()].left;
        let kind = &trackwork.kind;
        let mut ports = kind.ports().iter().filter(|port| kind.strand(**port).number == strand);
        if kind.has_stock_rails() {
            let planless = self.layout.tracks.is_empty().then_some(block);
            trackwork.left.or(planless)
        } else {
            ports.all(|port| self.track_at(work, *port).is_none()).then_some(block)
        }
    }
}

/// A pair of rails by conductor, given that of the left one.
fn by_conductor([left, right]: Pair, left_is: Conductor) -> Pair {
    match left_is {
        Conductor::A => [left, right],
        Conductor::B => [right, left],
    }
}

/// One conductor of a wire with all its pairs side by side. Unit: ohm.
pub(crate) fn wire_ohms(wire: &Wire, ambient: Millicelsius) -> f64 {
    let pairs = f64::from(wire.pairs.max(1));
    wire_ohms_per_metre(wire.gauge, ambient) * wire.length.metres() / pairs
}

impl Plan {
    pub(crate) fn new(layout: &Layout, scales: &Scales) -> Self {
        let mut drawing = Drawing::new(layout);
        drawing.join_rails();
        let mut plan = Self {
            nodes: 0,
            boosters: drawing.boosters.clone(),
            districts: districts(&drawing, scales),
            blocks: blocks(&drawing, scales),
            frogs: frogs(&drawing, scales),
            rails: drawing.rails.clone(),
            ports: drawing.ports(),
            fixed: rails(&drawing, scales),
        };
        plan.renumber(&mut drawing.sets);
        plan
    }

    /// Nodes that are one become one number, without holes.
    fn renumber(&mut self, sets: &mut Sets) {
        let mut numbers = BTreeMap::new();
        let mut number = |node: &mut u32| {
            let next = numbers.len() as u32;
            *node = *numbers.entry(sets.of(*node)).or_insert(next);
        };
        self.boosters.iter_mut().flatten().for_each(&mut number);
        self.districts.iter_mut().flat_map(|district| &mut district.ends).for_each(&mut number);
        let feeds = self.blocks.iter_mut().flat_map(|block| &mut block.feeds);
        feeds.flatten().for_each(&mut number);
        self.rails.iter_mut().flatten().flatten().for_each(&mut number);
        let ports = self.ports.iter_mut().flatten().flat_map(|(_, rails)| rails);
        ports.for_each(&mut number);
        for frog in &mut self.frogs {
            number(&mut frog.node);
            number(&mut frog.common);
            frog.ties.iter_mut().flatten().for_each(&mut number);
            frog.fixed.iter_mut().for_each(&mut number);
        }
        for branch in &mut self.fixed {
            number(&mut branch.from);
            number(&mut branch.to);
        }
        self.nodes = numbers.len();
    }

    /// The node of a terminal.
    ///
    /// # Panics
    /// When the terminal is of another layout: an index out of range, or a port that the trackwork does not have.
    pub(crate) fn node(&self, terminal: Terminal) -> u32 {
        match terminal {
            Terminal::Rail(track, end, rail) => self.rail(track, end, rail),
            Terminal::PortRail(work, port, rail) => self.port(work, port)[side(rail)],
            Terminal::Frog(frog) => self.frog(frog),
            Terminal::Bus(district, name) => self.bus(district, name),
            Terminal::Block(block, name) => self.blocks[block.at()].feeds[0][conductor(name)],
        }
    }

    fn rail(&self, track: TrackIx, end: Which, rail: Side) -> u32 {
        self.rails[track.at()][which(end)][side(rail)]
    }

    fn port(&self, work: TrackworkIx, port: Port) -> Pair {
        let found = self.ports[work.at()].iter().find(|(name, _)| *name == port);
        found.expect("a terminal names a port that its trackwork has").1
    }

    fn frog(&self, frog: FrogIx) -> u32 {
        self.frogs[frog.at()].node
    }

    fn bus(&self, district: DistrictIx, name: Conductor) -> u32 {
        self.districts[district.at()].ends[conductor(name)]
    }
}

impl Drawing<'_> {
    fn ports(&self) -> Vec<Vec<(Port, Pair)>> {
        let of = |(at, work): (usize, &Trackwork)| {
            let named = |port: &Port| (*port, self.port_rails(TrackworkIx::new(at), *port));
            work.kind.ports().iter().map(named).collect()
        };
        self.layout.trackwork.iter().enumerate().map(of).collect()
    }
}

fn districts(drawing: &Drawing, scales: &Scales) -> Vec<DistrictPlan> {
    let Drawing { layout, districts, .. } = drawing;
    let plan = |(district, ends): (&District, &Pair)| DistrictPlan {
        booster: district.booster.at(),
        ends: *ends,
        bus_ohms: wire_ohms(&district.bus, layout.ambient) * scales.wire,
    };
    layout.districts.iter().zip(districts).map(plan).collect()
}

fn blocks(drawing: &Drawing, scales: &Scales) -> Vec<BlockPlan> {
    let layout = drawing.layout;
    let plan = |(at, block): (usize, &Block)| {
        let mut feeds = drawing.feeds(BlockIx::new(at));
        if feeds.is_empty() {
            feeds.push(drawing.bare[at]);
        }
        // The pairs of the file are shared out; each feeder has at least one.
        let pairs = f64::from(block.feeder.pairs.max(1)) / feeds.len() as f64;
        let one = wire_ohms(&Wire { pairs: 1, ..block.feeder }, layout.ambient);
        BlockPlan {
            district: block.district.at(),
            reverser: block.reverser.map(|reverser| reverser.at()),
            feeds,
            feeder_ohms: one / pairs.max(1.0) * scales.wire,
        }
    };
    layout.blocks.iter().enumerate().map(plan).collect()
}

fn frogs(drawing: &Drawing, scales: &Scales) -> Vec<FrogPlan> {
    let layout = drawing.layout;
    let contact = |pole: PoleIx| {
        let machine = layout.poles[pole.at()].machine;
        let scale = scales.contacts.get(pole.at()).copied().unwrap_or(1.0);
        (pole, layout.machines[machine.at()].contact_resistance.ohms() * scale, machine)
    };
    let plan = |(frog, [node, common]): (&Frog, &Pair)| FrogPlan {
        node: *node,
        common: *common,
        feed_ohms: wire_ohms(&frog.feed, layout.ambient) * scales.wire,
        poles: frog.poles.iter().map(|pole| contact(pole.pole)).collect(),
        ties: [frog.normal, frog.reverse].map(|tie| drawing.tie(frog, tie)),
        fixed: frog.fixed.and_then(|tie| drawing.tie(frog, tie)),
    };
    layout.frogs.iter().zip(&drawing.frogs).map(plan).collect()
}

fn rails(drawing: &Drawing, scales: &Scales) -> Vec<Branch> {
    let mut branches = Vec::new();
    for (track, [from, to]) in drawing.layout.tracks.iter().zip(&drawing.rails) {
        let ohms = rail_ohms_per_metre(track.rail) * track.length.metres() * scales.rail;
        for (from, to) in from.iter().zip(to) {
            branches.push(Branch::new(*from, *to, ohms));
        }
    }
    branches
}
