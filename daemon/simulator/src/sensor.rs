//! Sensors and the nodes that send their readings: averaging, noise, errors of their own, and messages that go astray.

use std::collections::VecDeque;

use circuit::grid::Flow;
use wiring::{
    channel::{ChannelTable, Object, Quantity},
    index::{BlockIx, BoosterIx, ChannelIx, DistrictIx, FrogIx, MachineIx, ReverserIx},
    layout::Layout,
    units::{Micros, Mono},
};

use crate::{
    output::{Announced, Node, SimReading, SimValue},
    pace::next_multiple,
    plan::{Plan, SensorPlan},
    probe::{Looks, Maker, Probe, Wheel},
    random::Random,
};

/// Discrete channels are sent again after this time (messages.md: every 10 s).
const REPEATED_AFTER: Micros = Micros::from_millis(10_000);
/// Polarity is polled at this pace.
const POLLED_EVERY: Micros = Micros::from_millis(20);
/// A word that has changed is seen twice and sent within this time.
const SEEN_TWICE_WITHIN: Micros = Micros::from_millis(45);
/// Shares of messages that are lost, delayed, sent twice, or hold a single wrong sample. Assumed.
const LOST: f64 = 2e-5;
const DELAYED: f64 = 1e-5;
const TWICE: f64 = 1e-5;
const SPIKE: f64 = 2e-7;
/// Longest delay of a reading that arrives late. Unit: second.
const LATEST: f64 = 0.06;

/// What is wrong with a sensor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Ailment {
    /// Nothing.
    None,
    /// Says the same to the last digit.
    Stuck(f64),
    /// Adds this.
    Offset(f64),
    /// Says this word whatever is.
    StuckWord(&'static str),
    /// Loses what it sees, at times.
    Flickers,
}

/// A sensor of something discrete.
#[derive(Clone, Debug)]
struct Teller {
    channel: ChannelIx,
    node: usize,
    object: Object,
    quantity: Quantity,
    /// Seen once, not yet sent: polarity is sent when seen twice.
    seen: &'static str,
    said: &'static str,
    said_at: Mono,
    ailment: Ailment,
}

/// A node's running number and clock.
#[derive(Clone, Debug)]
struct Sender {
    number: u64,
    /// Its clock is ahead by this. Unit: millisecond.
    ahead_ms: u64,
    silent: bool,
}

/// All sensors and nodes.
pub(crate) struct Sensors {
    probes: Vec<Probe>,
    wheel: Wheel,
    /// Probes that are due.
    due: Vec<u32>,
    tellers: Vec<Teller>,
    /// Words are looked at up to then, and again when the first of them must be repeated.
    looks_until: Mono,
    repeats: Mono,
    senders: Vec<Sender>,
    pub(crate) nodes: Vec<Node>,
    late: Vec<SimReading>,
    random: Random,
    trouble: f64,
    /// This share of readings arrives late, from a fault.
    pub(crate) late_share: f64,
}

/// What the discrete sensors look at.
pub(crate) trait Discrete {
    /// The true word of a channel.
    fn word(&self, object: Object, quantity: Quantity) -> &'static str;
}

impl Sensors {
    pub(crate) fn new(layout: &Layout, channels: &ChannelTable, plan: &Plan) -> Self {
        let mut sensors = Self {
            probes: Vec::new(),
            wheel: Wheel::new(),
            due: Vec::new(),
            tellers: Vec::new(),
            looks_until: Mono::START,
            repeats: Mono::START,
            senders: Vec::new(),
            nodes: Vec::new(),
            late: Vec::new(),
            random: Random::new(plan.seed, 0x5e50),
            trouble: plan.perturbation.trouble,
            late_share: 0.0,
        };
        sensors.add_nodes(layout, plan.seed);
        sensors.add_probes(layout, channels, plan);
        sensors.add_tellers(layout, channels, &plan.sensors);
        sensors
    }

    fn add_nodes(&mut self, layout: &Layout, seed: u64) {
        let mut random = Random::new(seed, 0xb007);
        let ids = std::iter::once("power".to_owned())
            .chain(layout.districts.iter().map(|it| format!("{}-node", lower(&it.id))));
        for (at, mut id) in ids.enumerate() {
            if self.nodes.iter().any(|node| node.id == id) {
                id = format!("{}-{at}", &id[..id.len().min(26)]);
            }
            let boot = format!("{:04x}", random.bits() & 0xffff);
            self.nodes.push(Node { id, boot, channels: Vec::new() });
            let ahead_ms = 1000 + random.below(60_000) as u64;
            self.senders.push(Sender { number: 0, ahead_ms, silent: false });
        }
    }

