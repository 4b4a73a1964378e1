//! Where each train is and where it came from, from the order in which blocks become occupied and clear.
//!
//! A block that becomes occupied while one beside it already is holds the head of the train there; it is the same train.
//! Where two trains are beside it nothing is claimed. No identity is read from a vehicle: a train that was lifted is new.

use wiring::{
    index::BlockIx,
    units::{Micros, Mono},
};

/// A train that has left a block may be seen in the next one so long after: its detector waits before it says clear, and
/// cars without pickup draw nothing.
const FOLLOWED_FOR: Micros = Micros::from_millis(3000);

/// The train in one block.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) struct Here {
    /// Counts from 1; the same as long as the train is followed.
    pub(crate) train: u32,
    /// Since when the block is occupied.
    pub(crate) since: Mono,
    /// The block that it came from; none: not seen to come.
    pub(crate) from: Option<BlockIx>,
}

/// The trains of a layout, by block.
#[derive(Debug)]
pub(crate) struct Trains {
    here: Vec<Option<Here>>,
    left: Vec<Option<(Here, Mono)>>,
    count: u32,
}

impl Trains {
    /// None is known.
    pub(crate) fn new(blocks: usize) -> Self {
        Self { here: vec![None; blocks], left: vec![None; blocks], count: 0 }
    }

    /// The train in a block.
    pub(crate) fn in_block(&self, block: BlockIx) -> Option<Here> {
        self.here[block.at()]
    }

    /// A block became occupied: its current rose at `since`. `beside` lists the blocks that a wheel can roll in from.
    pub(crate) fn handle_occupied(&mut self, block: BlockIx, since: Mono, beside: &[BlockIx]) {
        if self.here[block.at()].is_some() {
            return;
        }
        let near = beside.iter().filter(|it| **it != block).filter_map(|&from| {
            let here = self.here[from.at()];
            let left = self.left[from.at()].filter(|(_, at)| since.since(*at) <= FOLLOWED_FOR);
            let it = here.or(left.map(|it| it.0)).filter(|it| it.since < since)?;
            Some((it, from))
        });
        let near: Vec<(Here, BlockIx)> = near.collect();
        let one = near.iter().all(|(it, _)| it.train == near[0].0.train);
        // Of several blocks of one train its head came into the latest last.
        let (train, from) = match near.iter().max_by_key(|(it, _)| it.since) {
            Some((it, from)) if one => (it.train, Some(*from)),
            Some(_) | None => {
                self.count += 1;
                (self.count, None)
            }
        };
        self.here[block.at()] = Some(Here { train, since, from });
    }

    /// A block is clear.
    pub(crate) fn handle_clear(&mut self, block: BlockIx, at: Mono) {
        if let Some(here) = self.here[block.at()].take() {
            self.left[block.at()] = Some((here, at));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Blocks in a row: each is beside the one before and the one after.
    fn run(events: &str) -> String {
        let mut sut = Trains::new(6);
        for event in events.split_whitespace() {
            let (at, what) = event.split_once(':').expect("when:what");
            let at = Mono(at.parse::<u64>().expect("milliseconds") * 1000);
            let (block, clear) = (what.trim_start_matches('-'), what.starts_with('-'));
            let block = BlockIx(block.parse().expect("a block"));
            if clear {
                sut.handle_clear(block, at);
            } else {
                let beside = [BlockIx(block.0.saturating_sub(1)), BlockIx((block.0 + 1).min(5))];
                sut.handle_occupied(block, at, &beside);
            }
        }
        let shown = (0..6).filter_map(|at| {
            let it = sut.in_block(BlockIx(at))?;
            let from = it.from.map_or_else(String::new, |from| format!("<{}", from.0));
            Some(format!("{at}={}{from}", it.train))
        });
        shown.collect::<Vec<_>>().join(" ")
    }

    #[test]
    fn a_train_is_followed_from_block_to_block() {
        let cases = [
            ("0:1", "1=1"),
            ("0:1 9000:2", "1=1 2=1<1"),
            ("0:1 9000:2 12000:-1 20000:3", "2=1<1 3=1<2"),
            // cleared before the next one is seen, as under cars that draw nothing
            ("0:1 9000:-1 11000:2", "2=1<1"),
            ("0:1 9000:-1 13000:2", "2=2"),
            // two trains
            ("0:1 0:4 9000:5", "1=1 4=2 5=2<4"),
            // between two trains nothing is claimed
            ("0:1 0:3 9000:2", "1=1 2=3 3=2"),
            // set down from above
            ("0:1 0:4", "1=1 4=2"),
        ];
        for (events, want) in cases {
            assert_eq!(run(events), want, "{events}");
        }
    }
}
