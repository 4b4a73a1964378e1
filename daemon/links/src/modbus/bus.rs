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
    input::{Input, LinkReport, Transport},
    output::Order,
};
use wiring::{channel::ChannelTable, index::ChannelIx, links::ModbusSettings};

use super::{
    pdu::{Answer, Question},
    unit::{IDENTITY_EVERY, LOST_AFTER, LOST_POLLS, Life, RETRY_EVERY, Unit, identity_question},
    wire::{Fault, Framing, Timing, Wire},
};
use crate::{
    damage::Damage,
    driver::{Figures, Talk},
    nodes::NodeNumbers,
    status::{LinkKind, NodeStatus},
    unusable::Unusable,
};

mod answers;
mod orders;

/// The supervisor's sign of life is looked at this often.
const LOOK_EVERY: Duration = Duration::from_millis(50);
/// What waits longer than so many polls is asked like a current, so that the rest of a full line is not starved.
const STARVED_AFTER: u32 = 4;

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

/// Order of the queues.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
enum Queue {
    Order,
    Safety,
    Rest,
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
    /// When an answer is overdue or the next question may be asked.
    fn next_due(&self, now: Instant) -> Option<Instant> {
        if let Some(deadline) = self.wire.poll_deadline() {
            return Some(deadline);
        }
        if self.urgent().is_some() {
            return self.wire.free_at(true);
        }
        let (_, due, _) = self.next(now)?;
        self.wire.free_at(false).map(|free| free.max(due))
    }

    /// A cut, which waits for nothing but silence.
    fn urgent(&self) -> Option<Job> {
        if self.all_off {
            return Some(Job::AllOff);
        }
        let outputs = self.units.iter().enumerate().flat_map(|(at, unit)| {
            unit.outputs.iter().enumerate().map(move |(nth, output)| (at, nth, output))
        });
        let cuts = outputs.filter_map(|(at, nth, output)| {
            let write = output.write.filter(|write| !write.power)?;
            Some((write.tries, Job::Write(at, nth)))
        });
        // One that does not answer must not hold up the others.
        cuts.min_by_key(|(tries, _)| *tries).map(|(_, job)| job)
    }

    /// What is asked next, and when it is due: of what is due by now the first queue, else the earliest.
    fn next(&self, now: Instant) -> Option<(Queue, Instant, Job)> {
        let all = (0..self.units.len()).flat_map(|at| self.wanted_of(at, now));
        all.min_by_key(|(queue, due, _)| {
            let waits = now < *due;
            (waits, if waits { Queue::Order } else { *queue }, *due)
        })
    }

    /// Everything that a unit wants to be asked.
    fn wanted_of(&self, at: usize, now: Instant) -> Vec<(Queue, Instant, Job)> {
        let unit = &self.units[at];
        let mut jobs = Vec::new();
        for (nth, output) in unit.outputs.iter().enumerate() {
            if output.write.is_some() {
                jobs.push((Queue::Order, unit.retry.min(unit.heard), Job::Write(at, nth)));
            } else if let Some(check) = output.check {
                jobs.push((Queue::Order, check.from, Job::Check(at, nth)));
            }
        }
        if unit.has_watchdog() && !self.supervised {
            return jobs;
        }
        match unit.life {
            Life::Lost => jobs.extend(self.retry(at).map(|job| (Queue::Rest, unit.retry, job))),
            Life::Unknown => {
                jobs.extend(self.retry(at).map(|job| (Queue::Safety, unit.retry, job)));
            }
            Life::Alive => {
                jobs.extend(self.reads(at, now));
                jobs.extend(self.pulses(at));
            }
        }
        jobs
    }

    /// The question that shows whether a unit is there, and is the one it should be.
    fn retry(&self, at: usize) -> Option<Job> {
        let unit = &self.units[at];
        if unit.identity.is_some() {
            return Some(Job::Identity(at));
        }
        (!unit.blocks.is_empty()).then_some(Job::Read(at, 0))
    }

    fn reads(&self, at: usize, now: Instant) -> impl Iterator<Item = (Queue, Instant, Job)> {
        let unit = &self.units[at];
        let reads = unit.blocks.iter().enumerate().map(move |(nth, block)| {
            let safety = unit.is_safety(block, &self.channels, &self.off);
            let starved = block.due + unit.poll * STARVED_AFTER <= now;
            let queue = if safety || starved { Queue::Safety } else { Queue::Rest };
            (queue, block.due, Job::Read(at, nth))
        });
        let identity =
            unit.identity.iter().map(move |(_, due)| (Queue::Rest, *due, Job::Identity(at)));
        reads.chain(identity)
    }

