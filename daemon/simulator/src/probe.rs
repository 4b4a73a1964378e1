//! Sensors of steady quantities: averaging, noise and errors of one; and when each is due.

use circuit::grid::Flow;
use wiring::{
    index::ChannelIx,
    units::{Micros, Mono},
};

use crate::{output::SimValue, random::Random, sensor::Ailment};

/// What a current or voltage sensor looks at.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Looks {
    BoosterAmps(usize),
    BoosterVolts(usize),
    DistrictAmps(usize),
    DistrictVolts(usize),
    BlockAmps(usize),
    BlockPeak(usize),
    FrogAmps(usize),
}

/// A specimen: what it looks at, and how well.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Maker {
    pub(crate) channel: ChannelIx,
    pub(crate) node: usize,
    pub(crate) looks: Looks,
    pub(crate) period: Micros,
    pub(crate) gain: f64,
    pub(crate) offset: f64,
    pub(crate) noise: f64,
    pub(crate) full_scale: f64,
}

/// A sensor of a steady quantity.
#[derive(Clone, Debug)]
pub(crate) struct Probe {
    pub(crate) maker: Maker,
    pub(crate) next: Mono,
    pub(crate) ailment: Ailment,
    /// What it sees, and up to when that is summed up.
    value: f64,
    summed: Mono,
    /// Squares of what it saw since `began`, times seconds; and the highest.
    squares: f64,
    peak: f64,
    began: Mono,
}

impl Probe {
    pub(crate) fn new(maker: Maker, next: Mono) -> Self {
        Self {
            maker,
            next,
            ailment: Ailment::None,
            value: 0.0,
            summed: Mono::START,
            squares: 0.0,
            peak: 0.0,
            began: Mono::START,
        }
    }

    /// It sees other currents from `since` on.
    pub(crate) fn see(&mut self, flow: &Flow, frog_amps: &impl Fn(usize) -> f64, since: Mono) {
        let value = match self.maker.looks {
            Looks::BoosterAmps(at) => flow.boosters[at].0,
            Looks::BoosterVolts(at) => flow.booster_volts[at].0,
            Looks::DistrictAmps(at) => flow.districts[at].0,
            Looks::DistrictVolts(at) => flow.district_volts[at].0,
            Looks::BlockAmps(at) | Looks::BlockPeak(at) => flow.blocks[at].0,
            Looks::FrogAmps(at) => frog_amps(at),
        };
        if value != self.value {
            self.sum_up(since);
            self.value = value;
        }
    }

    fn sum_up(&mut self, until: Mono) {
        let span = until.since(self.summed).seconds();
        if 0.0 < span {
            self.squares += self.value * self.value * span;
            self.peak = self.peak.max(self.value.abs());
            self.summed = until;
        }
    }

    /// What it measures of the time since it was asked last: the mean square's root, or the peak.
    pub(crate) fn take(&mut self, random: &mut Random, now: Mono) -> SimValue {
        let Maker { looks, period, gain, offset, noise, full_scale, .. } = self.maker;
        self.next = self.next + period;
        if self.next <= now {
            self.next = now + period;
        }
        self.sum_up(now);
        let average = (self.squares / now.since(self.began).seconds().max(1e-9)).sqrt();
        let truth = if let Looks::BlockPeak(_) = looks { self.peak } else { average };
        (self.squares, self.peak, self.began) = (0.0, 0.0, now);
        let measured = truth * gain + offset + noise * random.normal();
        let number = match self.ailment {
            Ailment::Stuck(value) => value,
            Ailment::Offset(more) => measured + more,
            Ailment::Flickers if random.chance(0.5) => 0.0,
            Ailment::None | Ailment::Flickers | Ailment::StuckWord(_) => measured,
        };
        if full_scale < number {
            return SimValue::Invalid("over");
        }
        SimValue::Number((number.max(0.0) * 1e4).round() / 1e4)
    }
}

/// Which probe is due when: a slot for each millisecond of more than the longest period.
#[derive(Clone, Debug)]
pub(crate) struct Wheel {
    slots: Vec<Vec<u32>>,
    /// The next millisecond to look at.
    next: u64,
}

/// Number of slots: more milliseconds than a period and its phase have.
const SLOTS: u64 = 2048;

impl Wheel {
    pub(crate) fn new() -> Self {
        Self { slots: vec![Vec::new(); SLOTS as usize], next: 0 }
    }

    /// Probe `at` is due at `when`, no later than the slots reach.
    pub(crate) fn put(&mut self, at: usize, when: Mono) {
        let slot = when.0.div_ceil(1_000).max(self.next) % SLOTS;
        self.slots[slot as usize].push(at as u32);
    }

    /// The probes of the next millisecond that has any, ascending, and when it is; none by `until`.
    pub(crate) fn take(&mut self, until: Mono, due: &mut Vec<u32>) -> Option<Mono> {
        due.clear();
        while self.next * 1_000 <= until.0 {
            let slot = &mut self.slots[(self.next % SLOTS) as usize];
            let at = Mono(self.next * 1_000);
            self.next += 1;
            if !slot.is_empty() {
                due.append(slot);
                due.sort_unstable();
                return Some(at);
            }
        }
        None
    }
}
