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
        Self {
            block: it.block,
            swapped: false,
            threshold: threshold(layout, it.block),
            acts_after: Micros((random.between(2.0, 6.0) * 1e3) as u64),
            over: None,
            flipped: None,
        }
    }

    /// One that the file does not know, before another block, of exactly the speed given.
    pub(crate) fn added(
        layout: &Layout,
        block: BlockIx,
        swapped: bool,
        acts_after: Micros,
    ) -> Self {
        let threshold = threshold(layout, block);
        Self { block, swapped, threshold, acts_after, over: None, flipped: None }
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

/// It must act first, in current and in time: at 1.25 times less or lower (rules of thumb R16).
fn threshold(layout: &Layout, block: BlockIx) -> f64 {
    let district = &layout.districts[layout.district_of_block(block).at()];
    let limit = layout.boosters[district.booster.at()].limit.amps();
    district.breaker.trip.map_or(limit, |trip| trip.amps().min(limit)) / 1.4
}
