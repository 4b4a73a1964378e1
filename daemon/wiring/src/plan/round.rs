//! Once round a loop: its tracks, and the best places to gap it.

use std::collections::VecDeque;

use super::place;
use crate::{
    index::TrackIx,
    layout::Which,
    netlist::{Join, Netlist, Piece, StrandIx},
    units::Micrometres,
};

/// A loop that joins the two rails with each other.
#[derive(Clone, Debug)]
pub(crate) struct OddLoop {
    /// Its tracks, in the order in which a train runs over them.
    pub(crate) tracks: Vec<TrackIx>,
    /// The tracks between the gaps proposed.
    pub(crate) section: Vec<TrackIx>,
    /// Length of that section.
    pub(crate) length: Micrometres,
    /// Ends at which a gap is missing.
    pub(crate) gap_at: Vec<String>,
    /// Ends of the section that are gapped already.
    pub(crate) gapped_at: Vec<String>,
    /// The reverser's block, where the loop has one.
    pub(crate) has_reverser: bool,
}

/// Searches for loops one after the other. A loop that the gaps proposed before would already open is not reported
/// again.
pub(super) struct Rounds<'a, 'n> {
    net: &'a Netlist<'n>,
    is_consistent: Vec<bool>,
    /// By track: gaps proposed at its ends.
    is_cut: Vec<[bool; 2]>,
    /// By strand: the join over which the search came, and the number of that search.
    came_over: Vec<(u32, u32)>,
    search: u32,
}

impl<'a, 'n> Rounds<'a, 'n> {
    pub(super) fn new(net: &'a Netlist<'n>, is_consistent: Vec<bool>) -> Self {
        Self {
            net,
            is_consistent,
            is_cut: vec![[false; 2]; net.layout.tracks.len()],
            came_over: vec![(0, 0); net.strands.len()],
            search: 0,
        }
    }

    /// Takes a join that closes no loop any more for one like others.
    pub(super) fn accept(&mut self, closing: usize) {
        self.is_consistent[closing] = true;
    }

    /// A rail goes on over a join, and no gap is proposed there.
    pub(super) fn is_open(&self, at: usize) -> bool {
        self.is_consistent[at] && !self.is_proposed(&self.net.joins[at])
    }

    /// The loop that a join closes.
    pub(super) fn close(&mut self, closing: usize) -> Option<OddLoop> {
        if self.is_proposed(&self.net.joins[closing]) {
            return None;
        }
        let ring = self.ring(closing)?;
        // Gaps proposed before may have opened the way that made this one odd, and left one that makes it even.
        let is_odd =
            ring.iter().fold(false, |odd, (_, over)| odd ^ self.net.joins[*over].is_turned);
        if !is_odd {
            return None;
        }
        let run = self.longest_run(&ring);
        let run = run.iter().map(|&at| ring[at % ring.len()]).collect::<Vec<_>>();
        Some(self.describe(&ring, &run))
    }

    fn is_proposed(&self, join: &Join) -> bool {
        let ends = join.ends.iter().flatten();
        ends.into_iter().any(|(track, which)| self.is_cut[track.at()][end_index(*which)])
    }

    /// The shortest way from one side of the closing join to the other, as steps: a strand and the join that leads to
    /// it. Consistent joins hold no odd ring, so that all such ways are alike.
    fn ring(&mut self, closing: usize) -> Option<Vec<(StrandIx, usize)>> {
        let Join { one, two, .. } = self.net.joins[closing];
        self.search += 1;
        self.came_over[one.at()] = (u32::MAX, self.search);
        let mut queue = VecDeque::from([one]);
        while let Some(strand) = queue.pop_front() {
            if strand == two {
                return Some(self.trace(one, two, closing));
            }
            for &at in self.net.joins_at(strand.at()) {
                let join = &self.net.joins[at as usize];
                let next = join.other(strand);
                if self.is_open(at as usize) && self.came_over[next.at()].1 != self.search {
                    self.came_over[next.at()] = (at, self.search);
                    queue.push_back(next);
                }
            }
        }
        None
    }

