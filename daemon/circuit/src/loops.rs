//! Loop resistance at every place, handed to supervision for locating: what voltage over current of a dead short would
//! read at the district's head, after its breaker.
//!
//! In the loop are bus, feeders, rails, and for a frog its contacts, feed wire and limiter. Not in it are the booster's
//! source resistance and what heads the district; they stand in [`Loops::before`], so that whoever knows the booster's
//! voltage only can take them off.
//!
//! Rounded to 0.1 milliohm, so that a comparison never hangs on the last bit of a solver.

use wiring::{
    index::{BlockIx, DistrictIx, FrogIx, MachineIx},
    layout::{Layout, Position},
    units::Microohms,
};

use crate::{
    grid::{Grid, Scales},
    study::{
        base::Base,
        place::{Spot, places},
    },
};

/// Unit: microohm.
const ROUNDED_TO: f64 = 100.0;

/// Loop resistances of a block: at the place nearest to the supply and at the farthest.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Range {
    /// Smallest.
    pub near: Microohms,
    /// Largest.
    pub far: Microohms,
}

/// Loop resistance of a frog in one combination of positions.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct FrogLoop {
    /// Positions of the frog's machines.
    pub positions: Vec<(MachineIx, Position)>,
    /// From the frog to the opposite rail.
    pub ohms: Microohms,
}

/// Loop resistances of a layout.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Loops {
    /// By block; none where it has no fed place.
    pub blocks: Vec<Option<Range>>,
    /// By frog: each combination of positions in which it can be shorted to a rail.
    pub frogs: Vec<Vec<FrogLoop>>,
    /// By district: source resistance and head in series; none behind a lamp, whose resistance follows its voltage.
    pub before: Vec<Option<Microohms>>,
}

impl Loops {
    /// Of a block.
    #[must_use]
    pub fn block(&self, block: BlockIx) -> Option<Range> {
        self.blocks[block.at()]
    }

    /// Of a frog.
    #[must_use]
    pub fn frog(&self, frog: FrogIx) -> &[FrogLoop] {
        &self.frogs[frog.at()]
    }

    /// What is in series before the head of a district.
    #[must_use]
    pub fn before(&self, district: DistrictIx) -> Option<Microohms> {
        self.before[district.at()]
    }
}

/// Loop resistances at every place of a layout.
#[must_use]
pub fn table(layout: &Layout) -> Loops {
    let grid = Grid::new(layout, &Scales::unity(layout));
    let mut base = Base::new(layout, &grid);
    let mut loops = Loops {
        blocks: vec![None; layout.blocks.len()],
        frogs: vec![Vec::new(); layout.frogs.len()],
        before: (0..layout.districts.len())
            .map(|at| base.before_ohms(DistrictIx::new(at)).map(rounded))
            .collect(),
    };
    for place in places(layout) {
        match place.spot {
            Spot::Rails(one, other) => {
                let nodes = [base.node(one), base.node(other)];
                if let Some(ohms) = base.loop_ohms(place.district, nodes) {
                    widen(&mut loops.blocks[place.block.at()], rounded(ohms));
                }
            }
            Spot::Frog(frog) => {
                for fault in base.frog_faults(frog) {
                    if let Some(ohms) = base.frog_loop_ohms(&fault) {
                        let (positions, ohms) = (fault.positions, rounded(ohms));
                        loops.frogs[frog.at()].push(FrogLoop { positions, ohms });
                    }
                }
            }
        }
    }
    loops
}

fn widen(range: &mut Option<Range>, ohms: Microohms) {
    *range = Some(range.map_or(Range { near: ohms, far: ohms }, |known| Range {
        near: known.near.min(ohms),
        far: known.far.max(ohms),
    }));
}

fn rounded(ohms: f64) -> Microohms {
    Microohms(((ohms.max(0.0) * 1e6 / ROUNDED_TO).round() * ROUNDED_TO) as u64)
}