    fn pulses(&self, at: usize) -> impl Iterator<Item = (Queue, Instant, Job)> {
        let unit = &self.units[at];
        unit.pulses.iter().enumerate().filter_map(move |(nth, pulse)| {
            let mut mine = unit.outputs.iter().filter(|it| it.pulse == Some(pulse.coil));
            let wanted = mine.any(|it| self.wanted.contains(&it.channel));
            let may = self.supervised && wanted;
            may.then_some((Queue::Safety, pulse.due, Job::Pulse(at, nth)))
        })
    }

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

    /// A unit does not answer any more.
    fn lost(&mut self, at: usize, why: &str, now: Instant) {
        let unit = &mut self.units[at];
        unit.retry = now + RETRY_EVERY;
        if unit.life == Life::Lost {
            return;
        }
        let was = std::mem::replace(&mut unit.life, Life::Lost);
        why.clone_into(&mut unit.trouble);
        if was == Life::Unknown && !unit.was_born {
            self.ready.push(self.birth(at, false));
        }
        let unit = &mut self.units[at];
        unit.was_born = true;
        self.ready.push(Input::Link(LinkReport::Lost { node: unit.ix }));
        let channels: Vec<ChannelIx> = unit.points.iter().map(|it| it.channel).collect();
        channels.iter().for_each(|it| {
            self.usable.remove(it);
        });
    }

    /// It answered: it is there, if it was not.
    fn lives(&mut self, at: usize, now: Instant) {
        const ALIVE_EVERY: Duration = Duration::from_millis(500);
        let unit = &mut self.units[at];
        unit.misses = 0;
        unit.heard = now;
        if unit.life == Life::Alive {
            if unit.told_alive + ALIVE_EVERY <= now {
                unit.told_alive = now;
                self.ready.push(Input::Link(LinkReport::Alive { node: unit.ix }));
            }
            return;
        }
        let restarted = unit.was_born;
        unit.life = Life::Alive;
        unit.was_born = true;
        unit.told_alive = now;
        unit.trouble.clear();
        unit.blocks.iter_mut().for_each(|block| block.due = now);
        if let Some((_, due)) = &mut unit.identity {
            *due = now + IDENTITY_EVERY;
        }
        self.ready.push(self.birth(at, restarted));
        self.cut_again(at);
    }

    fn birth(&self, at: usize, restarted: bool) -> Input {
        let unit = &self.units[at];
        Input::Link(LinkReport::Born {
            node: unit.ix,
            name: unit.name.clone(),
            transport: Transport::Modbus,
            channels: unit.announced(),
            permit: unit.falls_off(),
            restarted,
        })
    }

    fn missed(&mut self, at: usize, fault: Fault, now: Instant) {
        self.counts.failed += 1;
        let unit = &mut self.units[at];
        unit.misses = unit.misses.saturating_add(1);
        // A failed question is asked again at once: three may fail within one poll, when this machine was busy.
        let is_lost = LOST_AFTER <= unit.misses && unit.heard + unit.poll * LOST_POLLS <= now;
        let what = match fault {
            Fault::Silent => {
                // A unit that is switched off is told once, as lost.
                if is_lost {
                    self.lost(at, "it does not answer", now);
                }
                return;
            }
            fault => self.damaged(fault, now),
        };
        self.tell_unusable(Some(at), &what, now);
        if is_lost {
            self.lost(at, &what, now);
        }
    }

    fn damaged(&mut self, fault: Fault, now: Instant) -> String {
        if !self.damage.is_suspect(now) {
            return fault.to_string();
        }
        format!("{fault}; {} within a second: wiring, baud rate or parity?", Damage::SUSPECT)
    }

    fn tell_unusable(&mut self, at: Option<usize>, what: &str, now: Instant) {
        let source = match at.map(|at| &self.units[at]) {
            Some(unit) => format!("{} ({} {})", unit.name, self.name, unit.address),
            None => self.name.clone(),
        };
        if let Some(report) = self.unusable.note(&source, what, now) {
            self.ready.push(Input::Link(report));
        }
    }

    fn node_statuses(&self) -> Vec<NodeStatus> {
        let status = |unit: &Unit| NodeStatus {
            name: unit.name.clone(),
            alive: unit.life == Life::Alive,
            trouble: unit.trouble.clone(),
        };
        self.units.iter().map(status).collect()
    }
}

/// An answer for the caller of [`Bus::settle`].
type Settled = Result<Answer, Fault>;

#[cfg(test)]
mod tests;
