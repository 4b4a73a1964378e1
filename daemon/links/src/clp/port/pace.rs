//! How often channels send, and how long a line takes: `RATE` before a session, `PING` once a second in it.

use std::time::Instant;

use super::Port;
use crate::clp::{
    commands::What,
    line::{Answer, Down},
    node::Stage,
    table::TRIP_HZ,
};

impl Port {
    /// The node agreed to a session. Currents that trip are asked to come often enough first: what the supervisor is told
    /// of them decides how soon silence is noticed.
    pub(super) fn ask_rates(&mut self, addr: u8, at: Instant) {
        let Some(node) = self.nodes.get(&addr) else { return };
        let slow = node.table.iter().filter(|(_, it)| it.is_slow_trip(&self.channels));
        let slow: Vec<u16> = slow.map(|(channel, _)| *channel).take(node.most_commands).collect();
        for channel in slow {
            let down = Down::Rate { channel, hz: TRIP_HZ };
            // One that finds no place in the queue is left as it is.
            self.command(addr, down, What::Rate(channel, TRIP_HZ), at);
        }
        self.live_without_rates(addr, at);
    }

    pub(super) fn rate_answered(
        &mut self,
        addr: u8,
        (channel, hz): (u16, u32),
        answer: &Answer,
        at: Instant,
    ) {
        let Some(node) = self.nodes.get_mut(&addr) else { return };
        if let (Answer::Ok, Some(entry)) = (answer, node.table.get_mut(&channel)) {
            entry.set_rate(hz);
        }
        if let Answer::No(why) = answer {
            let what = format!("sends channel {channel} as often as it likes: {why}");
            self.tell_unusable(Some(addr), &what, at);
        }
        self.live_without_rates(addr, at);
    }

    /// The session begins once no rate is awaited any more.
    pub(super) fn live_without_rates(&mut self, addr: u8, at: Instant) {
        let Some(node) = self.nodes.get(&addr) else { return };
        if node.stage == Stage::Starting && !node.commands.has_rate() {
            self.live(addr, at);
        }
    }

    /// Asks every node in session whose turn it is.
    pub(crate) fn ping(&mut self, now: Instant) {
        let due = |node: &crate::clp::node::Node| {
            node.stage == Stage::Live && node.alive && node.pings.is_due(now)
        };
        let due = self.nodes.iter().filter(|(_, node)| due(node)).map(|(addr, _)| *addr);
        for addr in due.collect::<Vec<_>>() {
            let sent = self.send(addr, Down::Ping, false);
            if let (Some((seq, _)), Some(node)) = (sent, self.nodes.get_mut(&addr)) {
                node.pings.asked(seq, now);
            }
        }
    }
}
