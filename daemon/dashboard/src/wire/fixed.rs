//! What does not change while the daemon runs: names, limits, and which belongs to which.

use std::{collections::BTreeMap, sync::Arc};

use serde::Serialize;
use wiring::{
    index::{BlockIx, DistrictIx, FrogIx, MachineIx, PoleIx},
    layout::{BreakerKind, Control, District, Frog, Layout},
};

/// The fixed facts of one layout.
#[derive(Debug)]
pub(crate) struct Fixed {
    pub(crate) layout: Arc<Layout>,
    pub(crate) boosters: Vec<BoosterFacts>,
    pub(crate) districts: Vec<DistrictFacts>,
    pub(crate) blocks: Vec<BlockFacts>,
    pub(crate) turnouts: Vec<TurnoutFacts>,
    /// The first turnout that a machine sets, by machine.
    pub(crate) turnout_of_machine: BTreeMap<MachineIx, usize>,
    /// The turnout of a frog, by frog; fixed frogs have none.
    pub(crate) turnout_of_frog: BTreeMap<FrogIx, usize>,
}

/// A booster.
#[derive(Debug, Serialize)]
pub(crate) struct BoosterFacts {
    pub(crate) id: String,
    pub(crate) limit_ma: i64,
    pub(crate) volts_mv: i64,
    pub(crate) can_cut: bool,
}

/// A district.
#[derive(Debug, Serialize)]
pub(crate) struct DistrictFacts {
    pub(crate) id: String,
    /// Position of its booster.
    pub(crate) booster: usize,
    /// Positions of its blocks.
    pub(crate) blocks: Vec<usize>,
    /// `electronic fuse ptc lamp none`.
    pub(crate) breaker: &'static str,
    /// The current that its breaker trips at, or else its booster's limit.
    pub(crate) trip_ma: i64,
    pub(crate) can_cut: bool,
}

/// A block.
#[derive(Debug, Serialize)]
pub(crate) struct BlockFacts {
    pub(crate) id: String,
    /// Position of its district.
    pub(crate) district: usize,
}

/// One frog that contacts feed, with the machine that decides it: a turnout has one, slips and three-ways several.
#[derive(Debug, Serialize)]
pub(crate) struct TurnoutFacts {
    /// The frog's id: `T1`, or `S1.a`.
    pub(crate) id: String,
    /// The trackwork's id.
    pub(crate) trackwork: String,
    /// The machine's id.
    pub(crate) machine: String,
    /// Position of its district.
    pub(crate) district: usize,
    /// Position of its block.
    pub(crate) block: usize,
    /// Its contacts: `T1.1`.
    pub(crate) poles: Vec<String>,
    /// What one contact is rated for.
    pub(crate) rating_ma: i64,
    /// The thermal time constant is assumed, not measured.
    pub(crate) assumed: bool,
    #[serde(skip)]
    pub(crate) frog_ix: FrogIx,
    #[serde(skip)]
    pub(crate) machine_ix: MachineIx,
    #[serde(skip)]
    pub(crate) pole_ixs: Vec<PoleIx>,
}

impl Fixed {
    /// The facts of a layout.
    pub(crate) fn new(layout: Arc<Layout>) -> Self {
        let turnouts: Vec<_> = layout
            .frogs
            .iter()
            .enumerate()
            .filter_map(|(at, frog)| turnout(&layout, FrogIx::new(at), frog))
            .collect();
        let mut turnout_of_machine = BTreeMap::new();
        let mut turnout_of_frog = BTreeMap::new();
        for (at, it) in turnouts.iter().enumerate() {
            turnout_of_machine.entry(it.machine_ix).or_insert(at);
            turnout_of_frog.insert(it.frog_ix, at);
        }
        Self {
            boosters: boosters(&layout),
            districts: districts(&layout),
            blocks: blocks(&layout),
            turnouts,
            turnout_of_machine,
            turnout_of_frog,
            layout,
        }
    }
}

/// `dcc` or `dc`.
pub(crate) const fn control(control: Control) -> &'static str {
    match control {
        Control::Dcc => "dcc",
        Control::Dc => "dc",
    }
}

fn boosters(layout: &Layout) -> Vec<BoosterFacts> {
    let facts = layout.boosters.iter().map(|it| BoosterFacts {
        id: it.id.clone(),
        limit_ma: it.limit.0 / 1000,
        volts_mv: it.volts.0,
        can_cut: it.cut,
    });
    facts.collect()
}

fn districts(layout: &Layout) -> Vec<DistrictFacts> {
    let facts = layout.districts.iter().enumerate().map(|(at, it)| DistrictFacts {
        id: it.id.clone(),
        booster: it.booster.at(),
        blocks: blocks_of(layout, DistrictIx::new(at)),
        breaker: breaker(it),
        trip_ma: it.breaker.trip.unwrap_or(layout.boosters[it.booster.at()].limit).0 / 1000,
        can_cut: it.cut,
    });
    facts.collect()
}

fn blocks(layout: &Layout) -> Vec<BlockFacts> {
    let facts =
        layout.blocks.iter().map(|it| BlockFacts { id: it.id.clone(), district: it.district.at() });
    facts.collect()
}

fn blocks_of(layout: &Layout, district: DistrictIx) -> Vec<usize> {
    (0..layout.blocks.len())
        .filter(|&at| layout.district_of_block(BlockIx::new(at)) == district)
        .collect()
}

const fn breaker(district: &District) -> &'static str {
    match district.breaker.kind {
        BreakerKind::Electronic => "electronic",
        BreakerKind::Fuse => "fuse",
        BreakerKind::Ptc => "ptc",
        BreakerKind::Lamp => "lamp",
        BreakerKind::None => "none",
    }
}

/// The facts of one frog; none where no contact feeds it, so that there is nothing to watch.
fn turnout(layout: &Layout, frog_ix: FrogIx, frog: &Frog) -> Option<TurnoutFacts> {
    let machine_ix = layout.poles[frog.poles.first()?.pole.at()].machine;
    let machine = &layout.machines[machine_ix.at()];
    let pole_ixs: Vec<PoleIx> = frog.poles.iter().map(|it| it.pole).collect();
    Some(TurnoutFacts {
        id: frog.id.clone(),
        trackwork: layout.trackwork[frog.trackwork.at()].id.clone(),
        machine: machine.id.clone(),
        district: layout.district_of_frog(frog_ix).at(),
        block: layout.block_of_frog(frog_ix).at(),
        poles: pole_ixs.iter().map(|&it| layout.pole_name(it)).collect(),
        rating_ma: machine.contact_rating.0 / 1000,
        assumed: machine.time_constant_assumed,
        frog_ix,
        machine_ix,
        pole_ixs,
    })
}
