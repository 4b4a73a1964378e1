//! The rails as a net: pairs of rails (strands), the joints between them, the feeders, and which conductor each rail is on.
//!
//! Every piece of plain track is a strand; trackwork is one or two (see [`crate::trackwork::Strand`]). Strands meet in
//! joins, at which each rail is joined or gapped. A strand's two rails are always on different conductors, so one
//! conductor a strand says it all; which of its rails are really fed is kept by rail.

use crate::{
    index::{BlockIx, DistrictIx, FrogIx, TrackIx, TrackworkIx},
    layout::{Conductor, Layout, Side, Tie, Which},
    trackwork::Port,
};

mod build;
mod feed;

pub(crate) use feed::across;

/// Index of a strand.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub(crate) struct StrandIx(pub(crate) u32);

impl StrandIx {
    pub(crate) const fn at(self) -> usize {
        self.0 as usize
    }
}

/// What a strand is part of.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Piece {
    Track(TrackIx),
    Trackwork(TrackworkIx, usize),
}

/// A pair of rails.
#[derive(Clone, Debug)]
pub(crate) struct StrandOf {
    pub(crate) piece: Piece,
    pub(crate) block: BlockIx,
    /// Conductor of the left rail as the file states it, or as the block's default has it.
    pub(crate) declared: Conductor,
    /// The file states it at this very piece.
    pub(crate) is_stated: bool,
    /// A feeder pair of the block joins it.
    pub(crate) is_fed_here: bool,
}

/// Two strand ends that meet.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Join {
    pub(crate) one: StrandIx,
    pub(crate) two: StrandIx,
    /// The left rail of one meets the right rail of two.
    pub(crate) is_turned: bool,
    /// The left rail of one goes on without a gap; the same for its right rail.
    pub(crate) joined: [bool; 2],
    /// The track ends that meet here, of one and of two; none for trackwork.
    pub(crate) ends: [Option<(TrackIx, Which)>; 2],
}

impl Join {
    /// At least one rail goes on.
    pub(crate) const fn is_joined(&self) -> bool {
        self.joined[0] || self.joined[1]
    }

    pub(crate) fn other(&self, strand: StrandIx) -> StrandIx {
        if self.one == strand { self.two } else { self.one }
    }
}

/// A rail as a source of polarity.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) struct Supply {
    /// The conductor it is on, or would be on if it were fed.
    pub(crate) conductor: Conductor,
    /// The district of the feeder that its polarity comes from.
    pub(crate) district: DistrictIx,
    /// The block whose feeder feeds it; none straight from the bus, or when it is dead.
    pub(crate) block: Option<BlockIx>,
    /// There is a path to a feeder or to the bus.
    pub(crate) is_live: bool,
}

/// The rails of a layout and the conductor of each.
#[derive(Clone, Debug)]
pub(crate) struct Netlist<'a> {
    pub(crate) layout: &'a Layout,
    pub(crate) strands: Vec<StrandOf>,
    pub(crate) joins: Vec<Join>,
    /// Joins by strand, in one piece: those of strand n are at `joins_from[n]..joins_from[n + 1]` of `joins_of`.
    joins_of: Vec<u32>,
    joins_from: Vec<u32>,
    /// By trackwork: its first strand.
    first_strand: Vec<u32>,
    /// By strand: conductor of its left rail.
    pub(crate) left: Vec<Conductor>,
    /// By strand: the strand from whose feeder or statement that conductor comes.
    pub(crate) origin: Vec<StrandIx>,
    /// By join: both sides agree on conductor and district, or no rail is joined.
    pub(crate) agrees: Vec<bool>,
    /// By strand: the block that feeds its left rail, its right rail.
    pub(crate) fed_by: Vec<[Option<BlockIx>; 2]>,
}

pub(crate) const fn side_index(side: Side) -> usize {
    match side {
        Side::Left => 0,
        Side::Right => 1,
    }
}

/// `side` when `upright`, else the other one.
const fn seen(side: Side, left_on: Side) -> Side {
    match left_on {
        Side::Left => side,
        Side::Right => side.other(),
    }
}

