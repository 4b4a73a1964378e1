//! One line: who is asked what and when, what the answers mean, and the orders to its coils. No I/O.
//!
//! Cuts go first, at once after the exchange under way. Then what an order still needs, then dead-man's pulses and the
//! currents and voltages of what is on, then the rest; within each the one that is longest due. A unit that misses three
//! polls is lost: its readings are stale, and it is asked again every 2 s, so that it cannot eat the line.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
    time::{Duration, Instant},
};

use supervision::{
    input::{Input, Transport},
    output::Order,
};
use wiring::{channel::ChannelTable, index::ChannelIx, links::ModbusSettings};

use super::{
    pdu::{Answer, Question},
    unit::{Unit, identity_question},
    wire::{Fault, Framing, Timing, Wire},
};
use crate::{
    damage::Damage,
    driver::{Figures, Talk},
    nodes::NodeNumbers,
    status::LinkKind,
    unusable::Unusable,
};

mod answers;
mod life;
mod orders;
mod schedule;

/// The supervisor's sign of life is looked at this often.
const LOOK_EVERY: Duration = Duration::from_millis(50);

/// Counters of a line.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub(crate) struct BusCounts {
    /// Questions without a good answer.
    pub(crate) failed: u64,
    /// Orders handed to a coil.
    pub(crate) orders_sent: u64,
    /// Orders that could not be.
    pub(crate) orders_not_sent: u64,
}

/// What a question is for. Numbers are of units, blocks, outputs and pulses.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Job {
    Read(usize, usize),
    /// Its answer only shows that earlier ones are through.
    Separate(usize),
    Identity(usize),
    Write(usize, usize),
    Check(usize, usize),
    Pulse(usize, usize),
    AllOff,
}

/// One line.
#[derive(Debug)]
pub(crate) struct Bus {
    name: String,
    channels: Arc<ChannelTable>,
    wire: Wire,
    framing: Framing,
    units: Vec<Unit>,
    broadcast_off: Option<u16>,
    open: bool,
    /// The supervisor is alive.
    supervised: bool,
    asked: Option<(Job, Question)>,
    /// The last question that was answered, and of which unit.
    last: Option<(usize, Question)>,
    all_off: bool,
    ready: Vec<Input>,
    unusable: Unusable,
    damage: Damage,
    /// Cuts that are not proved yet, given again to a unit that comes back.
    cuts: BTreeMap<ChannelIx, Order>,
    /// Outputs that may be on.
    wanted: BTreeSet<ChannelIx>,
    /// Outputs that are proved off.
    off: BTreeSet<ChannelIx>,
    /// First rows that have a usable value: their alternatives are quiet.
    usable: BTreeSet<ChannelIx>,
    pub(crate) counts: BusCounts,
}

impl Bus {
    /// All lines of a layout; names what it does not have.
    pub(crate) fn all(
        lines: &[ModbusSettings],
        channels: &Arc<ChannelTable>,
        numbers: &NodeNumbers,
    ) -> Result<Vec<Self>, Vec<String>> {
        let units = lines.iter().flat_map(|line| &line.units);
        let points = units.flat_map(|unit| &unit.points);
        let supplied: BTreeSet<String> = points.map(|point| point.channel.clone()).collect();
        let mut buses = Vec::new();
        let mut wrong = Vec::new();
        for settings in lines {
            match Self::new(settings, Arc::clone(channels), numbers, &supplied, Instant::now()) {
                Ok(bus) => buses.push(bus),
                Err(why) => wrong.extend(why),
            }
        }
        if wrong.is_empty() { Ok(buses) } else { Err(wrong) }
    }

    /// Names what the layout does not have.
    fn new(
        settings: &ModbusSettings,
        channels: Arc<ChannelTable>,
        numbers: &NodeNumbers,
        supplied: &BTreeSet<String>,
        now: Instant,
    ) -> Result<Self, Vec<String>> {
        let framing = if settings.tcp { Framing::Tcp } else { Framing::Rtu };
        let mut units = Vec::new();
        let mut wrong = Vec::new();
        for it in &settings.units {
            let usual = format!("{}-{}", settings.name, it.address);
            let name = it.label.clone().unwrap_or(usual);
            let made = match numbers.number(Transport::Modbus, &name) {
                Some(ix) => Unit::new(it, name, ix, &channels, supplied, now),
                None => Err(format!("unit {} is one node too many", it.address)),
            };
            match made {
                Ok(unit) => units.push(unit),
                Err(why) => wrong.push(format!("modbus.{}: {why}", settings.name)),
            }
        }
        if !wrong.is_empty() {
            return Err(wrong);
        }
        Ok(Self {
            name: settings.name.clone(),
            channels,
            wire: Wire::new(framing, Timing::new(settings), now),
            framing,
            units,
            broadcast_off: settings.broadcast_off,
            open: false,
            supervised: false,
            asked: None,
            last: None,
            all_off: false,
            ready: Vec::new(),
            unusable: Unusable::default(),
            damage: Damage::default(),
            cuts: BTreeMap::new(),
            wanted: BTreeSet::new(),
            off: BTreeSet::new(),
            usable: BTreeSet::new(),
            counts: BusCounts::default(),
        })
    }
}