    fn add_probes(&mut self, layout: &Layout, channels: &ChannelTable, plan: &Plan) {
        let SensorPlan { trip_hz, voltage_hz, block_hz, peak_hz, frog_hz, .. } = plan.sensors;
        for (at, booster) in layout.boosters.iter().enumerate() {
            let object = Object::Booster(BoosterIx::new(at));
            let scale = 1.6 * booster.limit.amps();
            let amps = (Looks::BoosterAmps(at), Quantity::Current, trip_hz, 0.012, scale);
            let volts = (Looks::BoosterVolts(at), Quantity::Voltage, voltage_hz, 0.03, 40.0);
            self.add_probe(channels, plan, 0, object, amps);
            self.add_probe(channels, plan, 0, object, volts);
        }
        for (at, district) in layout.districts.iter().enumerate() {
            let object = Object::District(DistrictIx::new(at));
            let scale = 1.6 * layout.boosters[district.booster.at()].limit.amps();
            let amps = (Looks::DistrictAmps(at), Quantity::Current, trip_hz, 0.008, scale);
            let volts = (Looks::DistrictVolts(at), Quantity::Voltage, voltage_hz, 0.03, 40.0);
            self.add_probe(channels, plan, at + 1, object, amps);
            self.add_probe(channels, plan, at + 1, object, volts);
        }
        for (at, block) in layout.blocks.iter().enumerate() {
            let object = Object::Block(BlockIx::new(at));
            let node = block.district.at() + 1;
            let booster = layout.districts[block.district.at()].booster;
            let scale = 1.6 * layout.boosters[booster.at()].limit.amps();
            let amps = (Looks::BlockAmps(at), Quantity::Current, block_hz, 0.0004, scale);
            let peak = (Looks::BlockPeak(at), Quantity::Peak, peak_hz, 0.0008, scale);
            self.add_probe(channels, plan, node, object, amps);
            self.add_probe(channels, plan, node, object, peak);
        }
        for at in 0..layout.frogs.len() {
            let frog = FrogIx::new(at);
            let node = layout.district_of_frog(frog).at() + 1;
            let amps = (Looks::FrogAmps(at), Quantity::Current, frog_hz, 0.002, 20.0);
            self.add_probe(channels, plan, node, Object::Frog(frog), amps);
        }
    }

    fn add_probe(
        &mut self,
        channels: &ChannelTable,
        plan: &Plan,
        node: usize,
        object: Object,
        (looks, quantity, hz, noise, full_scale): (Looks, Quantity, u32, f64, f64),
    ) {
        let Some(channel) = channels.index(object, quantity).filter(|_| 0 < hz) else { return };
        let period = Micros(u64::from(1_000_000 / hz.min(1000)));
        let phase = self.random.below((period.0 / 10_000).max(1) as usize) as u64 * 10_000;
        let amount = plan.perturbation.noise;
        let gain = 1.0 + 0.004 * amount * self.random.normal().clamp(-2.0, 2.0);
        let offset = 0.5 * noise * amount * self.random.normal();
        let noise = noise * amount;
        let next = Mono(phase + 10_000);
        let sensor = Maker { channel, node, looks, period, gain, offset, noise, full_scale };
        self.wheel.put(self.probes.len(), next);
        self.probes.push(Probe::new(sensor, next));
        let avg_ms = (quantity == Quantity::Current).then_some((period.0 / 1000) as u32);
        let hz = Some(f64::from(hz));
        let announced = Announced { channel, hz, avg_ms, output: false };
        self.nodes[node].channels.push(announced);
    }

    fn add_tellers(&mut self, layout: &Layout, channels: &ChannelTable, plan: &SensorPlan) {
        for (at, _) in layout.boosters.iter().enumerate().filter(|(_, it)| it.cut) {
            let object = Object::Booster(BoosterIx::new(at));
            self.add_teller(channels, 0, object, Quantity::Feedback, Some(Quantity::Power));
        }
        for (at, _) in layout.districts.iter().enumerate().filter(|(_, it)| it.cut) {
            let object = Object::District(DistrictIx::new(at));
            self.add_teller(channels, at + 1, object, Quantity::Feedback, Some(Quantity::Power));
        }
        for at in 0..layout.machines.len() {
            let object = Object::Machine(MachineIx::new(at));
            let node = district_of_machine(layout, MachineIx::new(at)).at() + 1;
            self.add_teller(channels, node, object, Quantity::Position, Some(Quantity::Throw));
            self.add_teller(channels, node, object, Quantity::Asked, None);
        }
        for at in (0..layout.frogs.len()).filter(|_| plan.polarity) {
            let frog = FrogIx::new(at);
            if !layout.frogs[at].poles.is_empty() {
                let node = layout.district_of_frog(frog).at() + 1;
                self.add_teller(channels, node, Object::Frog(frog), Quantity::Polarity, None);
            }
        }
        for (at, reverser) in layout.reversers.iter().enumerate() {
            let node = layout.district_of_block(reverser.block).at() + 1;
            let object = Object::Reverser(ReverserIx::new(at));
            self.add_teller(channels, node, object, Quantity::State, None);
        }
    }

