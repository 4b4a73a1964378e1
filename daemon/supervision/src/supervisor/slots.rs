//! The children of the composition, numbered for their deadlines, and how they are built.

use std::{collections::BTreeMap, collections::VecDeque, sync::Arc};

use wiring::{
    channel::Quantity,
    fingerprint::of_machines,
    index::{ChannelIx, DistrictIx, FrogIx, PoleIx},
    layout::Control,
    links::OutProof,
    protection::Protection,
    units::{Microamps, Micros, Mono},
};

use super::{ShownFrog, Supervisor, commissioning::Commissioning, rest::Stage};
use crate::{
    alarms::Alarms,
    contact::{Contact, ContactSettings},
    deadlines::Deadlines,
    frog::Frog,
    input::{Feed, Transport},
    machine::Machine,
    model::{Model, Route, object_of},
    noise::LEAST as LEAST_RESIDUAL,
    occupancy::{OccupancySettings, Occupied},
    output::Occupancy,
    power::{Power, PowerSettings},
    protect::{Guard, Settings},
    residual::Residual,
    restore::Restore,
    start::Start,
    store::{Slot, Store},
    trains::Trains,
};

/// Proof is due after this, by transport.
const CUT_WITHIN: Micros = Micros::from_millis(300);
const CUT_WITHIN_MQTT: Micros = Micros::from_millis(600);
/// No proof is due sooner: trying goes on, but not without pause.
const CUT_WITHIN_LEAST: Micros = Micros::from_millis(10);
/// Sums agree within this and 5 % of full scale.
const SUM_TOLERANCE: Microamps = Microamps(20_000);

/// A child with a deadline. The order breaks ties: what cuts goes first.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Timer {
    /// Proof of a cut.
    Power(usize),
    /// A frog's finding.
    Frog(usize),
    /// Low voltage.
    Guard(usize),
    /// A throw.
    Machine(usize),
    /// Occupancy.
    Block(usize),
    /// A sum.
    Residual(usize),
    /// Silence.
    Channel(usize),
    /// A try, or an `on` that waits.
    Restore(usize),
    /// A fault window.
    Recorder,
    /// Delays and shelvings.
    Alarms,
    /// Fading loads.
    Housekeeping,
    /// Steady readings and lost patience of sessions.
    Commissioning,
}

/// Where each kind of child begins.
#[derive(Debug)]
pub(crate) struct Slots {
    frogs: usize,
    guards: usize,
    machines: usize,
    blocks: usize,
    residuals: usize,
    channels: usize,
    restores: usize,
    last: usize,
}

impl Slots {
    fn new(model: &Model) -> Self {
        let layout = &model.layout;
        let frogs = model.feeds();
        let guards = frogs + layout.frogs.len();
        let machines = guards + layout.districts.len();
        let blocks = machines + layout.machines.len();
        let residuals = blocks + layout.blocks.len();
        let channels = residuals + model.feeds();
        let restores = channels + model.channels.len();
        let last = restores + model.feeds();
        Self { frogs, guards, machines, blocks, residuals, channels, restores, last }
    }

    /// The number of a child.
    pub(crate) const fn slot(&self, timer: Timer) -> usize {
        match timer {
            Timer::Power(nth) => nth,
            Timer::Frog(nth) => self.frogs + nth,
            Timer::Guard(nth) => self.guards + nth,
            Timer::Machine(nth) => self.machines + nth,
            Timer::Block(nth) => self.blocks + nth,
            Timer::Residual(nth) => self.residuals + nth,
            Timer::Channel(nth) => self.channels + nth,
            Timer::Restore(nth) => self.restores + nth,
            Timer::Recorder => self.last,
            Timer::Alarms => self.last + 1,
            Timer::Housekeeping => self.last + 2,
            Timer::Commissioning => self.last + 3,
        }
    }

    /// How many children there are.
    pub(crate) const fn count(&self) -> usize {
        self.last + 4
    }

    /// The child of a number.
    pub(crate) const fn timer(&self, slot: usize) -> Timer {
        if slot < self.frogs {
            Timer::Power(slot)
        } else if slot < self.guards {
            Timer::Frog(slot - self.frogs)
        } else if slot < self.machines {
            Timer::Guard(slot - self.guards)
        } else if slot < self.blocks {
            Timer::Machine(slot - self.machines)
        } else if slot < self.residuals {
            Timer::Block(slot - self.blocks)
        } else if slot < self.channels {
            Timer::Residual(slot - self.residuals)
        } else if slot < self.restores {
            Timer::Channel(slot - self.channels)
        } else if slot < self.last {
            Timer::Restore(slot - self.restores)
        } else if slot == self.last {
            Timer::Recorder
        } else if slot == self.last + 1 {
            Timer::Alarms
        } else if slot == self.last + 2 {
            Timer::Housekeeping
        } else {
            Timer::Commissioning
        }
    }
}

