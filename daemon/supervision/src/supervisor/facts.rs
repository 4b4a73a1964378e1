//! The facts of a fault, as the locator weighs them.

use circuit::loops::FrogLoop;
use wiring::{
    channel::{Object, Quantity},
    index::{BlockIx, DistrictIx, FrogIx},
    trackwork::Port,
    units::{Microamps, Microohms, Micros, Mono},
};

use super::Supervisor;
use crate::{
    cause::Cause,
    input::{Feed, MachinePosition, MeasuredPolarity, Value},
    locate::{
        Around, BlockFacts, Came, Evidence, FrogFacts, MachineSign, PolaritySign, PowerBack,
        ReverserFacts, Step, WrongLeg,
    },
    output::{ExpectedPolarity, Occupancy},
    recorder::Recording,
};

/// A throw counts as evidence for so long.
const THROWN_WITHIN: Micros = Micros::from_millis(4000);
/// An edge of a block's current does.
const EDGE_WITHIN: Micros = Micros::from_millis(3000);
/// Power came back within this before the onset.
const BACK_WITHIN: Micros = Micros::from_millis(500);
/// A load that opened a breaker is thought of for so long: breakers and boosters try again within it.
pub(super) const GONE_FOR: Micros = Micros::from_millis(10_000);
/// Less than any train.
const IDLE: Microamps = Microamps(200_000);
/// The load before power went is read so long before the first reading without it.
const BEFORE_OFF: Micros = Micros::from_millis(200);
/// An edge this close to the onset is the fault itself: blocks and district are sampled one after the other.
pub(super) const SAME: Micros = Micros::from_millis(25);
/// An edge in the block of a leg this close to the onset is no train that came along it.
const TOO_LATE: Micros = Micros::from_millis(100);
/// A fast train at scale speed: 160 km/h in 1:87 is half a metre a second. Unit: metre per second.
const FASTEST: f64 = 0.5;
/// Faults whose train is remembered.
const MOST_TRAIN_FAULTS: usize = 64;
/// Voltage is read slowly: one this close to the onset may hold its beginning.
const HOLDS_ONSET: Micros = Micros::from_millis(60);

impl Supervisor {
    /// What is known at the instant of the trip, before anything that follows from it.
    pub(super) fn gather(&self, district: DistrictIx, onset: Mono) -> Evidence {
        let mut evidence = Evidence::of(district);
        let model = &self.model;
        evidence.frogs =
            self.within_reach(district).map(|frog| self.frog_facts(frog, onset)).collect();
        evidence.blocks = model.district_blocks[district.at()]
            .iter()
            .map(|it| self.block_facts(*it, onset))
            .collect();
        evidence.reversers = self.reverser_facts(district, onset);
        evidence.movement = self.movement(district, onset);
        let feed = model.feed_at(Feed::District(district));
        let on_since = self.restores[feed].powered_since();
        evidence.powered_for = on_since.map(|since| onset.since(since));
        evidence.power_back = self.power_back(district, onset);
        if evidence.power_back.is_some() {
            evidence.frogs.iter_mut().for_each(without_power);
        }
        let current = self.store.slot(model.district_current[district.at()]);
        evidence.contradiction = current.last.is_none() || self.residuals[feed].stands();
        evidence
    }

    /// Earlier faults that this train had at other places.
    pub(super) fn same_train_elsewhere(&self, evidence: &Evidence) -> u32 {
        let Some((train, block)) = self.stepped_train(evidence) else { return 0 };
        let elsewhere = |it: &&(u32, BlockIx)| it.0 == train && it.1 != block;
        self.train_faults.iter().filter(elsewhere).count() as u32
    }

    /// Remembers the train of a fault whose record closes.
    pub(super) fn remember_train(&mut self, evidence: &Evidence) {
        let Some(fault) = self.stepped_train(evidence) else { return };
        if self.train_faults.len() >= MOST_TRAIN_FAULTS {
            self.train_faults.pop_front();
        }
        self.train_faults.push_back(fault);
    }

