//! What is fixed about a layout, looked up on every reading: computed once, dense by index.

mod borders;

use std::sync::Arc;

use circuit::loops::{self, Loops};
use wiring::{
    channel::{Channel, ChannelTable, Object, Quantity},
    index::{
        BlockIx, BoosterIx, ChannelIx, DistrictIx, FrogIx, MachineIx, PoleIx, ReverserIx,
        TrackworkIx,
    },
    layout::Layout,
    polarity::PolarityProof,
    units::Microamps,
};

use self::borders::Leg;
use crate::{alarm::Subject, input::Feed};

/// Where a reading goes.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Route {
    /// Current of a feed.
    Current(Feed),
    /// Voltage of a feed.
    Voltage(Feed),
    /// Feedback of a feed.
    Feedback(Feed),
    /// Current of a block.
    BlockCurrent(BlockIx),
    /// A yes/no detector.
    BlockOccupied(BlockIx),
    /// Peak current of a block.
    BlockPeak(BlockIx),
    /// Position of a machine.
    Position(MachineIx),
    /// What a machine was asked for.
    Asked(MachineIx),
    /// Polarity of a frog.
    Polarity(FrogIx),
    /// Current through a frog.
    FrogCurrent(FrogIx),
    /// State of a reverser.
    Reverser(ReverserIx),
    /// An output: it takes no reading.
    Output,
}

/// A frog as supervision needs it.
#[derive(Clone, Debug)]
pub(crate) struct FrogModel {
    /// The block it stands in.
    pub(crate) block: BlockIx,
    /// Its district.
    pub(crate) district: DistrictIx,
    /// Its trackwork.
    pub(crate) trackwork: TrackworkIx,
    /// The reverser behind which it lies.
    pub(crate) reverser: Option<ReverserIx>,
    /// Its poles, each with its share of the frog's current by resistance.
    pub(crate) poles: Vec<(PoleIx, f64)>,
    /// The most that the circuit can push through it.
    pub(crate) most: Microamps,
    /// What lies beyond the joined ports of its trackwork.
    pub(crate) legs: Vec<Leg>,
    /// Where it or one of its legs lies, ascending.
    districts: Vec<DistrictIx>,
}

/// Everything fixed about a layout: made once, shared by every supervisor of it.
#[derive(Clone, Debug)]
pub struct Model {
    pub(crate) layout: Arc<Layout>,
    pub(crate) channels: Arc<ChannelTable>,
    pub(crate) proof: Arc<PolarityProof>,
    pub(crate) neighbours: Vec<Vec<BlockIx>>,
    /// By district, the others that a wheel can bridge to, ascending.
    meeting: Vec<Vec<DistrictIx>>,
    /// Loop resistances, as the studies compute them.
    pub(crate) loops: Loops,
    pub(crate) routes: Vec<Route>,
    pub(crate) frogs: Vec<FrogModel>,
    pub(crate) booster_districts: Vec<Vec<DistrictIx>>,
    pub(crate) district_blocks: Vec<Vec<BlockIx>>,
    pub(crate) district_frogs: Vec<Vec<FrogIx>>,
    pub(crate) machine_frogs: Vec<Vec<FrogIx>>,
    pub(crate) pole_frogs: Vec<Vec<FrogIx>>,
    /// The channels recorded with a fault of each district, ascending.
    pub(crate) members: Vec<Vec<ChannelIx>>,
    /// `district/ID/current` by district, and so on.
    pub(crate) district_current: Vec<ChannelIx>,
    pub(crate) booster_current: Vec<ChannelIx>,
    pub(crate) block_current: Vec<ChannelIx>,
    pub(crate) frog_current: Vec<ChannelIx>,
    pub(crate) frog_polarity: Vec<ChannelIx>,
    pub(crate) machine_position: Vec<ChannelIx>,
    /// Current and voltage of the feeds by their dense number, boosters first.
    pub(crate) feed_channels: Vec<[ChannelIx; 2]>,
}

