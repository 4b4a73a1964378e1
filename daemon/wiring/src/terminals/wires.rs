//! Every wire of a layout, in the order in which one would draw it.

use super::{
    Function, MachineWiring, Place, Throw, WireKind, WireRun, Wiring,
    home::{Home, homes, terminals},
};
use crate::{
    index::{BlockIx, DistrictIx, FrogIx, MachineIx, PoleIx, TrackworkIx},
    layout::{Conductor, Frog, Layout, Side, Tie, Wire},
    netlist::Netlist,
    plan::settle,
    trackwork::Port,
};

/// The list as it grows.
struct Draw<'a> {
    layout: &'a Layout,
    net: Netlist<'a>,
    wires: Vec<WireRun>,
    /// Where the wires of the machine in hand begin.
    start: usize,
}

pub(super) fn all(layout: &Layout) -> Wiring {
    let (net, _) = settle(layout);
    let mut draw = Draw { layout, net, wires: Vec::new(), start: 0 };
    let mut machines = Vec::new();
    for (at, home) in homes(layout).into_iter().enumerate() {
        let machine = MachineIx::new(at);
        draw.start = draw.wires.len();
        draw.machine(machine, &home);
        machines.push(MachineWiring {
            machine,
            terminals: terminals(layout, machine, &home),
            district: home.district,
            trackwork: home.trackwork,
            frogs: home.frogs,
            wires: draw.start..draw.wires.len(),
        });
    }
    draw.fixed_frogs();
    draw.feeders();
    draw.buses();
    let labelled = draw.wires.iter_mut().filter(|wire| wire.kind != WireKind::Jumper);
    for (number, wire) in (1..).zip(labelled) {
        wire.number = Some(number);
    }
    let rails = rails(layout, &draw.net);
    Wiring { machines, wires: draw.wires, rails }
}

/// The conductors at the ports of all trackwork.
fn rails(layout: &Layout, net: &Netlist<'_>) -> Vec<Vec<(Port, [Option<Conductor>; 2])>> {
    let of_port = |at: usize, port: Port| {
        [Side::Left, Side::Right].map(|side| {
            let supply = net.port_rail(TrackworkIx::new(at), port, side);
            supply.is_live.then_some(supply.conductor)
        })
    };
    let all = layout.trackwork.iter().enumerate();
    all.map(|(at, it)| it.kind.ports().iter().map(|port| (*port, of_port(at, *port))).collect())
        .collect()
}

