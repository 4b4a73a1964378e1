//! Loads and faults on a network with sources: many cases, one factorisation.
//!
//! A case adds a few bridges. Their currents are the unknowns of a small dense system whose coefficients are transfer
//! resistances of the factorised network (Woodbury's identity); where bridges join islands, the difference of their
//! grounds is one more unknown and the balance of current across the join one more equation.

use crate::{
    dense::Dense,
    network::{Network, Port, Sets},
    source::{Driven, Source, drive},
};

/// A network with its sources joined.
#[derive(Clone, Debug)]
pub struct Supplied {
    /// The network; the resistances of the sources are branches of it.
    pub network: Network,
    /// The sources.
    pub sources: Vec<Source>,
    pub(crate) ports: Vec<Port>,
    /// Transfer resistances among the sources.
    among: Dense,
}

/// A resistance across a port.
#[derive(Clone, Debug)]
pub struct Across {
    /// The port.
    pub port: Port,
    /// Resistance. Unit: ohm.
    pub ohms: f64,
}

/// A bridge by its nodes: from, to, ohms.
pub(crate) type Place = (u32, u32, f64);

/// What a case does: currents of sources and bridges.
#[derive(Clone, Debug)]
pub struct Case {
    /// By source.
    pub driven: Vec<Driven>,
    /// Current through each bridge, from `from` to `to`. Unit: ampere.
    pub amps: Vec<f64>,
    /// Islands that bridges touch, with the group of joined islands and the potential of the ground within it.
    joined: Vec<(u32, u32, f64)>,
}

/// Islands that bridges touch, each with the first of its group.
struct Joins {
    islands: Vec<u32>,
    groups: Vec<u32>,
    /// Islands whose ground is unknown: all but the first of each group.
    unknown: Vec<u32>,
}

impl Joins {
    fn new(network: &Network, bridges: &[Place]) -> Self {
        let ends = |&(from, to, _): &Place| [network.island(from), network.island(to)];
        let mut islands: Vec<u32> = bridges.iter().flat_map(ends).collect();
        islands.sort_unstable();
        islands.dedup();
        let mut sets = Sets::new(islands.len());
        let at = |island: u32| islands.binary_search(&island).unwrap_or_default() as u32;
        for bridge in bridges {
            let [from, to] = ends(bridge);
            sets.join(at(from), at(to));
        }
        let first = |place: usize| islands[sets.of(place as u32) as usize];
        let groups: Vec<u32> = (0..islands.len()).map(first).collect();
        let floats = |(island, group): (&u32, &u32)| (island != group).then_some(*island);
        let unknown = islands.iter().zip(&groups).filter_map(floats).collect();
        Self { islands, groups, unknown }
    }
}

impl Supplied {
    /// Joins sources to a network that holds their resistances as branches already.
    #[must_use]
    pub fn new(network: Network, sources: Vec<Source>) -> Self {
        let mut work = vec![0.0; network.nodes()];
        let port = |source: &Source| network.port(source.plus, source.minus, &mut work);
        let ports: Vec<Port> = sources.iter().map(port).collect();
        let mut among = Dense::zero(ports.len());
        for (row, one) in ports.iter().enumerate() {
            for (column, other) in ports.iter().enumerate() {
                among.set(row, column, network.transfer(one, other));
            }
        }
        Self { network, sources, ports, among }
    }

    /// A bridge between two nodes. `work` is zero and as long as there are nodes, before and after.
    pub fn across(&self, from: u32, to: u32, ohms: f64, work: &mut [f64]) -> Across {
        Across { port: self.network.port(from, to, work), ohms }
    }

    /// Solves a case.
    #[must_use]
    pub fn case(&self, bridges: &[Across]) -> Case {
        self.case_from(&self.sources, bridges)
    }

    /// Solves a case with other voltages and limits than the network's own sources; places and resistances are theirs.
    #[must_use]
    pub fn case_from(&self, sources: &[Source], bridges: &[Across]) -> Case {
        let seen = self.seen(bridges);
        let places: Vec<Place> =
            bridges.iter().map(|it| (it.port.from, it.port.to, it.ohms)).collect();
        let transfer = |one: usize, other: usize| {
            self.network.transfer(&bridges[one].port, &bridges[other].port)
        };
        self.case_of(sources, &places, &seen, transfer)
    }

    /// Solves a case whose transfer resistances are known: what each source sees of the bridges, and the bridges of
    /// each other, the second place never above the first.
    pub(crate) fn case_of(
        &self,
        sources: &[Source],
        bridges: &[Place],
        seen: &[Vec<f64>],
        transfer: impl FnMut(usize, usize) -> f64,
    ) -> Case {
        let joins = Joins::new(&self.network, bridges);
        let shares = self.shares(bridges, &joins, seen, transfer);
        let driven = drive(sources, &self.admittance(seen, &shares));
        let total = |at: usize| -> f64 {
            let pushed = self.sources.iter().zip(&driven).zip(&shares);
            pushed.map(|((source, driven), share)| share[at] * driven.volts / source.ohms).sum()
        };
        let amps = (0..bridges.len()).map(total).collect();
        let ground = |island: &u32| {
            let place = joins.unknown.binary_search(island);
            place.map_or(0.0, |place| total(bridges.len() + place))
        };
        let joined = joins.islands.iter().zip(&joins.groups);
        let joined = joined.map(|(island, group)| (*island, *group, ground(island))).collect();
        Case { driven, amps, joined }
    }

