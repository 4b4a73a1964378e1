//! The places at which a layout is studied: blocks, ports, track ends, frogs.

use wiring::{
    index::{BlockIx, DistrictIx, FrogIx, TrackIx, TrackworkIx},
    layout::{Conductor, End, Layout, Side, Which},
};

use crate::grid::Terminal;

/// What is at a place.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Spot {
    /// Two rails, or the two conductors of a block.
    Rails(Terminal, Terminal),
    /// A frog.
    Frog(FrogIx),
}

/// A place.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Place {
    /// `frog/ID`, `port/TRACKWORK.PORT`, `end/NAME` or `block/ID`.
    pub at: String,
    /// Its block.
    pub block: BlockIx,
    /// Its district.
    pub district: DistrictIx,
    /// What is there.
    pub spot: Spot,
}

/// All places: blocks, then ports, then track ends, then frogs, each in the order of the file.
///
/// The track side of a gap at a port, and of every gap but the first at a joint, is a place of its own, named after the
/// track: `end/TRACK.from`.
#[must_use]
pub fn places(layout: &Layout) -> Vec<Place> {
    let mut places = Vec::new();
    for (at, block) in layout.blocks.iter().enumerate() {
        let at = BlockIx::new(at);
        let [a, b] = [Conductor::A, Conductor::B].map(|name| Terminal::Block(at, name));
        places.push(place(layout, format!("block/{}", block.id), at, Spot::Rails(a, b)));
    }
    ports(layout, &mut places);
    ends(layout, &mut places);
    for (at, frog) in layout.frogs.iter().enumerate() {
        let frog_at = FrogIx::new(at);
        let block = layout.block_of_frog(frog_at);
        places.push(place(layout, format!("frog/{}", frog.id), block, Spot::Frog(frog_at)));
    }
    places
}

fn place(layout: &Layout, at: String, block: BlockIx, spot: Spot) -> Place {
    Place { at, block, district: layout.district_of_block(block), spot }
}

fn ports(layout: &Layout, places: &mut Vec<Place>) {
    for (at, work) in layout.trackwork.iter().enumerate() {
        for port in work.kind.ports() {
            let rail = |side| Terminal::PortRail(TrackworkIx::new(at), *port, side);
            let spot = Spot::Rails(rail(Side::Left), rail(Side::Right));
            let name = format!("port/{}.{}", work.id, port.word());
            places.push(place(layout, name, work.block, spot));
        }
    }
}

fn ends(layout: &Layout, places: &mut Vec<Place>) {
    let mut met = vec![false; layout.joints.len()];
    for (at, track) in layout.tracks.iter().enumerate() {
        for (which, end) in [(Which::From, track.from), (Which::To, track.to)] {
            let gapped = track.gaps.iter().any(|gap| gap.end == which);
            let own = format!("end/{}.{}", track.id, word(which));
            let name = match end {
                End::Joint(joint) if !std::mem::replace(&mut met[joint.at()], true) => {
                    Some(format!("end/{}", layout.joints[joint.at()].name))
                }
                End::Joint(_) => gapped.then_some(own),
                End::Port(work, _) => {
                    let stands_off = layout.trackwork[work.at()].kind.has_stock_rails();
                    (gapped && stands_off).then_some(own)
                }
            };
            let rail = |side| Terminal::Rail(TrackIx::new(at), which, side);
            if let Some(name) = name {
                let spot = Spot::Rails(rail(Side::Left), rail(Side::Right));
                places.push(place(layout, name, track.block, spot));
            }
        }
    }
}

const fn word(which: Which) -> &'static str {
    match which {
        Which::From => "from",
        Which::To => "to",
    }
}