    /// The train in the only block that stepped.
    fn stepped_train(&self, evidence: &Evidence) -> Option<(u32, BlockIx)> {
        let mut stepped = evidence.blocks.iter().filter(|it| it.step == Step::Here);
        let block = stepped.next().filter(|it| it.occupied == Some(true))?.block;
        let train = self.trains.in_block(block)?.train;
        stepped.next().is_none().then_some((train, block))
    }

    /// Power of the district was off until just before the onset, by its voltage: somebody switched, plugged or reset.
    /// After a fault of the same district it says nothing, for what caused that one may stand there still.
    fn power_back(&self, district: DistrictIx, onset: Mono) -> Option<PowerBack> {
        let faulty = |it: &Recording| {
            it.district == district && !matches!(it.cause, Cause::PowerGone { .. })
        };
        if self.recordings.iter().any(faulty) {
            return None;
        }
        let half = self.guards[district.at()].settings().half_volts();
        let channel = self.model.channel(Object::District(district), Quantity::Voltage);
        let volts = self.store.slot(channel).samples();
        let mut back = onset;
        let mut off = None;
        for (at, value) in volts.newest_first().filter(|(at, _)| *at <= onset) {
            let Value::Voltage(volts) = value else { continue };
            match (volts < half, off) {
                // One that was taken while voltage rose or fell.
                (true, None) if onset.since(at) < HOLDS_ONSET => {}
                // Voltage that a short pulls down is no power that went.
                (true, None) if !self.is_idle_at(district, at) => return None,
                (true, _) => off = Some(at),
                (false, None) if BACK_WITHIN < onset.since(at) => return None,
                (false, None) => back = at,
                (false, Some(_)) => break,
            }
        }
        let gone = self.gone[district.at()]
            .filter(|(at, _)| onset.since(*at) <= GONE_FOR)
            .map(|(_, load)| load);
        let off = off?;
        let load_before = gone.max(self.load_of_blocks(district, off - BEFORE_OFF));
        Some(PowerBack { ago: onset.since(back), load_before })
    }

    /// Next to no current flowed into the district.
    fn is_idle_at(&self, district: DistrictIx, at: Mono) -> bool {
        let current = self.store.slot(self.model.district_current[district.at()]).samples();
        match current.as_of(at) {
            Some((_, Value::Current(amps))) => amps < IDLE,
            Some(_) | None => false,
        }
    }

    /// The blocks of a district together, at a time.
    fn load_of_blocks(&self, district: DistrictIx, at: Mono) -> Option<Microamps> {
        let blocks = self.model.district_blocks[district.at()].iter();
        let measured: Vec<Microamps> = blocks
            .filter_map(|block| {
                let channel = self.model.block_current[block.at()];
                match self.store.slot(channel).samples().as_of(at)? {
                    (_, Value::Current(amps)) => Some(amps),
                    _ => None,
                }
            })
            .collect();
        (!measured.is_empty())
            .then(|| measured.into_iter().fold(Microamps::ZERO, |sum, amps| sum + amps))
    }

