//! The same network solved again and again with nearly the same bridges: what a case needs of the factor is kept.

use std::collections::BTreeMap;

use crate::{
    load::{Case, Place, Supplied},
    network::Port,
};

/// Ports that are kept at most; beyond them all are forgotten. The table of transfers holds half the square of it.
const MOST: usize = 512;

/// Ports of earlier cases with their transfer resistances. Belongs to one network under one set of switches: after
/// switching begin with an empty one.
#[derive(Clone, Debug, Default)]
pub struct Kept {
    /// Place in the other lists, by nodes.
    places: BTreeMap<(u32, u32), usize>,
    ports: Vec<Port>,
    /// By port, the sources that it sees, each with its transfer.
    seen: Vec<BTreeMap<usize, f64>>,
    /// By port, its transfer to each port before it and to itself, as far as asked for; not a number otherwise.
    transfers: Vec<Vec<f64>>,
    work: Vec<f64>,
}

impl Kept {
    fn place(&mut self, supplied: &Supplied, from: u32, to: u32) -> usize {
        if let Some(&place) = self.places.get(&(from, to)) {
            return place;
        }
        self.work.resize(supplied.network.nodes(), 0.0);
        let port = supplied.network.port(from, to, &mut self.work);
        self.seen.push(supplied.seen_by(&port).collect());
        let place = self.ports.len();
        self.ports.push(port);
        self.transfers.push(vec![f64::NAN; place + 1]);
        self.places.insert((from, to), place);
        place
    }
}

/// The transfer resistance of two kept ports; worked out when first asked for.
fn known(
    supplied: &Supplied,
    ports: &[Port],
    transfers: &mut [Vec<f64>],
    one: usize,
    other: usize,
) -> f64 {
    let (low, high) = (one.min(other), one.max(other));
    let known = &mut transfers[high][low];
    if known.is_nan() {
        *known = supplied.network.transfer(&ports[high], &ports[low]);
    }
    *known
}

impl Supplied {
    /// Solves a case with what is kept of earlier ones; also the currents that it puts into nodes.
    pub(crate) fn case_again(
        &self,
        bridges: impl Iterator<Item = Place>,
        kept: &mut Kept,
    ) -> (Case, Vec<(u32, f64)>) {
        if MOST < kept.ports.len() {
            *kept = Kept::default();
        }
        let bridges: Vec<Place> = bridges.collect();
        let places: Vec<usize> =
            bridges.iter().map(|&(from, to, _)| kept.place(self, from, to)).collect();
        let Kept { seen, ports, transfers, .. } = kept;
        let seen = |bridge: usize, source: usize| {
            seen[places[bridge]].get(&source).copied().unwrap_or(0.0)
        };
        let transfer =
            |row: usize, column: usize| known(self, ports, transfers, places[row], places[column]);
        let case = self.case_of(&[], &bridges, seen, transfer);
        let currents = self.currents(bridges.iter().map(|&(from, to, _)| (from, to)), &case);
        (case, currents)
    }
}
