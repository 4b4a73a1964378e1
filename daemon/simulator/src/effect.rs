//! Effects: single things done to the layout by a fault, and how each is undone.

use circuit::grid::{Bridge, Ohms, PoleState, Terminal};
use wiring::{
    index::{
        BlockIx, BoosterIx, ChannelIx, DistrictIx, FrogIx, MachineIx, PoleIx, ReverserIx, TrackIx,
        TrackworkIx,
    },
    layout::{BreakerKind, Layout, Position, Tie},
    trackwork::Port,
    units::{Micrometres, Microohms, Micros, Millivolts, Mono},
};

use crate::{
    machine::{Machine, Mood},
    pace::FINE,
    sensor::Ailment,
    world::World,
};

/// A point blade that still touches the rail. Unit: ohm.
const TOUCH_OHMS: f64 = 0.15;

/// One thing done to the layout.
#[derive(Clone, Debug)]
pub(crate) enum Effect {
    /// Something that conducts lies between two points.
    Bridge(Bridge),
    /// A load that grows from nothing to full within a time.
    Growing { from: Terminal, to: Terminal, ohms: f64, began: Mono, within: Micros },
    /// A bridge that comes and goes.
    Pulses { bridge: Bridge, times: Vec<(Mono, Mono)> },
    /// A short inside a vehicle.
    Vehicle { train: usize, ohms: f64 },
    /// A train cannot move.
    Hold(usize),
    /// A train is there for this fault only.
    Guest(usize),
    /// A pole misbehaves.
    Pole(PoleIx, PoleState),
    /// A contact has become resistive, by this factor.
    Film(PoleIx, f64),
    /// Wired otherwise than the file says.
    Rewire(Rewire),
    /// A machine misbehaves.
    Mood(MachineIx, Mood),
    /// A machine is set back by hand when it is over, for the train that still stands on it.
    SetBack { machine: MachineIx, position: Position, under: Option<usize> },
    /// A sensor misbehaves.
    Ail(ChannelIx, Ailment),
    /// A node is silent.
    Silence(usize),
    /// A share of all messages comes late.
    Late(f64),
    /// A booster is unplugged.
    UnplugBooster(BoosterIx),
    /// A district is unplugged until then.
    UnplugDistrict(DistrictIx, Mono),
    /// A district's actuator is welded; its feedback may follow the order.
    Weld(DistrictIx, bool),
    /// A district's breaker is not in circuit.
    Bypass(DistrictIx),
    /// A district's breaker is slow.
    Slow(DistrictIx, Micros),
    /// A reverser is slow.
    SlowReverser(ReverserIx, Micros),
    /// A reverser that the file does not know is there.
    ReverserAdded,
    /// The gap at the frog of this leg is the boundary: from there on the leg belongs to the track that joins it.
    Boundary(TrackworkIx, Port),
    /// While the machine has just changed over, its frog still touches the rail of the leg that was set: by position.
    ChangesEarly { machine: MachineIx, frog: Terminal, rails: [Terminal; 2], share: f64 },
}

/// One difference between the layout and its file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Rewire {
    /// The two throw wires of a frog are exchanged.
    SwapTies(FrogIx),
    /// One throw wire goes elsewhere, or nowhere.
    Tie(FrogIx, Position, Tie),
    /// Two frogs of a slip are on each other's machines.
    SwapPoles(FrogIx, FrogIx),
    /// A whole district is out of phase.
    SwapDistrict(DistrictIx),
    /// The feeders of a track are off.
    NoFeeders(TrackIx),
    /// The feeders of a block have this many times their length: a bad joint.
    WeakFeeder(BlockIx, u64),
    /// A booster gives this percentage of its volts.
    Sag(BoosterIx, i64),
    /// A lamp instead of the breaker.
    Lamp(DistrictIx, Microohms),
    /// A block is behind a reverser.
    Reverser(BlockIx, ReverserIx),
}