impl Model {
    /// Of a layout; `neighbours` lists, by block, the blocks that a wheel can roll into from it.
    #[must_use]
    pub fn new(
        layout: Arc<Layout>,
        channels: Arc<ChannelTable>,
        proof: Arc<PolarityProof>,
        neighbours: Vec<Vec<BlockIx>>,
    ) -> Self {
        let routes = channels.iter().map(|(_, channel)| route(channel)).collect();
        let loops = loops::table(&layout);
        let frogs: Vec<FrogModel> = (0..layout.frogs.len())
            .map(|at| frog_model(&layout, &loops, FrogIx::new(at)))
            .collect();
        let current = |object| channel_of(&channels, object, Quantity::Current);
        let district = |at| Object::District(DistrictIx::new(at));
        Self {
            routes,
            booster_districts: by(
                layout.boosters.len(),
                layout.districts.iter(),
                |it| it.booster.at(),
                DistrictIx::new,
            ),
            district_blocks: by(
                layout.districts.len(),
                layout.blocks.iter(),
                |it| it.district.at(),
                BlockIx::new,
            ),
            district_frogs: by(
                layout.districts.len(),
                frogs.iter(),
                |it| it.district.at(),
                FrogIx::new,
            ),
            machine_frogs: machine_frogs(&layout, &proof),
            pole_frogs: pole_frogs(&layout),
            members: members(&layout, &channels),
            district_current: (0..layout.districts.len()).map(|at| current(district(at))).collect(),
            booster_current: (0..layout.boosters.len())
                .map(|at| current(Object::Booster(BoosterIx::new(at))))
                .collect(),
            block_current: (0..layout.blocks.len())
                .map(|at| current(Object::Block(BlockIx::new(at))))
                .collect(),
            frog_current: of_frogs(&layout, &channels, Quantity::Current),
            frog_polarity: of_frogs(&layout, &channels, Quantity::Polarity),
            machine_position: (0..layout.machines.len())
                .map(|at| {
                    let machine = Object::Machine(MachineIx::new(at));
                    channel_of(&channels, machine, Quantity::Position)
                })
                .collect(),
            feed_channels: feed_channels(&layout, &channels),
            meeting: borders::meeting(&layout, &frogs, &neighbours),
            neighbours,
            loops,
            frogs,
            layout,
            channels,
            proof,
        }
    }

    /// The same for the same layout with other settings.
    pub(crate) fn with_layout(&self, layout: Arc<Layout>) -> Self {
        Self { layout, ..self.clone() }
    }

    /// The channel of an object's quantity.
    pub(crate) fn channel(&self, object: Object, quantity: Quantity) -> ChannelIx {
        channel_of(&self.channels, object, quantity)
    }

    /// The dense number of a feed: boosters first.
    pub(crate) fn feed_at(&self, feed: Feed) -> usize {
        match feed {
            Feed::Booster(booster) => booster.at(),
            Feed::District(district) => self.layout.boosters.len() + district.at(),
        }
    }

    /// The feed of a dense number.
    pub(crate) fn feed(&self, at: usize) -> Feed {
        let boosters = self.layout.boosters.len();
        if at < boosters {
            Feed::Booster(BoosterIx::new(at))
        } else {
            Feed::District(DistrictIx::new(at - boosters))
        }
    }

    /// Number of feeds.
    pub(crate) fn feeds(&self) -> usize {
        self.layout.boosters.len() + self.layout.districts.len()
    }

