//! Where a frog's legs lead, and which districts meet: fixed with the layout.

use wiring::{
    index::{BlockIx, DistrictIx, FrogIx, TrackIx, TrackworkIx},
    layout::{End, Layout},
    trackwork::Port,
};

use super::FrogModel;

/// What lies beyond a port of a frog's trackwork.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Leg {
    pub(crate) port: Port,
    /// The block beyond, or the trackwork's own where it goes on.
    pub(crate) block: BlockIx,
    /// The port's bit among the open ports of a row of the proof.
    pub(crate) bit: u8,
}

/// The legs of a trackwork, of its joined ports.
pub(super) fn legs(layout: &Layout, trackwork: TrackworkIx) -> Vec<Leg> {
    let it = &layout.trackwork[trackwork.at()];
    let ports = it.at_port.iter().enumerate();
    ports
        .filter_map(|(nth, (port, joined))| {
            let (track, _) = (*joined)?;
            Some(Leg { port: *port, block: beyond(layout, track, it.block), bit: 1 << nth })
        })
        .collect()
}

/// The block of a track, or of the track after it where it still lies in the trackwork's own block.
fn beyond(layout: &Layout, track: TrackIx, own: BlockIx) -> BlockIx {
    let it = &layout.tracks[track.at()];
    if it.block != own {
        return it.block;
    }
    let next = [it.from, it.to].into_iter().find_map(|end| match end {
        End::Joint(joint) => layout.joints[joint.at()]
            .ends
            .iter()
            .map(|(track, _)| layout.tracks[track.at()].block)
            .find(|block| *block != own),
        End::Port(..) => None,
    });
    next.unwrap_or(own)
}

/// The districts that a frog or one of its legs lies in, ascending.
pub(super) fn districts(layout: &Layout, block: BlockIx, legs: &[Leg]) -> Vec<DistrictIx> {
    let blocks = legs.iter().map(|leg| leg.block).chain([block]);
    let mut list: Vec<DistrictIx> = blocks.map(|it| layout.district_of_block(it)).collect();
    list.sort_unstable();
    list.dedup();
    list
}

/// By district, the others on whose border with it a wheel can stand, ascending: a block of theirs lies next to one of
/// its own, or a frog lies in both.
pub(super) fn meeting(
    layout: &Layout,
    frogs: &[FrogModel],
    neighbours: &[Vec<BlockIx>],
) -> Vec<Vec<DistrictIx>> {
    let mut lists = vec![Vec::new(); layout.districts.len()];
    for (at, near) in neighbours.iter().enumerate() {
        let own = layout.district_of_block(BlockIx::new(at));
        lists[own.at()].extend(near.iter().map(|it| layout.district_of_block(*it)));
    }
    for frog in frogs {
        for one in &frog.districts {
            lists[one.at()].extend(frog.districts.iter().copied());
        }
    }
    for (at, list) in lists.iter_mut().enumerate() {
        list.retain(|it| *it != DistrictIx::new(at));
        list.sort_unstable();
        list.dedup();
    }
    lists
}

impl super::Model {
    /// A wheel can stand on a border of theirs.
    pub(crate) fn districts_meet(&self, one: DistrictIx, other: DistrictIx) -> bool {
        self.meeting[one.at()].contains(&other)
    }

    /// The frog or one of its legs lies in the district.
    pub(crate) fn frog_meets(&self, frog: FrogIx, district: DistrictIx) -> bool {
        self.frogs[frog.at()].districts.contains(&district)
    }
}