    /// Frogs that contacts feed, of the district and of those that may share its fault: next to it, or on its booster.
    fn within_reach(&self, district: DistrictIx) -> impl Iterator<Item = FrogIx> + '_ {
        let layout = &self.model.layout;
        let booster = |it: DistrictIx| layout.districts[it.at()].booster;
        (0..layout.frogs.len()).map(FrogIx::new).filter(move |&frog| {
            let own = self.model.frogs[frog.at()].district;
            let fed = !layout.frogs[frog.at()].poles.is_empty();
            fed && (booster(own) == booster(district) || self.model.frog_meets(frog, district))
        })
    }

    fn frog_facts(&self, frog: FrogIx, onset: Mono) -> FrogFacts {
        let mut facts = FrogFacts::of(frog);
        facts.polarity = self.polarity_sign(frog, onset);
        facts.machine = self.machine_sign(frog, onset);
        facts.throw_share = self.throw_share(frog, onset);
        facts.polarity_changed = self.polarity_changed(frog, onset);
        let machines = &self.model.proof.frog(frog).machines;
        facts.out_of_step = machines.iter().any(|it| self.machines[it.at()].is_out_of_step());
        facts.wrong_leg = self.wrong_leg(frog, onset);
        facts.around = self.around(frog);
        facts.lined_train = self.lined_train(frog, onset);
        facts.still = self.still(frog, onset);
        facts.seen_by = self.seen_by[frog.at()];
        let own = self.model.frogs[frog.at()].block;
        facts.train_on_it = self.blocks[own.at()].is_occupied() || self.edge(own, onset).is_some();
        let shared = self.legs(frog).any(|(_, block, used)| !used && block == own);
        facts.shares_leg = shared && facts.train_on_it;
        facts.weak_contact = self.frogs[frog.at()].is_dead();
        facts.was_good_here = self.frogs[frog.at()].was_right_here();
        facts.earlier_faults = self.culprits[frog.at()];
        facts.loop_model = self.loop_model(frog);
        facts.sensor_group = self.sensor_group(frog);
        facts
    }

    /// The loop to a frog as its machines stand; where that is not known, the shortest.
    fn loop_model(&self, frog: FrogIx) -> Option<Microohms> {
        let loops = self.model.loops.frog(frog);
        let stands = |it: &&FrogLoop| {
            it.positions
                .iter()
                .all(|(machine, position)| self.machines[machine.at()].settled() == Some(*position))
        };
        let now = loops.iter().find(stands).map(|it| it.ohms);
        now.or_else(|| loops.iter().map(|it| it.ohms).min())
    }

    /// Frogs of one block without polarity readings of their own share every sensor.
    fn sensor_group(&self, frog: FrogIx) -> u32 {
        let has = |quantity| {
            let channel = self.model.channel(Object::Frog(frog), quantity);
            self.store.slot(channel).last.is_some()
        };
        let machines = &self.model.proof.frog(frog).machines;
        let placed = machines.iter().any(|it| self.machines[it.at()].position().is_some());
        if has(Quantity::Polarity) || has(Quantity::Current) || placed {
            u32::MAX - frog.0
        } else {
            self.model.frogs[frog.at()].block.0
        }
    }

    fn polarity_sign(&self, frog: FrogIx, onset: Mono) -> PolaritySign {
        let it = &self.frogs[frog.at()];
        if let Some(stays) = it.stays() {
            return PolaritySign::NotSwitching(stays);
        }
        let expectation = it.expectation();
        match (self.polarity_before(frog, onset), expectation.right) {
            (Some(MeasuredPolarity::On(on)), Some(right)) if on == right => PolaritySign::Matches,
            (Some(MeasuredPolarity::On(on)), Some(_)) => PolaritySign::WrongRail(on),
            (Some(MeasuredPolarity::Dead), Some(_))
                if matches!(expectation.shown, ExpectedPolarity::On(_)) =>
            {
                PolaritySign::Dead
            }
            (Some(_) | None, Some(_) | None) => PolaritySign::NotMeasured,
        }
    }

    fn machine_sign(&self, frog: FrogIx, onset: Mono) -> MachineSign {
        let machines = &self.model.proof.frog(frog).machines;
        let latest = machines.iter().max_by_key(|it| self.machines[it.at()].last_change());
        let Some(&machine) = latest else { return MachineSign::NotMeasured };
        let it = &self.machines[machine.at()];
        let changed = it.last_change().filter(|at| onset.since(*at) <= THROWN_WITHIN);
        match (it.position(), changed) {
            (None, _) => MachineSign::NotMeasured,
            (Some((_, MachinePosition::Moving)), _) => MachineSign::Moving(machine),
            (Some((_, MachinePosition::Unknown)), _) => MachineSign::Unknown(machine),
            (Some(_), Some(at)) => MachineSign::Thrown(machine, onset.since(at)),
            (Some((_, position)), None) => {
                position.at_rest().map_or(MachineSign::NotMeasured, MachineSign::AtRest)
            }
        }
    }

    /// How far the latest throw of its machines was at the onset.
    fn throw_share(&self, frog: FrogIx, onset: Mono) -> Option<u32> {
        let machines = &self.model.proof.frog(frog).machines;
        let latest = machines.iter().max_by_key(|it| self.machines[it.at()].last_change())?;
        let machine = &self.machines[latest.at()];
        let began = machine.throw_began().filter(|at| *at <= onset)?;
        let takes = self.model.layout.machines[latest.at()].throw_time.0.max(1);
        let changed = machine.last_change()?;
        (onset.since(changed) <= THROWN_WITHIN)
            .then(|| u32::try_from(onset.since(began).0 * 100 / takes).unwrap_or(u32::MAX))
    }

    /// Since when a frog's reading has said what it said at the onset, where it changed of late.
    fn polarity_changed(&self, frog: FrogIx, onset: Mono) -> Option<Micros> {
        let channel = self.model.frog_polarity[frog.at()];
        let mut changed = None;
        let mut said = None;
        for (at, value) in self.store.slot(channel).samples().newest_first() {
            if onset <= at {
                continue;
            }
            if said.is_some_and(|said| said != value) {
                return changed.filter(|since| *since <= THROWN_WITHIN);
            }
            said = Some(value);
            changed = Some(onset.since(at));
        }
        None
    }

    /// Where the train on a leg came from.
    fn came(&self, leg: BlockIx, frog: FrogIx, port: Port, onset: Mono) -> Came {
        let own = self.model.frogs[frog.at()].block;
        let Some(here) = self.trains.in_block(leg) else { return Came::NotKnown };
        match here.from {
            None => Came::NotKnown,
            Some(from) if from == own => Came::Away,
            Some(_) => {
                let run = FASTEST * onset.since(here.since).seconds();
                if self.leg_length(leg, frog, port) <= run { Came::Towards } else { Came::NotYet }
            }
        }
    }

    /// The track of a leg in the block beyond it. Unit: metre.
    fn leg_length(&self, leg: BlockIx, frog: FrogIx, port: Port) -> f64 {
        let layout = &self.model.layout;
        let work = &layout.trackwork[self.model.frogs[frog.at()].trackwork.at()];
        let at = work.at_port.iter().find(|it| it.0 == port).and_then(|it| it.1);
        at.map(|(track, _)| &layout.tracks[track.at()])
            .filter(|track| track.block == leg)
            .map_or(0.0, |track| track.length.metres())
    }

    /// The block that lies beyond each port of a frog's trackwork, and whether the port is on an open route.
    pub(super) fn legs(&self, frog: FrogIx) -> impl Iterator<Item = (Port, BlockIx, bool)> + '_ {
        let row = self.frogs[frog.at()].expectation().row;
        let open = row.map(|row| self.model.proof.frog(frog).rows[row].open_ports);
        let used = move |bit| open.is_none_or(|open| open & bit != 0);
        self.model.frogs[frog.at()].legs.iter().map(move |it| (it.port, it.block, used(it.bit)))
    }

    /// A train on a leg that the turnout is not set for.
    pub(super) fn wrong_leg(&self, frog: FrogIx, onset: Mono) -> Option<WrongLeg> {
        let own = self.model.frogs[frog.at()].block;
        self.legs(frog).filter(|(_, block, used)| !used && *block != own).find_map(
            |(port, block, _)| {
                let edge = self.edge(block, onset).filter(|ago| TOO_LATE <= *ago);
                let there = self.blocks[block.at()].is_occupied();
                let edge = edge.or_else(|| self.entering(frog, onset).filter(|_| there));
                let came = self.came(block, frog, port, onset);
                (there || edge.is_some()).then_some(WrongLeg { port, block, edge, came })
            },
        )
    }

    /// An edge in the turnout's own block that no train on the lined route can have made: with a train on a leg that
    /// the turnout is not set for, it is that train, entering.
    fn entering(&self, frog: FrogIx, onset: Mono) -> Option<Micros> {
        let own = self.model.frogs[frog.at()].block;
        self.edge(own, onset).filter(|_| !self.train_on_lined_legs(frog, onset))
    }

    fn train_on_lined_legs(&self, frog: FrogIx, onset: Mono) -> bool {
        let own = self.model.frogs[frog.at()].block;
        let there = |block: BlockIx| {
            self.blocks[block.at()].is_occupied() || self.edge(block, onset).is_some()
        };
        self.legs(frog).any(|(_, block, used)| used && block != own && there(block))
    }

    fn edge(&self, block: BlockIx, onset: Mono) -> Option<Micros> {
        let edge = self.blocks[block.at()].edge_before(onset - SAME)?;
        let ago = onset.since(edge);
        (ago <= EDGE_WITHIN).then_some(ago)
    }

    fn lined_train(&self, frog: FrogIx, onset: Mono) -> bool {
        let own = self.model.frogs[frog.at()].block;
        let here = self.blocks[own.at()].is_occupied() || self.edge(own, onset).is_some();
        // A train in the own block is on the lined route only where every other leg lies in a block of its own.
        let shared = self.legs(frog).any(|(_, block, used)| !used && block == own);
        self.train_on_lined_legs(frog, onset)
            || (here && !shared && self.wrong_leg(frog, onset).is_none())
    }

    /// Every block around it has a sensor, and none of them saw anything move. A train inside a block that holds a leg
    /// as well may creep from the one to the other without an edge.
    fn still(&self, frog: FrogIx, onset: Mono) -> bool {
        let own = self.model.frogs[frog.at()].block;
        let shared = self.legs(frog).any(|(_, block, used)| !used && block == own);
        let hidden = shared && self.blocks[own.at()].is_occupied();
        !hidden
            && self.legs(frog).map(|(_, block, _)| block).chain([own]).all(|block| {
                let channel = self.model.block_current[block.at()];
                self.store.slot(channel).last.is_some() && self.edge(block, onset).is_none()
            })
    }

    fn around(&self, frog: FrogIx) -> Around {
        let own = self.model.frogs[frog.at()].block;
        let states = self
            .legs(frog)
            .map(|(_, block, _)| block)
            .chain([own])
            .map(|block| self.blocks[block.at()].state());
        let mut around = Around::Clear;
        for state in states {
            match state {
                Occupancy::Occupied | Occupancy::Held { occupied: true } => {
                    return Around::Occupied;
                }
                Occupancy::Clear => {}
                Occupancy::Unknown | Occupancy::Held { occupied: false } => {
                    around = Around::NotKnown;
                }
            }
        }
        around
    }

    fn block_facts(&self, block: BlockIx, onset: Mono) -> BlockFacts {
        let occupied = match self.blocks[block.at()].state() {
            Occupancy::Occupied | Occupancy::Held { occupied: true } => Some(true),
            Occupancy::Clear => Some(false),
            Occupancy::Unknown | Occupancy::Held { occupied: false } => None,
        };
        BlockFacts { block, step: Step::NotMeasured, occupied, edge: self.edge(block, onset) }
    }

    fn movement(&self, district: DistrictIx, onset: Mono) -> Option<bool> {
        let blocks = &self.model.district_blocks[district.at()];
        let known = blocks.iter().any(|it| self.blocks[it.at()].state() != Occupancy::Unknown);
        known.then(|| blocks.iter().any(|it| self.edge(*it, onset).is_some()))
    }

    fn reverser_facts(&self, district: DistrictIx, onset: Mono) -> Vec<ReverserFacts> {
        let layout = &self.model.layout;
        let mine = |it: &(usize, &wiring::layout::Reverser)| {
            layout.district_of_block(it.1.block) == district
        };
        layout
            .reversers
            .iter()
            .enumerate()
            .filter(mine)
            .map(|(nth, it)| {
                let reverser = wiring::index::ReverserIx::new(nth);
                let state = self.blocks[it.block.at()].state();
                let edge = self.edge(it.block, onset).is_some();
                let train = match state {
                    Occupancy::Unknown => None,
                    Occupancy::Clear | Occupancy::Occupied | Occupancy::Held { .. } => {
                        Some(edge || self.blocks[it.block.at()].is_occupied())
                    }
                };
                ReverserFacts {
                    reverser,
                    flips: self.flips_of(reverser, onset),
                    gap_stepped: false,
                    train,
                }
            })
            .collect()
    }
}

/// What a frog reads while its district is off means nothing.
fn without_power(facts: &mut FrogFacts) {
    if facts.polarity == PolaritySign::Dead {
        facts.polarity = PolaritySign::NotMeasured;
    }
    facts.polarity_changed = None;
}