    fn trace(&self, one: StrandIx, two: StrandIx, closing: usize) -> Vec<(StrandIx, usize)> {
        let mut steps = Vec::new();
        let mut strand = two;
        while strand != one {
            let over = self.came_over[strand.at()].0 as usize;
            steps.push((strand, over));
            strand = self.net.joins[over].other(strand);
        }
        steps.push((one, closing));
        steps.reverse();
        steps
    }

    /// The longest stretch of plain track on the ring, as positions that may run over its end. Gaps at both ends of such
    /// a stretch cut it off whole, because nothing branches from it.
    fn longest_run(&self, ring: &[(StrandIx, usize)]) -> Vec<usize> {
        let is_track = |at: &usize| matches!(self.piece(ring[at % ring.len()].0), Piece::Track(_));
        let Some(start) = (0..ring.len()).find(|at| !is_track(at)) else {
            return (0..ring.len())
                .max_by_key(|&at| (self.length(ring[at].0), ring.len() - at))
                .into_iter()
                .collect();
        };
        let positions: Vec<usize> = (start..start + ring.len()).collect();
        let runs = positions.split(|at| !is_track(at));
        let measured = runs.map(|run| {
            let total = run
                .iter()
                .fold(Micrometres::ZERO, |sum, at| sum + self.length(ring[at % ring.len()].0));
            (total, run)
        });
        let mut best: (Micrometres, &[usize]) = (Micrometres::ZERO, &[]);
        for (total, run) in measured {
            if best.1.is_empty() || best.0 < total {
                best = (total, run);
            }
        }
        best.1.to_vec()
    }

    fn piece(&self, strand: StrandIx) -> Piece {
        self.net.strands[strand.at()].piece
    }

    fn length(&self, strand: StrandIx) -> Micrometres {
        match self.piece(strand) {
            Piece::Track(track) => self.net.layout.tracks[track.at()].length,
            Piece::Trackwork(..) => Micrometres::ZERO,
        }
    }

    fn describe(&mut self, ring: &[(StrandIx, usize)], run: &[(StrandIx, usize)]) -> OddLoop {
        let tracks = |steps: &[(StrandIx, usize)]| {
            let tracks = steps.iter().filter_map(|(strand, _)| match self.piece(*strand) {
                Piece::Track(track) => Some(track),
                Piece::Trackwork(..) => None,
            });
            tracks.collect::<Vec<_>>()
        };
        let (tracks, section) = (tracks(ring), tracks(run));
        let first = ring.iter().position(|step| Some(step) == run.first()).unwrap_or(0);
        let bounds = [ring[first].1, ring[(first + run.len()) % ring.len()].1];
        let (mut gap_at, mut gapped_at) = (Vec::new(), Vec::new());
        for (bound, inner) in bounds.into_iter().zip([run.first(), run.last()]) {
            let name = self.end_of(bound, inner.map(|step| step.0));
            let list = if self.net.joins[bound].is_joined() { &mut gap_at } else { &mut gapped_at };
            if !list.contains(&name) {
                list.push(name);
            }
        }
        let length = run.iter().fold(Micrometres::ZERO, |sum, step| sum + self.length(step.0));
        let blocks = tracks.iter().map(|track| self.net.layout.tracks[track.at()].block);
        let has_reverser =
            blocks.into_iter().any(|it| self.net.layout.blocks[it.at()].reverser.is_some());
        OddLoop { tracks, section, length, gap_at, gapped_at, has_reverser }
    }

    /// Notes the cut and names the end at which it is.
    fn end_of(&mut self, join: usize, inner: Option<StrandIx>) -> String {
        let join = &self.net.joins[join];
        for (strand, end) in [join.one, join.two].into_iter().zip(join.ends) {
            if let Some((track, which)) = end
                && Some(strand) == inner
            {
                self.is_cut[track.at()][end_index(which)] = true;
            }
        }
        place(self.net.layout, join)
    }
}

const fn end_index(which: Which) -> usize {
    match which {
        Which::From => 0,
        Which::To => 1,
    }
}
