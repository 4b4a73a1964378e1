//! An automatic reverser: swaps the rails of its block when too much current flows into it.

use wiring::{
    index::BlockIx,
    layout::{self, Layout},
    units::{Micros, Mono},
};

use crate::random::Random;

/// Time after a flip during which it does not flip again. Assumed.
const RESTS: Micros = Micros::from_millis(25);

/// A reverser.
#[derive(Clone, Debug)]
pub(crate) struct Reverser {
    pub(crate) block: BlockIx,
    pub(crate) swapped: bool,
    /// Current at which it acts. Unit: ampere.
    threshold: f64,
    /// Time that it needs. Made long by a fault.
    pub(crate) acts_after: Micros,
    over: Option<Mono>,
    flipped: Option<Mono>,
}

impl Reverser {
    pub(crate) fn new(layout: &Layout, it: &layout::Reverser, random: &mut Random) -> Self {
        let district = &layout.districts[layout.district_of_block(it.block).at()];
        let limit = layout.boosters[district.booster.at()].limit.amps();
        let trip = district.breaker.trip.map_or(limit, |trip| trip.amps().min(limit));
        // It must act first, in current and in time: at 1.25 times less (rules of thumb R16).
        Self {
            block: it.block,
            swapped: false,
            threshold: trip / 1.4,
            acts_after: Micros((random.between(2.0, 6.0) * 1e3) as u64),
            over: None,
            flipped: None,
        }
    }

    /// Sees the current into its block; true when it flips.
    pub(crate) fn advance(&mut self, amps: f64, now: Mono) -> bool {
        if amps < self.threshold {
            self.over = None;
            return false;
        }
        let since = *self.over.get_or_insert(now);
        let rested = self.flipped.is_none_or(|at| RESTS <= now.since(at));
        if now.since(since) < self.acts_after || !rested {
            return false;
        }
        self.swapped = !self.swapped;
        self.flipped = Some(now);
        self.over = None;
        true
    }

    pub(crate) fn is_busy(&self) -> bool {
        self.over.is_some()
    }

    pub(crate) fn word(&self) -> &'static str {
        if self.swapped { "swapped" } else { "straight" }
    }
}