    /// The district that an alarm's subject lies in.
    pub(crate) fn district_of(&self, subject: Subject) -> Option<DistrictIx> {
        match subject {
            Subject::Object(Object::District(it)) => Some(it),
            Subject::Object(Object::Block(it)) => Some(self.layout.district_of_block(it)),
            Subject::Object(Object::Frog(it)) => Some(self.frogs[it.at()].district),
            Subject::Object(Object::Machine(it)) => {
                self.machine_frogs[it.at()].first().map(|frog| self.frogs[frog.at()].district)
            }
            Subject::Object(Object::Pole(it)) => {
                self.pole_frogs[it.at()].first().map(|frog| self.frogs[frog.at()].district)
            }
            Subject::Object(Object::Reverser(it)) => {
                Some(self.layout.district_of_block(self.layout.reversers[it.at()].block))
            }
            Subject::Object(Object::Booster(_)) | Subject::Node(_) | Subject::Checkrail => None,
        }
    }
}

/// The object of a feed.
pub(crate) const fn object_of(feed: Feed) -> Object {
    match feed {
        Feed::Booster(it) => Object::Booster(it),
        Feed::District(it) => Object::District(it),
    }
}

fn channel_of(channels: &ChannelTable, object: Object, quantity: Quantity) -> ChannelIx {
    channels.index(object, quantity).expect("the table is complete for its layout")
}

fn feed_channels(layout: &Layout, channels: &ChannelTable) -> Vec<[ChannelIx; 2]> {
    let boosters = (0..layout.boosters.len()).map(|at| Object::Booster(BoosterIx::new(at)));
    let districts = (0..layout.districts.len()).map(|at| Object::District(DistrictIx::new(at)));
    let of =
        |object| [Quantity::Current, Quantity::Voltage].map(|it| channel_of(channels, object, it));
    boosters.chain(districts).map(of).collect()
}

fn of_frogs(layout: &Layout, channels: &ChannelTable, quantity: Quantity) -> Vec<ChannelIx> {
    (0..layout.frogs.len())
        .map(|at| channel_of(channels, Object::Frog(FrogIx::new(at)), quantity))
        .collect()
}

fn route(Channel { object, quantity }: Channel) -> Route {
    let feed = match object {
        Object::Booster(it) => Some(Feed::Booster(it)),
        Object::District(it) => Some(Feed::District(it)),
        Object::Block(_)
        | Object::Machine(_)
        | Object::Frog(_)
        | Object::Pole(_)
        | Object::Reverser(_) => None,
    };
    match (object, quantity, feed) {
        (_, Quantity::Current, Some(feed)) => Route::Current(feed),
        (_, Quantity::Voltage, Some(feed)) => Route::Voltage(feed),
        (_, Quantity::Feedback, Some(feed)) => Route::Feedback(feed),
        (Object::Block(it), Quantity::Current, None) => Route::BlockCurrent(it),
        (Object::Block(it), Quantity::Occupied, None) => Route::BlockOccupied(it),
        (Object::Block(it), Quantity::Peak, None) => Route::BlockPeak(it),
        (Object::Machine(it), Quantity::Position, None) => Route::Position(it),
        (Object::Machine(it), Quantity::Asked, None) => Route::Asked(it),
        (Object::Frog(it), Quantity::Polarity, None) => Route::Polarity(it),
        (Object::Frog(it), Quantity::Current, None) => Route::FrogCurrent(it),
        (Object::Reverser(it), Quantity::State, None) => Route::Reverser(it),
        (_, _, _) => Route::Output,
    }
}

/// Indices of `items` by the index that `of` gives each.
fn by<'a, T: 'a, I>(
    count: usize,
    items: impl Iterator<Item = &'a T>,
    of: impl Fn(&T) -> usize,
    index: impl Fn(usize) -> I,
) -> Vec<Vec<I>> {
    let mut lists: Vec<Vec<I>> = (0..count).map(|_| Vec::new()).collect();
    for (at, item) in items.enumerate() {
        lists[of(item)].push(index(at));
    }
    lists
}

fn machine_frogs(layout: &Layout, proof: &PolarityProof) -> Vec<Vec<FrogIx>> {
    let mut lists: Vec<Vec<FrogIx>> = vec![Vec::new(); layout.machines.len()];
    for (at, frog) in proof.frogs.iter().enumerate() {
        for machine in &frog.machines {
            lists[machine.at()].push(FrogIx::new(at));
        }
    }
    lists
}

