//! What is asked next.

use std::time::Instant;

use super::{Bus, Job};
use crate::modbus::unit::Life;

/// What waits longer than so many polls is asked like a current, so that the rest of a full line is not starved.
const STARVED_AFTER: u32 = 4;

/// Order of the queues.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub(super) enum Queue {
    Order,
    Safety,
    Rest,
}

impl Bus {
    /// When an answer is overdue or the next question may be asked.
    pub(super) fn next_due(&self, now: Instant) -> Option<Instant> {
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
    pub(super) fn urgent(&self) -> Option<Job> {
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
    pub(super) fn next(&self, now: Instant) -> Option<(Queue, Instant, Job)> {
        let all = (0..self.units.len()).flat_map(|at| self.wanted_of(at, now));
        all.min_by_key(|(queue, due, _)| {
            let waits = now < *due;
            (waits, if waits { Queue::Order } else { *queue }, *due)
        })
    }

    /// Everything that a unit wants to be asked.
    pub(super) fn wanted_of(&self, at: usize, now: Instant) -> Vec<(Queue, Instant, Job)> {
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
    pub(super) fn retry(&self, at: usize) -> Option<Job> {
        let unit = &self.units[at];
        if unit.identity.is_some() {
            return Some(Job::Identity(at));
        }
        (!unit.blocks.is_empty()).then_some(Job::Read(at, 0))
    }

    pub(super) fn reads(
        &self,
        at: usize,
        now: Instant,
    ) -> impl Iterator<Item = (Queue, Instant, Job)> {
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

    pub(super) fn pulses(&self, at: usize) -> impl Iterator<Item = (Queue, Instant, Job)> {
        let unit = &self.units[at];
        unit.pulses.iter().enumerate().filter_map(move |(nth, pulse)| {
            let mut mine = unit.outputs.iter().filter(|it| it.pulse == Some(pulse.coil));
            let wanted = mine.any(|it| self.wanted.contains(&it.channel));
            let may = self.supervised && wanted;
            may.then_some((Queue::Safety, pulse.due, Job::Pulse(at, nth)))
        })
    }
}