    fn add_teller(
        &mut self,
        channels: &ChannelTable,
        node: usize,
        object: Object,
        quantity: Quantity,
        output: Option<Quantity>,
    ) {
        let Some(channel) = channels.index(object, quantity) else { return };
        let (seen, said, said_at) = ("", "", Mono::START);
        let ailment = Ailment::None;
        let teller = Teller { channel, node, object, quantity, seen, said, said_at, ailment };
        self.tellers.push(teller);
        let plain = Announced { channel, hz: None, avg_ms: None, output: false };
        self.nodes[node].channels.push(plain);
        if let Some(channel) = output.and_then(|output| channels.index(object, output)) {
            self.nodes[node].channels.push(Announced { channel, output: true, ..plain });
        }
    }

    /// Other currents flow from `since` on.
    pub(crate) fn see(&mut self, flow: &Flow, frog_amps: impl Fn(usize) -> f64, since: Mono) {
        for probe in &mut self.probes {
            probe.see(flow, &frog_amps, since);
        }
    }

    /// Lets time pass up to `until`, with the currents that were seen last; what the nodes send goes into `out`.
    pub(crate) fn read_until(&mut self, until: Mono, out: &mut VecDeque<SimReading>) {
        let mut due = std::mem::take(&mut self.due);
        while let Some(when) = self.wheel.take(until, &mut due) {
            self.release_late(when, out);
            for &at in &due {
                self.sample(at as usize, when, out);
                self.wheel.put(at as usize, self.probes[at as usize].next);
            }
        }
        self.due = due;
        self.release_late(until, out);
    }

    /// Words are looked at now: something that is told in words has changed, has so a moment ago, or is to be repeated.
    pub(crate) fn looks(&mut self, changed: bool, now: Mono) -> bool {
        if changed {
            self.looks_until = now + SEEN_TWICE_WITHIN;
        }
        let polls = now <= self.looks_until && now.0.is_multiple_of(POLLED_EVERY.0);
        changed || polls || self.repeats <= now
    }

    /// When words are looked at next, if nothing changes.
    pub(crate) fn next_look(&self, now: Mono) -> Mono {
        let poll = next_multiple(now, POLLED_EVERY);
        if poll <= self.looks_until { poll.min(self.repeats) } else { self.repeats }
    }

    /// What the nodes tell in words.
    pub(crate) fn tell_all(
        &mut self,
        discrete: &impl Discrete,
        now: Mono,
        out: &mut VecDeque<SimReading>,
    ) {
        for at in 0..self.tellers.len() {
            self.tell(at, discrete, now, out);
        }
        let said = self.tellers.iter().map(|it| it.said_at + REPEATED_AFTER);
        self.repeats = said.min().unwrap_or(now + REPEATED_AFTER);
    }

    fn release_late(&mut self, now: Mono, sent: &mut VecDeque<SimReading>) {
        if self.late.is_empty() {
            return;
        }
        self.late.retain(|reading| {
            let due = reading.at <= now;
            if due {
                sent.push_back(SimReading { at: now, ..*reading });
            }
            !due
        });
    }

    fn sample(&mut self, at: usize, now: Mono, sent: &mut VecDeque<SimReading>) {
        let value = self.probes[at].take(&mut self.random, now);
        let Maker { channel, node, .. } = self.probes[at].maker;
        self.send(channel, node, value, now, sent);
    }

    fn send(
        &mut self,
        channel: ChannelIx,
        node: usize,
        value: SimValue,
        now: Mono,
        sent: &mut VecDeque<SimReading>,
    ) {
        let sender = &mut self.senders[node];
        if sender.silent {
            return;
        }
        sender.number += 1;
        let node_ms = now.0 / 1000 + sender.ahead_ms;
        let reading = SimReading { at: now, channel, value, node, number: sender.number, node_ms };
        // One draw decides on all trouble of a message: lost, late, twice, a spike in it.
        let lot = self.random.unit() / self.trouble.max(1e-9);
        if 0.0 < self.late_share && self.random.chance(self.late_share) {
            self.delay(reading);
        } else if lot < LOST {
        } else if lot < LOST + DELAYED {
            self.delay(reading);
        } else if lot < LOST + DELAYED + TWICE {
            sent.extend([reading; 2]);
        } else if lot < LOST + DELAYED + TWICE + SPIKE {
            sent.push_back(SimReading { value: spiked(value), ..reading });
        } else {
            sent.push_back(reading);
        }
    }

