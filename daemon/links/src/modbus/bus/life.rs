//! Whether units answer, and what is told of them.

use std::time::{Duration, Instant};

use supervision::input::{Input, LinkReport, Transport};
use wiring::index::ChannelIx;

use super::Bus;
use crate::{
    damage::Damage,
    modbus::{
        unit::{IDENTITY_EVERY, LOST_AFTER, LOST_POLLS, Life, RETRY_EVERY, Unit},
        wire::Fault,
    },
    status::NodeStatus,
};

impl Bus {
    /// A unit does not answer any more.
    pub(super) fn lost(&mut self, at: usize, why: &str, now: Instant) {
        let unit = &mut self.units[at];
        unit.retry = now + RETRY_EVERY;
        if unit.life == Life::Lost {
            return;
        }
        let was = std::mem::replace(&mut unit.life, Life::Lost);
        // A hint at what is wrong with the line is worth more than the last of its failures.
        if unit.trouble.is_empty() {
            why.clone_into(&mut unit.trouble);
        }
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
    pub(super) fn lives(&mut self, at: usize, now: Instant) {
        const ALIVE_EVERY: Duration = Duration::from_millis(500);
        let unit = &mut self.units[at];
        unit.misses = 0;
        unit.heard = now;
        unit.trouble.clear();
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
        unit.blocks.iter_mut().for_each(|block| block.due = now);
        if let Some((_, due)) = &mut unit.identity {
            *due = now + IDENTITY_EVERY;
        }
        self.ready.push(self.birth(at, restarted));
        self.cut_again(at);
    }

    pub(super) fn birth(&self, at: usize, restarted: bool) -> Input {
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

    pub(super) fn missed(&mut self, at: usize, fault: Fault, now: Instant) {
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
            fault => self.damaged(at, fault, now),
        };
        self.tell_unusable(Some(at), &what, now);
        if is_lost {
            self.lost(at, &what, now);
        }
    }

    fn damaged(&mut self, at: usize, fault: Fault, now: Instant) -> String {
        if !self.damage.is_suspect(now) {
            return fault.to_string();
        }
        let count = Damage::SUSPECT;
        let what = format!("{fault}; {count} within a second: wiring, baud rate or parity?");
        self.units[at].trouble.clone_from(&what);
        what
    }

    pub(super) fn tell_unusable(&mut self, at: Option<usize>, what: &str, now: Instant) {
        let source = match at.map(|at| &self.units[at]) {
            Some(unit) => format!("{} ({} {})", unit.name, self.name, unit.address),
            None => self.name.clone(),
        };
        if let Some(report) = self.unusable.note(&source, what, now) {
            self.ready.push(Input::Link(report));
        }
    }

    pub(super) fn node_statuses(&self) -> Vec<NodeStatus> {
        let status = |unit: &Unit| NodeStatus {
            name: unit.name.clone(),
            alive: unit.life == Life::Alive,
            trouble: unit.trouble.clone(),
        };
        self.units.iter().map(status).collect()
    }
}
