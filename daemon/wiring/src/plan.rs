//! The track plan as a graph: which blocks adjoin.

use crate::{index::BlockIx, layout::Layout};

/// By block: the blocks that adjoin it over a joint or gap, ascending. Without a track plan: all blocks of its district.
#[must_use]
pub fn neighbours(layout: &Layout) -> Vec<Vec<BlockIx>> {
    layout
        .blocks
        .iter()
        .enumerate()
        .map(|(own, block)| {
            let others = layout.blocks.iter().enumerate();
            others
                .filter(|(at, other)| *at != own && other.district == block.district)
                .map(|(at, _)| BlockIx::new(at))
                .collect()
        })
        .collect()
}