impl<'a> Netlist<'a> {
    /// Builds the net of a layout and follows every feeder through the joints. Linear.
    pub(crate) fn new(layout: &'a Layout) -> Self {
        let mut net = build::build(layout);
        feed::follow(&mut net);
        net
    }

    /// Follows the feeders anew with the two wires of some of them exchanged.
    pub(crate) fn exchange(&mut self, feeders: impl Iterator<Item = StrandIx>) {
        let mut is_any = false;
        for strand in feeders {
            let it = &mut self.strands[strand.at()];
            it.declared = it.declared.other();
            is_any = true;
        }
        if is_any {
            feed::follow(self);
        }
    }

    /// The joins at which a strand ends.
    pub(crate) fn joins_at(&self, strand: usize) -> &[u32] {
        &self.joins_of[self.joins_from[strand] as usize..self.joins_from[strand + 1] as usize]
    }

    /// The strand of a track.
    pub(crate) const fn track(track: TrackIx) -> StrandIx {
        StrandIx(track.0)
    }

    /// The strand that runs to a port of trackwork.
    pub(crate) fn at_port(&self, trackwork: TrackworkIx, port: Port) -> StrandIx {
        let number = self.layout.trackwork[trackwork.at()].kind.strand(port).number;
        StrandIx(self.first_strand[trackwork.at()] + u32::try_from(number).unwrap_or(0))
    }

    /// The district from which a strand's polarity comes.
    pub(crate) fn origin_district(&self, strand: StrandIx) -> DistrictIx {
        let origin = self.origin[strand.at()];
        self.layout.district_of_block(self.strands[origin.at()].block)
    }

    /// One rail of a strand.
    pub(crate) fn rail(&self, strand: StrandIx, side: Side) -> Supply {
        let left = self.left[strand.at()];
        let conductor = match side {
            Side::Left => left,
            Side::Right => left.other(),
        };
        let block = self.fed_by[strand.at()][side_index(side)];
        let district = match block {
            Some(block) => self.layout.district_of_block(block),
            None => self.origin_district(strand),
        };
        Supply { conductor, district, block, is_live: block.is_some() }
    }

    /// The rail of a port, seen looking in from there.
    ///
    /// At a crossing or slip it is the rail of the track joined there, whether or not the joint is gapped; a port
    /// without a track counts as fed with its block's `left`, seen from end a.
    pub(crate) fn port_rail(&self, trackwork: TrackworkIx, port: Port, side: Side) -> Supply {
        let it = &self.layout.trackwork[trackwork.at()];
        let strand = it.kind.strand(port);
        let side_of_strand = seen(side, strand.left_on);
        if it.kind.has_stock_rails() {
            return self.rail(self.at_port(trackwork, port), side_of_strand);
        }
        let joined = it.at_port.iter().find(|(at, _)| *at == port).and_then(|(_, track)| *track);
        if let Some((track, which)) = joined {
            return self.rail(Self::track(track), seen(side, build::left_looking_out(which)));
        }
        let left = self.layout.blocks[it.block.at()].left;
        let conductor = match side_of_strand {
            Side::Left => left,
            Side::Right => left.other(),
        };
        Supply {
            conductor,
            district: self.layout.district_of_block(it.block),
            block: Some(it.block),
            is_live: true,
        }
    }

    /// What a tie of a frog's contact leads to; none for no wire.
    pub(crate) fn tie(&self, frog: FrogIx, tie: Tie) -> Option<Supply> {
        let trackwork = self.layout.frogs[frog.at()].trackwork;
        let bus =
            |district, conductor| Some(Supply { conductor, district, block: None, is_live: true });
        match tie {
            Tie::Stock(side) => Some(self.port_rail(trackwork, Port::Points, side)),
            Tie::PortRail(port, side) => Some(self.port_rail(trackwork, port, side)),
            Tie::Bus(conductor) => bus(self.layout.district_of_frog(frog), conductor),
            Tie::ForeignBus(district, conductor) => bus(district, conductor),
            Tie::None => None,
        }
    }
}