    fn delay(&mut self, reading: SimReading) {
        let delay = Micros((self.random.between(0.005, LATEST) * 1e6) as u64);
        self.late.push(SimReading { at: reading.at + delay, ..reading });
    }

    fn tell(
        &mut self,
        at: usize,
        discrete: &impl Discrete,
        now: Mono,
        sent: &mut VecDeque<SimReading>,
    ) {
        let teller = &mut self.tellers[at];
        let polled = teller.quantity == Quantity::Polarity;
        if polled && !now.0.is_multiple_of(POLLED_EVERY.0) {
            return;
        }
        let word = match teller.ailment {
            Ailment::StuckWord(word) => word,
            Ailment::None | Ailment::Stuck(_) | Ailment::Offset(_) | Ailment::Flickers => {
                discrete.word(teller.object, teller.quantity)
            }
        };
        let steady = !polled || teller.seen == word;
        teller.seen = word;
        let due = REPEATED_AFTER <= now.since(teller.said_at);
        if !(steady && (word != teller.said || due)) {
            return;
        }
        teller.said = word;
        teller.said_at = now;
        let Teller { channel, node, .. } = *teller;
        self.send(channel, node, SimValue::Word(word), now, sent);
    }

    /// Makes the sensor of a channel ill, or well again.
    pub(crate) fn ail(&mut self, channel: ChannelIx, ailment: Ailment) {
        for probe in self.probes.iter_mut().filter(|it| it.maker.channel == channel) {
            probe.ailment = ailment;
        }
        for teller in self.tellers.iter_mut().filter(|it| it.channel == channel) {
            teller.ailment = ailment;
        }
    }

    /// No sensor, node or message is ill.
    #[cfg(test)]
    pub(crate) fn are_well(&self) -> bool {
        let probes = self.probes.iter().map(|it| it.ailment);
        let mut all = probes.chain(self.tellers.iter().map(|it| it.ailment));
        all.all(|it| it == Ailment::None)
            && self.late_share == 0.0
            && self.senders.iter().all(|it| !it.silent)
    }

    /// Silences a node, or lets it speak again.
    pub(crate) fn silence(&mut self, node: usize, silent: bool) {
        self.senders[node].silent = silent;
        if silent {
            return;
        }
        // A node that connects sends everything that is told in words (supervision.md: after each connection).
        for teller in self.tellers.iter_mut().filter(|it| it.node == node) {
            teller.said = "";
        }
        self.repeats = Mono::START;
    }

    /// Sets a node's clock forward.
    pub(crate) fn skew(&mut self, node: usize, millis: u64) {
        self.senders[node].ahead_ms += millis;
    }
}

/// One sample far above what is measured.
fn spiked(value: SimValue) -> SimValue {
    match value {
        SimValue::Number(number) => SimValue::Number(3.0 * number + 1.0),
        SimValue::Word(_) | SimValue::Invalid(_) => value,
    }
}

/// A node's name allows lower case, digits and dashes.
fn lower(id: &str) -> String {
    let plain = |c: char| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' };
    id.chars().map(plain).take(26).collect()
}

/// The district of the trackwork that a machine sets; of its frogs' poles otherwise.
pub(crate) fn district_of_machine(layout: &Layout, machine: MachineIx) -> DistrictIx {
    let sets = layout
        .trackwork
        .iter()
        .find(|work| crate::rails::machines_of(&work.kind).contains(&machine));
    if let Some(work) = sets {
        return layout.district_of_block(work.block);
    }
    let feeds = layout
        .frogs
        .iter()
        .position(|frog| frog.poles.iter().any(|it| layout.poles[it.pole.at()].machine == machine));
    feeds.map_or(DistrictIx(0), |frog| layout.district_of_frog(FrogIx::new(frog)))
}

/// What a frog's polarity sensor makes of the frog's volts against its district's.
pub(crate) fn polarity_word(frog_volts: f64, district_volts: f64) -> &'static str {
    if district_volts < 3.0 {
        return "dead";
    }
    let share = frog_volts / district_volts;
    if 0.7 < share {
        "A"
    } else if share < 0.3 {
        "B"
    } else {
        "dead"
    }
}