/// All children, nothing known yet.
pub(crate) fn build(model: Arc<Model>, start: &Start, now: Mono) -> Supervisor {
    let layout = Arc::clone(&model.layout);
    let districts = layout.districts.len();
    let feeds = || (0..model.feeds()).map(|at| model.feed(at));
    let slots = Slots::new(&model);
    let frogs = (0..layout.frogs.len()).map(FrogIx::new);
    Supervisor {
        start_power: start.power,
        started: now,
        store: Store::new(channel_slots(&model), &summed(&model)),
        powers: feeds()
            .map(|feed| Power::new(power_settings(&model, feed, start.transport)))
            .collect(),
        restores: feeds()
            .map(|feed| {
                let keys = feed_keys(&model, feed);
                Restore::new(keys.restore_tries, keys.restore_after)
            })
            .collect(),
        residuals: feeds().map(|feed| residual(&model, feed)).collect(),
        guards: (0..districts).map(|at| Guard::new(Settings::new(&layout, at))).collect(),
        booster_guards: (0..layout.boosters.len())
            .map(|at| Settings::of_booster(&layout, at).map(Guard::new))
            .collect(),
        episodes: vec![None; districts],
        carried: vec![Vec::new(); districts],
        told_only: vec![false; districts],
        gone: vec![None; districts],
        mismatches: vec![0; districts],
        turns: vec![Mono::START; layout.boosters.len()],
        machines: layout.machines.iter().map(|it| Machine::new(it.throw_time)).collect(),
        frogs: frogs.map(|frog| Frog::new(frog_keys(&model, frog).mismatch_after)).collect(),
        shown_frogs: vec![ShownFrog::default(); layout.frogs.len()],
        seen_by: vec![None; layout.frogs.len()],
        seeing: vec![Vec::new(); layout.blocks.len()],
        proved_pairs: layout.frogs.iter().map(|frog| frog.proved).collect(),
        commissioning: Commissioning::new(of_machines(&layout), model.feeds()),
        culprits: vec![0; layout.frogs.len()],
        blocks: (0..layout.blocks.len()).map(|at| occupied(&model, at)).collect(),
        shown_blocks: vec![Occupancy::Unknown; layout.blocks.len()],
        trains: Trains::new(layout.blocks.len()),
        train_faults: VecDeque::new(),
        contacts: (0..layout.poles.len()).map(|at| contact(&model, PoleIx::new(at))).collect(),
        reversers: vec![None; layout.reversers.len()],
        flips: VecDeque::new(),
        alarms: Alarms::default(),
        shut_down: vec![None; layout.boosters.len()],
        recordings: Vec::new(),
        closed: VecDeque::new(),
        nodes: BTreeMap::new(),
        deadlines: Deadlines::new(slots.count()),
        slots,
        housekeeping: None,
        outputs: VecDeque::new(),
        rest: VecDeque::new(),
        stage: Stage::Free,
        recent: VecDeque::new(),
        now,
        next_fault: start.remembered.next_fault.max(1),
        next_order: 1,
        ordered: vec![None; model.feeds()],
        model,
    }
}

/// The keys in force for a district.
pub(crate) fn district_keys(model: &Model, district: DistrictIx) -> &Protection {
    let table = &model.layout.protection;
    table.districts.get(district.at()).unwrap_or(&table.layout)
}

/// The keys in force for a frog: those of the machine that feeds it, which inherits from the district.
pub(crate) fn frog_keys(model: &Model, frog: FrogIx) -> &Protection {
    let machine = model.layout.frogs[frog.at()]
        .poles
        .first()
        .map(|pole| model.layout.poles[pole.pole.at()].machine);
    let own = machine.and_then(|it| model.layout.protection.machines.get(it.at()));
    own.unwrap_or_else(|| district_keys(model, model.frogs[frog.at()].district))
}

/// The keys in force for a feed: a booster follows the layout.
pub(crate) fn feed_keys(model: &Model, feed: Feed) -> &Protection {
    match feed {
        Feed::Booster(_) => &model.layout.protection.layout,
        Feed::District(district) => district_keys(model, district),
    }
}

/// When proof of a cut is due over a transport.
pub(crate) fn cut_within(model: &Model, feed: Feed, transport: Transport) -> Micros {
    let stated = proof(model, feed).and_then(|it| it.within);
    let usual = match transport {
        Transport::Mqtt => CUT_WITHIN_MQTT,
        Transport::Serial | Transport::Modbus | Transport::Lcc | Transport::Journal => CUT_WITHIN,
    };
    stated.or(feed_keys(model, feed).cut_within).unwrap_or(usual).max(CUT_WITHIN_LEAST)
}

/// What proves a cut of a feed whose orders go to a foreign topic, where the layout file says so.
fn proof(model: &Model, feed: Feed) -> Option<&OutProof> {
    let power = model.channel(object_of(feed), Quantity::Power);
    model.layout.links.proof(model.channels.name(power))
}

/// Below this no current of a district flows.
pub(super) fn district_residual(model: &Model, district: DistrictIx) -> Microamps {
    district_keys(model, district).cut_residual.unwrap_or(LEAST_RESIDUAL)
}

