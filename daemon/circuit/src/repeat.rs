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
    /// By port, its transfer to each source.
    seen: Vec<Vec<f64>>,
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
        let seen = supplied.ports.iter().map(|it| supplied.network.transfer(&port, it));
        self.seen.push(seen.collect());
        let place = self.ports.len();
        self.ports.push(port);
        self.transfers.push(vec![f64::NAN; place + 1]);
        self.places.insert((from, to), place);
        place
    }

    fn transfer(&mut self, supplied: &Supplied, one: usize, other: usize) -> f64 {
        let (low, high) = (one.min(other), one.max(other));
        let known = self.transfers[high][low];
        if !known.is_nan() {
            return known;
        }
        let ohms = supplied.network.transfer(&self.ports[high], &self.ports[low]);
        self.transfers[high][low] = ohms;
        ohms
    }
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
        let seen: Vec<Vec<f64>> = (0..self.sources.len())
            .map(|source| places.iter().map(|place| kept.seen[*place][source]).collect())
            .collect();
        let case = self.case_of(&self.sources, &bridges, &seen, |row, column| {
            kept.transfer(self, places[row], places[column])
        });
        let currents = self.currents(bridges.iter().map(|&(from, to, _)| (from, to)), &case);
        (case, currents)
    }
}
