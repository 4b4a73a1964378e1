//! Loads and faults on a network with sources: many cases, one factorisation.
//!
//! A case adds a few bridges. Their currents are the unknowns of a small dense system whose coefficients are transfer
//! resistances of the factorised network (Woodbury's identity); where bridges join islands, the difference of their
//! grounds is one more unknown and the balance of current across the join one more equation.

use std::collections::BTreeMap;

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
    /// Transfer resistances among the sources of each island.
    among: Dense,
    /// Sources by their island, ascending.
    by_island: BTreeMap<u32, Vec<usize>>,
    /// What the sources do where nothing is joined to the network.
    quiet: Vec<Driven>,
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
        let mut by_island: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
        for (at, source) in sources.iter().enumerate() {
            by_island.entry(network.island(source.plus)).or_default().push(at);
        }
        let mut among = Dense::zero(ports.len());
        for members in by_island.values() {
            for &row in members {
                for &column in members {
                    among.set(row, column, network.transfer(&ports[row], &ports[column]));
                }
            }
        }
        let quiet = Vec::new();
        let mut supplied = Self { network, sources, ports, among, by_island, quiet };
        supplied.quiet = supplied.alone();
        supplied
    }

    /// What the sources do with nothing joined to the network, island by island.
    fn alone(&self) -> Vec<Driven> {
        let nothing = Driven { volts: 0.0, amps: 0.0, limits: false };
        let mut quiet = vec![nothing; self.sources.len()];
        for members in self.by_island.values() {
            let sources: Vec<Source> = members.iter().map(|at| self.sources[*at]).collect();
            let unseen = vec![Vec::new(); members.len()];
            let driven = drive(&sources, &self.admittance(members, &unseen, &unseen));
            for (at, driven) in members.iter().zip(driven) {
                quiet[*at] = driven;
            }
        }
        quiet
    }

    /// The sources that a case may change: those of islands that it touches, or in which a source is altered. What is
    /// joined to one island means nothing to the others.
    fn concerned(&self, altered: &[(usize, Source)], joins: &Joins) -> Vec<usize> {
        let altered = altered.iter().map(|(_, source)| self.network.island(source.plus));
        let mut islands: Vec<u32> = joins.islands.iter().copied().chain(altered).collect();
        islands.sort_unstable();
        islands.dedup();
        let mut concerned: Vec<usize> = islands
            .iter()
            .filter_map(|island| self.by_island.get(island))
            .flatten()
            .copied()
            .collect();
        concerned.sort_unstable();
        concerned
    }

    /// The sources that a port sees at all, each with the voltage across the port for one ampere out of it. Unit: ohm.
    pub(crate) fn seen_by<'a>(&'a self, port: &'a Port) -> impl Iterator<Item = (usize, f64)> + 'a {
        let [from, to] = [port.from, port.to].map(|node| self.network.island(node));
        let beyond = (to != from).then_some(to);
        let members = [Some(from), beyond].into_iter().flatten();
        let sources = members.filter_map(|island| self.by_island.get(&island)).flatten();
        sources.map(move |&at| (at, self.network.transfer(port, &self.ports[at])))
    }

    /// A bridge between two nodes. `work` is zero and as long as there are nodes, before and after.
    pub fn across(&self, from: u32, to: u32, ohms: f64, work: &mut [f64]) -> Across {
        Across { port: self.network.port(from, to, work), ohms }
    }

    /// Solves a case.
    #[must_use]
    pub fn case(&self, bridges: &[Across]) -> Case {
        self.case_from(&[], bridges)
    }

    /// Solves a case in which some sources, by their number, have another voltage or limit; places and resistances stay
    /// theirs.
    #[must_use]
    pub fn case_from(&self, altered: &[(usize, Source)], bridges: &[Across]) -> Case {
        let places: Vec<Place> =
            bridges.iter().map(|it| (it.port.from, it.port.to, it.ohms)).collect();
        let seen = |bridge: usize, source: usize| {
            self.network.transfer(&bridges[bridge].port, &self.ports[source])
        };
        let transfer = |one: usize, other: usize| {
            self.network.transfer(&bridges[one].port, &bridges[other].port)
        };
        self.case_of(altered, &places, seen, transfer)
    }

    /// Solves a case whose transfer resistances are known: of each bridge to each source, and of the bridges to each
    /// other, the second place never above the first.
    pub(crate) fn case_of(
        &self,
        altered: &[(usize, Source)],
        bridges: &[Place],
        seen: impl Fn(usize, usize) -> f64,
        transfer: impl FnMut(usize, usize) -> f64,
    ) -> Case {
        let joins = Joins::new(&self.network, bridges);
        let concerned = self.concerned(altered, &joins);
        let of = |source: &usize| (0..bridges.len()).map(|at| seen(at, *source)).collect();
        let seen: Vec<Vec<f64>> = concerned.iter().map(of).collect();
        let shares = self.shares(bridges, &joins, &seen, transfer);
        let given = |at: &usize| {
            let altered = altered.iter().find(|(altered, _)| altered == at);
            altered.map_or(self.sources[*at], |(_, source)| *source)
        };
        let given: Vec<Source> = concerned.iter().map(given).collect();
        let changed = drive(&given, &self.admittance(&concerned, &seen, &shares));
        let total = |at: usize| -> f64 {
            let pushed = given.iter().zip(&changed).zip(&shares);
            pushed.map(|((source, driven), share)| share[at] * driven.volts / source.ohms).sum()
        };
        let amps = (0..bridges.len()).map(total).collect();
        let ground = |island: &u32| {
            let place = joins.unknown.binary_search(island);
            place.map_or(0.0, |place| total(bridges.len() + place))
        };
        let joined = joins.islands.iter().zip(&joins.groups);
        let joined = joined.map(|(island, group)| (*island, *group, ground(island))).collect();
        let mut driven = self.quiet.clone();
        for (at, changed) in concerned.iter().zip(changed) {
            driven[*at] = changed;
        }
        Case { driven, amps, joined }
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
            rights = vec![vec![0.0; size]; seen.len()];
        }
        rights
    }

    /// Y of some sources: current out of one for one volt behind the resistance of another. What they see of the bridges
    /// and the shares that the bridges take come in their order.
    fn admittance(&self, of: &[usize], seen: &[Vec<f64>], shares: &[Vec<f64>]) -> Dense {
        let mut admittance = Dense::zero(of.len());
        for (row, (one, seen)) in of.iter().zip(seen).enumerate() {
            for (column, (other, share)) in of.iter().zip(shares).enumerate() {
                let free = self.among.at(*one, *other);
                let taken: f64 = seen.iter().zip(share).map(|(ohms, amps)| ohms * amps).sum();
                let [ohms, across] = [one, other].map(|at| self.sources[*at].ohms);
                let own = if row == column { 1.0 / ohms } else { 0.0 };
                admittance.set(row, column, own - (free - taken) / (ohms * across));
            }
        }
        admittance
    }

    /// Voltage across a port within one island. Unit: volt.
    #[must_use]
    pub fn voltage(&self, across: &Port, bridges: &[Across], case: &Case) -> f64 {
        let mut volts = 0.0;
        for (at, ohms) in self.seen_by(across) {
            volts += ohms * case.driven[at].volts / self.sources[at].ohms;
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