pub(super) fn power_settings(model: &Model, feed: Feed, transport: Transport) -> PowerSettings {
    let layout = &model.layout;
    let keys = feed_keys(model, feed);
    let (actuator, booster, opens_in) = match feed {
        Feed::Booster(it) => {
            let booster = &layout.boosters[it.at()];
            (booster.cut, it, booster.opens_in)
        }
        Feed::District(it) => {
            let district = &layout.districts[it.at()];
            (district.cut, district.booster, district.opens_in)
        }
    };
    let below = proof(model, feed).and_then(|it| it.below).map(Microamps::from_amps);
    PowerSettings {
        actuator,
        residual: below.or(keys.cut_residual),
        cut_within: cut_within(model, feed, transport).max(opens_in),
        // An actuator that takes its time is not failed before that time.
        still_shorted_after: keys.still_shorted_after.max(opens_in),
        proof: keys.cut_proof,
        volts: layout.boosters[booster.at()].volts,
        dc: layout.control == Control::Dc,
    }
}

fn residual(model: &Model, feed: Feed) -> Residual {
    Residual::new(tolerance(model, feed), feed_keys(model, feed).unaccounted_after)
}

/// Sums agree within this.
pub(super) fn tolerance(model: &Model, feed: Feed) -> Microamps {
    let keys = feed_keys(model, feed);
    let booster = match feed {
        Feed::Booster(it) => it,
        Feed::District(it) => model.layout.districts[it.at()].booster,
    };
    let full_scale = model.layout.boosters[booster.at()].limit;
    let usual = full_scale.percent(5) + SUM_TOLERANCE;
    keys.unaccounted_tolerance.unwrap_or(usual)
}

fn occupied(model: &Model, at: usize) -> Occupied {
    Occupied::new(occupancy_settings(model, at))
}

pub(super) fn occupancy_settings(model: &Model, at: usize) -> OccupancySettings {
    let table = &model.layout.protection;
    let keys = table.blocks.get(at).unwrap_or(&table.layout);
    OccupancySettings::new(keys, model.layout.blocks[at].standing_load)
}

fn contact(model: &Model, pole: PoleIx) -> Contact {
    Contact::new(contact_settings(model, pole))
}

pub(super) fn contact_settings(model: &Model, pole: PoleIx) -> ContactSettings {
    let table = &model.layout.protection;
    let machine = model.layout.poles[pole.at()].machine;
    let keys = table.machines.get(machine.at()).unwrap_or(&table.layout);
    let it = &model.layout.machines[machine.at()];
    ContactSettings {
        rating: it.contact_rating,
        time_constant: it.contact_time_constant,
        resistance: it.contact_resistance,
        warning: f64::from(keys.contact_warning) / 1000.0,
    }
}

/// By feed: the currents of what it feeds.
fn summed(model: &Model) -> Vec<Vec<ChannelIx>> {
    let of_feed = |nth| match model.feed(nth) {
        Feed::Booster(it) => model.booster_districts[it.at()]
            .iter()
            .map(|it| model.district_current[it.at()])
            .collect(),
        Feed::District(it) => {
            model.district_blocks[it.at()].iter().map(|it| model.block_current[it.at()]).collect()
        }
    };
    (0..model.feeds()).map(of_feed).collect()
}

/// `stale-after` of every channel, as the layout file says: of the rule that maps it from a foreign topic, else of its
/// own table.
pub(super) fn stale_afters(model: &Model) -> Vec<(ChannelIx, Option<Micros>)> {
    let table = &model.layout.protection;
    let stale_after = |route: Route| match route {
        Route::Current(feed) | Route::Voltage(feed) => feed_keys(model, feed).stale_after,
        Route::BlockCurrent(block) => {
            table.blocks.get(block.at()).unwrap_or(&table.layout).stale_after
        }
        Route::FrogCurrent(frog) => {
            district_keys(model, model.frogs[frog.at()].district).stale_after
        }
        // `stale-after` is about what is measured all the time; what changes now and then stays.
        Route::Feedback(_)
        | Route::BlockOccupied(_)
        | Route::BlockPeak(_)
        | Route::Position(_)
        | Route::Asked(_)
        | Route::Polarity(_)
        | Route::Reverser(_)
        | Route::Output => None,
    };
    let links = &model.layout.links;
    let routes = model.routes.iter().enumerate();
    routes
        .map(|(at, route)| {
            let channel = ChannelIx::new(at);
            let mapped = links.mapped_stale_after(model.channels.name(channel));
            (channel, mapped.or_else(|| stale_after(*route)))
        })
        .collect()
}

fn channel_slots(model: &Model) -> Vec<Slot> {
    stale_afters(model)
        .into_iter()
        .map(|(channel, stale_after)| {
            let (quantity, name) =
                (model.channels.channel(channel).quantity, model.channels.name(channel));
            let links = &model.layout.links;
            let mut slot = Slot::new(quantity, stale_after);
            slot.averaging = links.averaging(name).unwrap_or(Micros::ZERO);
            slot.is_proof = links.is_proof(name);
            slot
        })
        .collect()
}