    /// By source, the voltage across each bridge for one ampere out of the source, and the other way round.
    fn seen(&self, bridges: &[Across]) -> Vec<Vec<f64>> {
        let of = |port: &Port| {
            bridges.iter().map(|bridge| self.network.transfer(&bridge.port, port)).collect()
        };
        self.ports.iter().map(of).collect()
    }

    /// For one ampere out of each source's own node: current of each bridge, then potential of each unknown ground.
    fn shares(
        &self,
        bridges: &[Place],
        joins: &Joins,
        seen: &[Vec<f64>],
        mut transfer: impl FnMut(usize, usize) -> f64,
    ) -> Vec<Vec<f64>> {
        let known = bridges.len();
        let size = known + joins.unknown.len();
        let mut matrix = Dense::zero(size);
        for (row, &(from, to, ohms)) in bridges.iter().enumerate() {
            for column in 0..=row {
                let ohms = transfer(row, column);
                matrix.set(row, column, ohms);
                matrix.set(column, row, ohms);
            }
            matrix.set(row, row, matrix.at(row, row) + ohms);
            for (node, sign) in [(from, 1.0), (to, -1.0)] {
                if let Ok(place) = joins.unknown.binary_search(&self.network.island(node)) {
                    let column = known + place;
                    matrix.set(row, column, matrix.at(row, column) - sign);
                    matrix.set(column, row, matrix.at(column, row) - sign);
                }
            }
        }
        let right = |seen: &Vec<f64>| {
            seen.iter().copied().chain(joins.unknown.iter().map(|_| 0.0)).collect()
        };
        let mut rights: Vec<Vec<f64>> = seen.iter().map(right).collect();
        if !matrix.solve(&mut rights) {
            rights = vec![vec![0.0; size]; self.ports.len()];
        }
        rights
    }

    /// Y: current out of one source for one volt behind the resistance of another.
    fn admittance(&self, seen: &[Vec<f64>], shares: &[Vec<f64>]) -> Dense {
        let mut admittance = Dense::zero(self.sources.len());
        for (row, (source, seen)) in self.sources.iter().zip(seen).enumerate() {
            for (column, (other, share)) in self.sources.iter().zip(shares).enumerate() {
                let free = self.among.at(row, column);
                let taken: f64 = seen.iter().zip(share).map(|(ohms, amps)| ohms * amps).sum();
                let own = if row == column { 1.0 / source.ohms } else { 0.0 };
                admittance.set(row, column, own - (free - taken) / (source.ohms * other.ohms));
            }
        }
        admittance
    }

    /// Voltage across a port within one island. Unit: volt.
    #[must_use]
    pub fn voltage(&self, across: &Port, bridges: &[Across], case: &Case) -> f64 {
        let mut volts = 0.0;
        for ((port, source), driven) in self.ports.iter().zip(&self.sources).zip(&case.driven) {
            volts += self.network.transfer(across, port) * driven.volts / source.ohms;
        }
        for (bridge, amps) in bridges.iter().zip(&case.amps) {
            volts -= self.network.transfer(across, &bridge.port) * amps;
        }
        volts
    }

    /// Potentials of all nodes, and the group of joined islands that each belongs to: voltages within one group only
    /// mean something.
    #[must_use]
    pub fn potentials(&self, bridges: &[Across], case: &Case) -> (Vec<f64>, Vec<u32>) {
        let ends = bridges.iter().map(|bridge| (bridge.port.from, bridge.port.to));
        self.spread(&self.currents(ends, case), case)
    }

    /// Currents put into nodes by the sources and by bridges between these nodes.
    pub(crate) fn currents(
        &self,
        ends: impl Iterator<Item = (u32, u32)>,
        case: &Case,
    ) -> Vec<(u32, f64)> {
        let mut currents = Vec::new();
        for (source, driven) in self.sources.iter().zip(&case.driven) {
            let amps = driven.volts / source.ohms;
            currents.extend([(source.plus, amps), (source.minus, -amps)]);
        }
        for ((from, to), amps) in ends.zip(&case.amps) {
            currents.extend([(from, -amps), (to, *amps)]);
        }
        currents
    }

    /// Potentials and groups that follow from currents put into nodes.
    pub(crate) fn spread(&self, currents: &[(u32, f64)], case: &Case) -> (Vec<f64>, Vec<u32>) {
        let mut volts = self.network.potentials(currents);
        let mut groups: Vec<u32> =
            (0..volts.len() as u32).map(|node| self.network.island(node)).collect();
        for (volts, group) in volts.iter_mut().zip(&mut groups) {
            if let Ok(place) = case.joined.binary_search_by_key(group, |join| join.0) {
                let (_, first, ground) = case.joined[place];
                *volts += ground;
                *group = first;
            }
        }
        (volts, groups)
    }
}