fn pole_frogs(layout: &Layout) -> Vec<Vec<FrogIx>> {
    let mut lists: Vec<Vec<FrogIx>> = vec![Vec::new(); layout.poles.len()];
    for (at, frog) in layout.frogs.iter().enumerate() {
        for pole in &frog.poles {
            lists[pole.pole.at()].push(FrogIx::new(at));
        }
    }
    lists
}

fn frog_model(layout: &Layout, loops: &Loops, frog: FrogIx) -> FrogModel {
    let it = &layout.frogs[frog.at()];
    let block = layout.block_of_frog(frog);
    let contact = |pole: PoleIx| {
        let machine = layout.poles[pole.at()].machine;
        layout.machines[machine.at()].contact_resistance.ohms().max(1e-6)
    };
    let conductance: f64 = it.poles.iter().map(|pole| 1.0 / contact(pole.pole)).sum();
    let poles =
        it.poles.iter().map(|pole| (pole.pole, 1.0 / contact(pole.pole) / conductance)).collect();
    let legs = borders::legs(layout, it.trackwork);
    FrogModel {
        block,
        district: layout.blocks[block.at()].district,
        trackwork: it.trackwork,
        reverser: layout.blocks[block.at()].reverser,
        poles,
        most: most_through(layout, loops, frog),
        districts: borders::districts(layout, block, &legs),
        legs,
    }
}

/// The most that the booster pushes through a frog: what is before the district's head and the shortest loop, a lamp
/// that heads it taken as cold. Without a loop to any rail nothing is known but the booster's limit.
fn most_through(layout: &Layout, loops: &Loops, frog: FrogIx) -> Microamps {
    let district = layout.district_of_frog(frog);
    let booster = &layout.boosters[layout.districts[district.at()].booster.at()];
    let before = loops.before(district).unwrap_or(booster.resistance);
    let Some(least) = loops.frog(frog).iter().map(|it| it.ohms).min() else {
        return booster.limit;
    };
    let ohms = before.ohms() + least.ohms();
    Microamps::from_amps(booster.volts.volts() / ohms.max(1e-3)).min(booster.limit)
}

fn members(layout: &Layout, channels: &ChannelTable) -> Vec<Vec<ChannelIx>> {
    let mut lists: Vec<Vec<ChannelIx>> = vec![Vec::new(); layout.districts.len()];
    for (index, Channel { object, quantity }) in channels.iter() {
        if !quantity.is_input() {
            continue;
        }
        for district in districts_of(layout, object) {
            let list = &mut lists[district.at()];
            if list.last() != Some(&index) {
                list.push(index);
            }
        }
    }
    lists
}

fn districts_of(layout: &Layout, object: Object) -> Vec<DistrictIx> {
    match object {
        Object::Booster(booster) => {
            let fed = |(_, it): &(usize, &wiring::layout::District)| it.booster == booster;
            layout
                .districts
                .iter()
                .enumerate()
                .filter(fed)
                .map(|(at, _)| DistrictIx::new(at))
                .collect()
        }
        Object::District(it) => vec![it],
        Object::Block(it) => vec![layout.district_of_block(it)],
        Object::Frog(it) => vec![layout.district_of_frog(it)],
        Object::Reverser(it) => {
            vec![layout.district_of_block(layout.reversers[it.at()].block)]
        }
        Object::Machine(machine) => {
            let mut list: Vec<DistrictIx> = layout
                .frogs
                .iter()
                .enumerate()
                .filter(|(_, frog)| {
                    frog.poles.iter().any(|pole| layout.poles[pole.pole.at()].machine == machine)
                })
                .map(|(at, _)| layout.district_of_frog(FrogIx::new(at)))
                .collect();
            list.dedup();
            list
        }
        Object::Pole(_) => Vec::new(),
    }
}