impl Effect {
    /// The bridge that it is now, and whether that is a load.
    pub(crate) fn bridge(&self, machines: &[Machine], now: Mono) -> Option<(Bridge, bool)> {
        match self {
            Self::Bridge(bridge) => Some((*bridge, false)),
            Self::Growing { from, to, ohms, began, within } => {
                let share = now.since(*began).seconds() / within.seconds().max(1e-3);
                // In hundredths, so that not every moment needs a solution of its own.
                let share = (share.clamp(0.0, 1.0) * 100.0).ceil() / 100.0;
                let resistance = Ohms(ohms / share.max(0.01));
                Some((Bridge { from: *from, to: *to, resistance }, true))
            }
            Self::Pulses { bridge, times } => {
                let on = times.iter().any(|(begin, end)| *begin <= now && now < *end);
                on.then_some((*bridge, false))
            }
            Self::ChangesEarly { machine, frog, rails, share } => {
                let from = machines[machine.at()].just_changed(*share, now)?;
                let to = rails[usize::from(from == Position::Reverse)];
                Some((Bridge { from: *frog, to, resistance: Ohms(TOUCH_OHMS) }, false))
            }
            _ => None,
        }
    }

    /// When it changes next by more than a little.
    pub(crate) fn next_change(&self, machines: &[Machine], now: Mono) -> Option<Mono> {
        match self {
            Self::ChangesEarly { machine, .. } => {
                machines[machine.at()].is_changing(now).then_some(now + FINE)
            }
            Self::Pulses { times, .. } => {
                let edges = times.iter().flat_map(|(begin, end)| [*begin, *end]);
                edges.filter(|edge| now < *edge).min()
            }
            _ => None,
        }
    }

    /// It changes with time by itself.
    pub(crate) fn is_in_motion(&self) -> bool {
        matches!(self, Self::Pulses { .. } | Self::Growing { .. } | Self::ChangesEarly { .. })
    }

    /// Does it. Bridges and rewiring need nothing but to be listed.
    pub(crate) fn apply(&self, world: &mut World) {
        match *self {
            Self::Bridge(_) | Self::Growing { .. } | Self::Pulses { .. } => {}
            Self::Guest(_) | Self::SetBack { .. } | Self::ReverserAdded => {}
            Self::Boundary(..) | Self::ChangesEarly { .. } => {}
            Self::Vehicle { train, ohms } => world.trains[train].set_short(Some(ohms)),
            Self::Hold(train) => world.trains[train].held = true,
            Self::Pole(pole, state) => world.contacts[pole.at()].state = state,
            Self::Film(pole, factor) => {
                world.contacts[pole.at()].film = factor;
                world.plant.rebuild(&world.built, &world.contacts);
            }
            Self::Rewire(rewire) => {
                rewire.apply(&mut world.built);
                world.plant.rebuild(&world.built, &world.contacts);
            }
            Self::Mood(machine, mood) => world.machines[machine.at()].mood = mood,
            Self::Ail(channel, ailment) => world.sensors.ail(channel, ailment),
            Self::Silence(node) => world.sensors.silence(node, true),
            Self::Late(share) => world.sensors.late_share = share,
            Self::UnplugBooster(booster) => world.boosters[booster.at()].unplugged = true,
            Self::UnplugDistrict(district, until) => {
                world.districts[district.at()].unplugged_until = Some(until);
            }
            Self::Weld(district, feedback_follows_order) => {
                let actuator = &mut world.districts[district.at()].actuator;
                actuator.welded = true;
                actuator.feedback_follows_order = feedback_follows_order;
            }
            Self::Bypass(district) => world.districts[district.at()].guard.bypassed = true,
            Self::Slow(district, delay) => {
                world.districts[district.at()].guard.delay = delay;
            }
            Self::SlowReverser(reverser, delay) => {
                world.reversers[reverser.at()].acts_after = delay;
            }
        }
    }