impl Talk for Bus {
    const KIND: LinkKind = LinkKind::Modbus;
    const DEVICE: &'static str = "Modbus line";

    fn opened(&mut self, now: Instant) {
        self.open = true;
        self.wire.open_again(now);
        for unit in &mut self.units {
            unit.retry = now;
            unit.blocks.iter_mut().for_each(|block| block.due = now);
        }
    }

    fn closed(&mut self, now: Instant) {
        self.open = false;
        self.asked = None;
        self.last = None;
        for at in 0..self.units.len() {
            self.forget_writes(at);
            self.lost(at, "the line is closed", now);
        }
    }

    /// While the supervisor does not live, nothing keeps a dead-man from falling.
    fn handle_supervised(&mut self, is_alive: bool, _now: Instant) {
        self.supervised = is_alive;
    }

    fn handle_bytes(&mut self, bytes: &[u8], at: Instant) {
        let mut bytes = bytes;
        // One read may hold several answers over TCP; the rest is looked at without new bytes.
        while let Some(result) = self.wire.handle_bytes(bytes, at) {
            bytes = &[];
            self.settle(result, at);
            if self.framing == Framing::Rtu {
                return;
            }
        }
    }

    fn handle_timeout(&mut self, now: Instant) {
        if let Some(fault) = self.wire.handle_timeout(now) {
            self.settle(Err(fault), now);
        }
    }

    fn broken(&self) -> Option<&'static str> {
        self.wire.is_broken().then_some("it does not speak Modbus TCP")
    }

    fn poll_bytes(&mut self, now: Instant) -> Option<Vec<u8>> {
        if !self.open || self.wire.is_asked() {
            return None;
        }
        let is_free = |is_cut| self.wire.free_at(is_cut).is_some_and(|at| at <= now);
        if is_free(true)
            && let Some(job) = self.urgent()
        {
            return Some(self.ask(job, now));
        }
        if !is_free(false) {
            return None;
        }
        let (_, due, job) = self.next(now)?;
        (due <= now).then(|| self.ask(job, now))
    }

    fn poll_deadline(&self, now: Instant) -> Option<Instant> {
        let look = now + LOOK_EVERY;
        self.open.then(|| self.next_due(now).map_or(look, |due| due.min(look)))
    }

    fn take_ready(&mut self) -> Vec<Input> {
        std::mem::take(&mut self.ready)
    }

    fn figures(&self) -> Figures {
        Figures {
            trouble: "",
            received: self.wire.counts.answers,
            unusable: self.unusable.total(),
            last_unusable: self.unusable.last(),
            out_of_order: self.wire.counts.strays,
            lost: self.counts.failed,
            orders_sent: self.counts.orders_sent,
            orders_not_sent: self.counts.orders_not_sent,
            lag_ms: 0,
            nodes: self.node_statuses(),
        }
    }
}

impl Bus {
    fn ask(&mut self, job: Job, now: Instant) -> Vec<u8> {
        let (job, unit, question) = self.question(job, now);
        let address = unit.map_or(0, |at| self.units[at].address);
        let bytes = self.wire.ask(address, question.clone(), now);
        if self.wire.is_asked() {
            self.asked = Some((job, question));
        } else {
            self.all_off = false;
        }
        bytes
    }

    fn question(&mut self, job: Job, now: Instant) -> (Job, Option<usize>, Question) {
        let (at, question) = match job {
            Job::Read(at, block) => (at, self.units[at].blocks[block].question()),
            Job::Separate(at) | Job::Identity(at) => (at, self.identity_question(at)),
            Job::Write(at, output) => {
                let it = &self.units[at].outputs[output];
                let power = it.write.is_some_and(|write| write.power);
                (at, Question::WriteCoil { address: it.coil, on: power == it.on })
            }
            Job::Check(at, output) => {
                let block = self.units[at].block_of(output).unwrap_or(0);
                (at, self.units[at].blocks[block].question())
            }
            Job::Pulse(at, nth) => {
                let it = self.units[at].pulses[nth];
                (at, Question::WriteCoil { address: it.coil, on: !it.on })
            }
            Job::AllOff => {
                let count = usize::from(self.broadcast_off.unwrap_or(1));
                return (job, None, Question::WriteCoils { address: 0, on: vec![false; count] });
            }
        };
        if self.framing == Framing::Tcp {
            return (job, Some(at), question);
        }
        let last = self.last.as_ref().filter(|(unit, _)| *unit == at).map(|(_, last)| last);
        match self.units[at].separator(&question, last, now) {
            Some(first) => (Job::Separate(at), Some(at), first),
            None => (job, Some(at), question),
        }
    }

    fn identity_question(&self, at: usize) -> Question {
        match &self.units[at].identity {
            Some((it, _)) => identity_question(it),
            None => self.units[at].blocks[0].question(),
        }
    }
}

/// An answer for the caller of [`Bus::settle`].
type Settled = Result<Answer, Fault>;

#[cfg(test)]
mod tests;
