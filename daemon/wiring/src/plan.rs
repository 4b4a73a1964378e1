//! The track plan as a graph with rails: which blocks adjoin, where two feeds meet, and which loops join the two rails.

use std::collections::BTreeSet;

use crate::{
    index::BlockIx,
    layout::{End, Layout, Which},
    netlist::{Join, Netlist},
};

mod blame;
mod parity;
mod round;
mod signed;

pub(crate) use blame::Blamed;
pub(crate) use parity::{Parity, settle};
pub(crate) use round::OddLoop;

/// By block: the blocks that adjoin it over a joint or gap, ascending. Without a track plan: all blocks of its district.
#[must_use]
pub fn neighbours(layout: &Layout) -> Vec<Vec<BlockIx>> {
    if layout.tracks.is_empty() {
        return of_district(layout);
    }
    let net = Netlist::new(layout);
    let mut found = vec![BTreeSet::new(); layout.blocks.len()];
    for join in &net.joins {
        let (one, two) = (net.strands[join.one.at()].block, net.strands[join.two.at()].block);
        if one != two {
            found[one.at()].insert(two);
            found[two.at()].insert(one);
        }
    }
    found.into_iter().map(|blocks| blocks.into_iter().collect()).collect()
}

fn of_district(layout: &Layout) -> Vec<Vec<BlockIx>> {
    let mut by_district = vec![Vec::new(); layout.districts.len()];
    for (at, block) in layout.blocks.iter().enumerate() {
        by_district[block.district.at()].push(BlockIx::new(at));
    }
    let blocks = layout.blocks.iter().enumerate();
    let others = blocks.map(|(at, block)| {
        let all = by_district[block.district.at()].iter().copied();
        all.filter(|other| other.at() != at).collect()
    });
    others.collect()
}

/// `T1.left`, `buffer-3`: the place of a join as the layout file names it.
pub(crate) fn place(layout: &Layout, join: &Join) -> String {
    let (track, which) =
        join.ends[0].or(join.ends[1]).expect("every join is at the end of a track");
    let it = &layout.tracks[track.at()];
    end_name(
        layout,
        match which {
            Which::From => it.from,
            Which::To => it.to,
        },
    )
}

/// An end as the layout file names it.
#[must_use]
pub fn end_name(layout: &Layout, end: End) -> String {
    match end {
        End::Port(trackwork, port) => {
            format!("{}.{}", layout.trackwork[trackwork.at()].id, port.word())
        }
        End::Joint(joint) => layout.joints[joint.at()].name.clone(),
    }
}
