//! Ordinary traffic on a generated layout, one reading after the other, and shorts on demand. Deterministic.
//!
//! Every current at 100 Hz with noise, every frog's polarity twice a second, every machine's position every 10 s, as
//! nodes send them. One block in five is occupied. Sums agree as Kirchhoff wants it.

use std::sync::Arc;

use supervision::{
    Supervisor,
    input::{Input, MachinePosition, MeasuredPolarity, Quality, Reading, Value},
    start::Start,
};
use wiring::{
    channel::{ChannelTable, Object, Quantity},
    index::{BlockIx, BoosterIx, ChannelIx, DistrictIx, FrogIx, MachineIx},
    layout::{Conductor, Layout},
    polarity::{self, Wired},
    units::{Microamps, Mono},
};

/// Time between two readings of one current. Unit: microsecond.
const ROUND: u64 = 10_000;
/// Noise of a current sensor, peak. Unit: microampere.
const NOISE: i64 = 4000;
/// What a short draws. Unit: microampere.
const SHORT: i64 = 4_500_000;

/// A layout and its supervisor.
pub(crate) struct Yard {
    layout: Arc<Layout>,
    channels: Arc<ChannelTable>,
}

impl Yard {
    /// With so many turnouts.
    pub(crate) fn new(turnouts: usize) -> Self {
        let text = simulator::generate(7, turnouts);
        let read = wiring::read::read(&text);
        let layout = Arc::new(read.layout.expect("the generated layout is whole"));
        let channels = Arc::new(ChannelTable::new(&layout));
        Self { layout, channels }
    }

    /// Its supervisor, over a journal.
    pub(crate) fn supervisor(&self) -> Supervisor {
        let proof = Arc::new(polarity::prove(&self.layout));
        let neighbours = wiring::plan::neighbours(&self.layout);
        let (layout, channels) = (Arc::clone(&self.layout), Arc::clone(&self.channels));
        Supervisor::new(layout, channels, proof, neighbours, Start::journal(), Mono::START)
    }

    /// Its traffic.
    pub(crate) fn traffic(&self) -> Traffic {
        Traffic::new(&self.layout, &self.channels)
    }

    /// Districts.
    pub(crate) fn districts(&self) -> usize {
        self.layout.districts.len()
    }
}

/// A current and what it is on average.
#[derive(Clone, Copy)]
struct Current {
    channel: ChannelIx,
    amps: i64,
    district: Option<usize>,
}

/// Readings without end.
pub(crate) struct Traffic {
    currents: Vec<Current>,
    slow: Vec<(ChannelIx, Value)>,
    positions: usize,
    round: u64,
    at: usize,
    /// Slow readings sent between the currents of this round.
    extra: Vec<usize>,
    random: u64,
    /// By district: the rounds in which it is shorted, and whether it is cut.
    short: Vec<Option<u64>>,
}

impl Traffic {
    fn new(layout: &Layout, channels: &ChannelTable) -> Self {
        let index = |object, quantity| channels.index(object, quantity).expect("in the table");
        let of_block = |at: usize| if at.is_multiple_of(5) { 250_000 } else { 0 };
        let mut districts = vec![0; layout.districts.len()];
        let mut boosters = vec![0; layout.boosters.len()];
        let mut currents = Vec::new();
        for (at, block) in layout.blocks.iter().enumerate() {
            districts[block.district.at()] += of_block(at);
            let channel = index(Object::Block(BlockIx::new(at)), Quantity::Current);
            currents.push(Current { channel, amps: of_block(at), district: None });
        }
        for (at, district) in layout.districts.iter().enumerate() {
            boosters[district.booster.at()] += districts[at];
            let channel = index(Object::District(DistrictIx::new(at)), Quantity::Current);
            currents.push(Current { channel, amps: districts[at], district: Some(at) });
        }
        for (at, amps) in boosters.into_iter().enumerate() {
            let channel = index(Object::Booster(BoosterIx::new(at)), Quantity::Current);
            currents.push(Current { channel, amps, district: None });
        }
        let mut slow: Vec<(ChannelIx, Value)> = (0..layout.machines.len())
            .map(|at| {
                let channel = index(Object::Machine(MachineIx::new(at)), Quantity::Position);
                (channel, Value::Position(MachinePosition::Normal))
            })
            .collect();
        let positions = slow.len();
        slow.extend(polarities(layout, channels));
        let short = vec![None; layout.districts.len()];
        let (round, at, extra, random) = (0, 0, Vec::with_capacity(slow.len()), 0x9E37_79B9);
        let mut it = Self { currents, slow, positions, round, at, extra, random, short };
        it.plan();
        it
    }

    /// Shorts a district from the next round on, until it is cut.
    pub(crate) fn short(&mut self, district: usize) {
        self.short[district] = Some(self.round + 1);
    }

    /// Rounds of all currents so far.
    pub(crate) fn round(&self) -> u64 {
        self.round
    }

    /// The instant of the next reading.
    pub(crate) fn now(&self) -> Mono {
        let share = self.at as u64 * ROUND / (self.currents.len() + self.slow.len()) as u64;
        Mono(1_000_000 + self.round * ROUND + share)
    }

    /// The next reading and its instant.
    pub(crate) fn next(&mut self) -> (Mono, Input) {
        let now = self.now();
        let reading = match self.currents.get(self.at).copied() {
            Some(current) => self.sample(current),
            None => self.slow[self.extra[self.at - self.currents.len()]],
        };
        self.at += 1;
        if self.at == self.currents.len() + self.extra.len() {
            self.at = 0;
            self.round += 1;
            self.plan();
        }
        let (channel, value) = reading;
        (now, Input::Reading(Reading { channel, value, quality: Quality::Good, node_ms: None }))
    }

    /// A polarity twice a second, a position every 10 s; all of them in the first round.
    fn plan(&mut self) {
        self.extra.clear();
        for nth in 0..self.slow.len() {
            let every = if nth < self.positions { 1000 } else { 50 };
            if self.round == 0 || (self.round + nth as u64).is_multiple_of(every) {
                self.extra.push(nth);
            }
        }
    }

    fn sample(&mut self, current: Current) -> (ChannelIx, Value) {
        self.random ^= self.random << 13;
        self.random ^= self.random >> 7;
        self.random ^= self.random << 17;
        let noise = (self.random >> 33) as i64 % NOISE;
        let since = current.district.and_then(|it| self.short[it]);
        let amps = match since {
            Some(since) if self.round < since => current.amps,
            Some(since) if self.round < since + 3 => SHORT,
            Some(_) => 0,
            None => current.amps,
        };
        let amps = if amps == 0 { noise / 4 } else { amps + noise - NOISE / 2 };
        (current.channel, Value::Current(Microamps(amps)))
    }
}

/// Each frog on what the proof wants with all machines normal.
fn polarities(layout: &Layout, channels: &ChannelTable) -> Vec<(ChannelIx, Value)> {
    let proof = polarity::prove(layout);
    (0..layout.frogs.len())
        .map(|at| {
            let frog = FrogIx::new(at);
            let channel =
                channels.index(Object::Frog(frog), Quantity::Polarity).expect("in the table");
            let on = match proof.frog(frog).rows.first().map(|row| row.wired) {
                Some(Wired::On(conductor)) => conductor,
                Some(Wired::None | Wired::Both) | None => Conductor::A,
            };
            (channel, Value::Polarity(MeasuredPolarity::On(on)))
        })
        .collect()
}