impl Draw<'_> {
    fn machine(&mut self, machine: MachineIx, home: &Home) {
        for lead in [1, 2] {
            self.motor(machine, lead, home.district);
        }
        for &frog in &home.frogs {
            self.frog(machine, frog);
        }
        for wire in &mut self.wires[self.start..] {
            wire.district = home.district;
        }
    }

    fn motor(&mut self, machine: MachineIx, lead: u8, district: Option<DistrictIx>) {
        let own = format!("motor-{lead}");
        self.wires.push(WireRun {
            number: None,
            kind: WireKind::Motor,
            from: Place::Terminal(machine, Function::Motor(lead)),
            to: Place::Drive(machine, lead),
            colour: self.colour(district, &own).or_else(|| self.colour(district, "motor")),
            gauge: None,
            length: None,
            count: 1,
            district,
        });
    }

    /// The first pole of a frog on this machine has the wires; each further one is jumpered to the one before, so that
    /// no terminal holds more than two.
    fn frog(&mut self, machine: MachineIx, frog: FrogIx) {
        let layout = self.layout;
        let it = &layout.frogs[frog.at()];
        let poles: Vec<PoleIx> = it
            .poles
            .iter()
            .map(|listed| listed.pole)
            .filter(|pole| layout.poles[pole.at()].machine == machine)
            .collect();
        let Some(&first) = poles.first() else { return };
        for throw in Throw::ALL {
            let Some(wire) = self.contact(machine, first, frog, throw) else { continue };
            self.add(wire.clone());
            for pair in poles.windows(2) {
                self.jumper(machine, [pair[0], pair[1]], throw, &wire);
            }
        }
    }

    /// One wire that several frogs share is drawn once.
    fn add(&mut self, wire: WireRun) {
        let drawn = &self.wires[self.start..];
        if !drawn.iter().any(|it| it.from == wire.from && self.is_same(&it.to, &wire.to)) {
            self.wires.push(wire);
        }
    }

    /// Two frogs of one trackwork that share a contact share its ties.
    fn is_same(&self, one: &Place, two: &Place) -> bool {
        let home = |frog: FrogIx| self.layout.frogs[frog.at()].trackwork;
        match (one, two) {
            (Place::Tied { frog, tie, .. }, Place::Tied { frog: other, tie: its, .. }) => {
                tie == its && home(*frog) == home(*other)
            }
            _ => one == two,
        }
    }

    /// The wire of one terminal of a frog's contact; none where nothing is tied to it.
    fn contact(
        &self,
        machine: MachineIx,
        pole: PoleIx,
        frog: FrogIx,
        throw: Throw,
    ) -> Option<WireRun> {
        let it = &self.layout.frogs[frog.at()];
        let district = self.layout.district_of_frog(frog);
        let from = Place::Terminal(machine, Function::Contact(pole, throw));
        let tie = match throw {
            Throw::Common => {
                let colour = self.colour(Some(district), "frog");
                let to = Place::Frog(frog);
                return Some(one(WireKind::Frog, from, to, colour, it.feed));
            }
            Throw::Normal => it.normal,
            Throw::Reverse => it.reverse,
        };
        let to = self.tied(frog, tie)?;
        let colour = self.colour_of(district, &to);
        let mut wire = one(WireKind::Tie, from, to, colour, it.feed);
        wire.length = None;
        Some(wire)
    }

    fn jumper(&mut self, machine: MachineIx, poles: [PoleIx; 2], throw: Throw, beside: &WireRun) {
        let [from, to] = poles.map(|pole| Place::Terminal(machine, Function::Contact(pole, throw)));
        let own = self.colour(beside.district, "jumper");
        let wire = WireRun {
            number: None,
            kind: WireKind::Jumper,
            from,
            to,
            colour: own.or_else(|| beside.colour.clone()),
            gauge: beside.gauge,
            length: None,
            count: 1,
            district: beside.district,
        };
        self.add(wire);
    }

    /// What a tie is, with the conductor it is on; none when it is nothing.
    fn tied(&self, frog: FrogIx, tie: Tie) -> Option<Place> {
        if tie == Tie::None {
            return None;
        }
        let supply = self.net.tie(frog, tie).filter(|supply| supply.is_live);
        Some(Place::Tied { frog, tie, conductor: supply.map(|supply| supply.conductor) })
    }

    fn fixed_frogs(&mut self) {
        let layout = self.layout;
        for (at, it) in layout.frogs.iter().enumerate() {
            let frog = FrogIx::new(at);
            let Some(to) = it.fixed.and_then(|tie| self.tied(frog, tie)) else { continue };
            self.fixed_frog(frog, it, to);
        }
    }

    fn fixed_frog(&mut self, frog: FrogIx, it: &Frog, to: Place) {
        let district = self.layout.district_of_frog(frog);
        let colour = self.colour_of(district, &to);
        let mut wire = one(WireKind::FixedFrog, Place::Frog(frog), to, colour, it.feed);
        // a frog without a table has no feed in the file
        (wire.gauge, wire.length) = (None, None);
        wire.district = Some(district);
        self.wires.push(wire);
    }

    fn feeders(&mut self) {
        let layout = self.layout;
        for (at, block) in layout.blocks.iter().enumerate() {
            for conductor in [Conductor::A, Conductor::B] {
                let from = Place::Bus(block.district, conductor);
                let to = Place::Rails(BlockIx::new(at), conductor);
                self.pair(WireKind::Feeder, (from, to), block.district, conductor, block.feeder);
            }
        }
    }

    fn buses(&mut self) {
        let layout = self.layout;
        for (at, it) in layout.districts.iter().enumerate() {
            let district = DistrictIx::new(at);
            for conductor in [Conductor::A, Conductor::B] {
                let ends = (Place::Breaker(district, conductor), Place::Bus(district, conductor));
                self.pair(WireKind::Bus, ends, district, conductor, it.bus);
            }
        }
    }

    fn pair(
        &mut self,
        kind: WireKind,
        (from, to): (Place, Place),
        district: DistrictIx,
        conductor: Conductor,
        wire: Wire,
    ) {
        let colour = self.colour(Some(district), conductor.word());
        let run = WireRun { count: wire.pairs, ..one(kind, from, to, colour, wire) };
        self.wires.push(WireRun { district: Some(district), ..run });
    }

    fn colour_of(&self, own: DistrictIx, to: &Place) -> Option<String> {
        let Place::Tied { tie, conductor, .. } = to else { return None };
        let district = match tie {
            Tie::ForeignBus(district, _) => *district,
            Tie::Stock(_) | Tie::PortRail(..) | Tie::Bus(_) | Tie::None => own,
        };
        self.colour(Some(district), (*conductor)?.word())
    }

    /// The owner's colour: `quarry/A` before `A`.
    fn colour(&self, district: Option<DistrictIx>, key: &str) -> Option<String> {
        let colours = &self.layout.colours;
        let own = district.map(|it| format!("{}/{key}", self.layout.districts[it.at()].id));
        own.and_then(|own| colours.get(&own)).or_else(|| colours.get(key)).cloned()
    }
}

fn one(kind: WireKind, from: Place, to: Place, colour: Option<String>, wire: Wire) -> WireRun {
    WireRun {
        number: None,
        kind,
        from,
        to,
        colour,
        gauge: Some(wire.gauge),
        length: Some(wire.length),
        count: 1,
        district: None,
    }
}