    /// Undoes it. Rewiring is undone by `World::rewire`.
    pub(crate) fn undo(&self, world: &mut World) {
        match *self {
            Self::Bridge(_) | Self::Growing { .. } | Self::Pulses { .. } | Self::Rewire(_) => {}
            Self::Boundary(..) | Self::ChangesEarly { .. } => {}
            Self::ReverserAdded => world.reversers.truncate(world.layout.reversers.len()),
            Self::Vehicle { train, .. } => world.trains[train].set_short(None),
            Self::Hold(train) => world.trains[train].held = false,
            Self::Guest(train) => world.trains[train].lift(),
            Self::Pole(pole, _) => world.contacts[pole.at()].repair(),
            Self::Film(pole, _) => world.contacts[pole.at()].film = 1.0,
            Self::Mood(machine, mood) => {
                let machine = &mut world.machines[machine.at()];
                // Points that came off are taken as they lie: a train has gone where they led.
                let off = mood == Mood::PointsOff;
                let stays = if off { machine.points() } else { machine.asked };
                machine.mood = Mood::Healthy;
                machine.set_by_hand(stays);
            }
            Self::SetBack { machine, position, under } => {
                // Never under a train that has set it for itself since.
                let same = under.is_some_and(|train| world.stands_on(train, machine));
                if same || !world.machine_is_held(machine) {
                    world.machines[machine.at()].set_by_hand(position);
                }
            }
            Self::Ail(channel, _) => world.sensors.ail(channel, Ailment::None),
            Self::Silence(node) => world.sensors.silence(node, false),
            Self::Late(_) => world.sensors.late_share = 0.0,
            Self::UnplugBooster(booster) => world.boosters[booster.at()].unplugged = false,
            Self::UnplugDistrict(district, _) => {
                world.districts[district.at()].unplugged_until = None;
            }
            Self::Weld(district, _) => world.districts[district.at()].actuator.put_right(),
            Self::Bypass(district) => world.districts[district.at()].guard.bypassed = false,
            Self::Slow(district, _) => {
                let delay = world.layout.districts[district.at()].breaker.delay;
                world.districts[district.at()].guard.delay = delay;
            }
            Self::SlowReverser(reverser, _) => {
                world.reversers[reverser.at()].acts_after = Micros::from_millis(4);
            }
        }
    }
}

impl Rewire {
    pub(crate) fn apply(self, built: &mut Layout) {
        match self {
            Self::SwapTies(frog) => {
                let frog = &mut built.frogs[frog.at()];
                std::mem::swap(&mut frog.normal, &mut frog.reverse);
            }
            Self::Tie(frog, Position::Normal, tie) => built.frogs[frog.at()].normal = tie,
            Self::Tie(frog, Position::Reverse, tie) => built.frogs[frog.at()].reverse = tie,
            Self::SwapPoles(one, two) => {
                let poles = built.frogs[one.at()].poles.clone();
                let others = std::mem::replace(&mut built.frogs[two.at()].poles, poles);
                built.frogs[one.at()].poles = others;
            }
            Self::SwapDistrict(district) => swap_district(built, district),
            Self::NoFeeders(track) => built.tracks[track.at()].feeders.clear(),
            Self::WeakFeeder(block, times) => {
                let feeder = &mut built.blocks[block.at()].feeder;
                feeder.length = Micrometres(feeder.length.0.max(300_000) * times);
            }
            Self::Sag(booster, percent) => {
                let Millivolts(volts) = built.boosters[booster.at()].volts;
                built.boosters[booster.at()].volts = Millivolts(volts * percent / 100);
            }
            Self::Lamp(district, ohms) => {
                let breaker = &mut built.districts[district.at()].breaker;
                breaker.kind = BreakerKind::Lamp;
                breaker.ohms_hot = Some(ohms);
            }
            Self::Reverser(block, reverser) => {
                if let Some(known) = built.reversers.first().cloned() {
                    built.reversers.resize(reverser.at() + 1, known);
                } else {
                    let (id, span) = ("added".to_owned(), built.blocks[block.at()].span);
                    let added = wiring::layout::Reverser { id, span, block };
                    built.reversers.resize(reverser.at() + 1, added);
                }
                built.blocks[block.at()].reverser = Some(reverser);
            }
        }
    }
}

fn swap_track(built: &mut Layout, track: TrackIx) {
    let track = &mut built.tracks[track.at()];
    let block_left = built.blocks[track.block.at()].left;
    track.left = Some(track.left.unwrap_or(block_left).other());
}

fn swap_district(built: &mut Layout, district: DistrictIx) {
    for at in 0..built.tracks.len() {
        if built.blocks[built.tracks[at].block.at()].district == district {
            swap_track(built, TrackIx::new(at));
        }
    }
    for work in &mut built.trackwork {
        if built.blocks[work.block.at()].district == district {
            work.left = work.left.map(|left| left.other());
        }
    }
    for block in built.blocks.iter_mut().filter(|block| block.district == district) {
        block.left = block.left.other();
    }
}

impl World {
    /// Builds the layout again from its file and what faults still in place have rewired.
    pub(crate) fn rewire(&mut self) {
        self.built = (*self.layout).clone();
        let effects = self.faults.active.iter().flat_map(|fault| &fault.effects);
        for effect in effects {
            if let Effect::Rewire(rewire) = effect {
                rewire.apply(&mut self.built);
            }
        }
        self.plant.rebuild(&self.built, &self.contacts);
    }
}
