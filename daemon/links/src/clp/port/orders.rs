//! Orders to the nodes of a port, permits, and the cuts that are not proved yet.

use std::time::Instant;

use supervision::output::{Action, Order};
use wiring::index::ChannelIx;

use super::{Port, THROW_LIMIT, not_sent, order_of};
use crate::{
    clp::{commands::What, line::Down, node::Stage, table::Entry},
    links::Delivery,
};

/// Permits last this long. Unit: ms.
const PERMIT_MS: u32 = 1000;

impl Port {
    /// Cuts that are not proved, given to a node that has just come (back).
    pub(super) fn cut_again(&mut self, addr: u8, at: Instant) {
        let cuts: Vec<Order> = self.cuts.values().cloned().collect();
        for order in cuts {
            let output = self.outputs(&order).find(|(it, _)| *it == addr);
            if let Some((_, channel)) = output {
                self.cut(addr, channel, &order, at);
            }
        }
    }

    /// Nodes and their channels that take this order.
    fn outputs(&self, order: &Order) -> impl Iterator<Item = (u8, u16)> {
        let wanted = order.channel;
        self.nodes.iter().flat_map(move |(addr, node)| {
            let rows = node.table.iter().filter(move |(_, it)| it.output == Some(wanted));
            rows.map(|(channel, _)| (*addr, *channel))
        })
    }

    /// Takes an order.
    pub(crate) fn order(&mut self, order: &Order, now: Instant) -> Delivery {
        match order.action {
            Action::Cut => {
                self.wanted.remove(&order.channel);
                self.cuts.insert(order.channel, order.clone());
            }
            Action::On => {
                self.wanted.insert(order.channel);
                self.cuts.remove(&order.channel);
            }
            Action::Throw(_) => {}
        }
        let outputs: Vec<(u8, u16)> = self.outputs(order).collect();
        let mut delivery = Delivery::NotMine;
        for (addr, channel) in outputs {
            delivery = delivery.or(self.order_to(addr, channel, order, now));
        }
        self.counts.orders_sent += u64::from(delivery == Delivery::Sent);
        self.counts.orders_not_sent += u64::from(delivery == Delivery::NotSent);
        delivery
    }

    fn order_to(&mut self, addr: u8, channel: u16, order: &Order, now: Instant) -> Delivery {
        if !self.open {
            return Delivery::NotSent;
        }
        // A cut is obeyed in any state of the session; the rest needs one.
        if order.action == Action::Cut {
            return self.cut(addr, channel, order, now);
        }
        let ready = self.nodes.get(&addr).is_some_and(|node| {
            node.stage == Stage::Live && node.alive && node.commands.open() < node.most_commands
        });
        if !ready {
            return Delivery::NotSent;
        }
        let (down, what) = match order.action {
            Action::Throw(to) => {
                (Down::Throw { channel, to, ms: THROW_LIMIT }, What::Throw(order.id, channel))
            }
            Action::On | Action::Cut => (Down::Arm { channel }, What::Arm(order.id, channel)),
        };
        // The order itself shows that the supervisor is alive; without a permit the node would refuse.
        if order.action == Action::On {
            self.permit(addr);
        }
        self.command(addr, down, what, now)
    }

    fn cut(&mut self, addr: u8, channel: u16, order: &Order, now: Instant) -> Delivery {
        if let Some(node) = self.nodes.get_mut(&addr) {
            let same = |what| matches!(what, What::Arm(_, at) | What::On(_, at) if at == channel);
            for what in node.commands.forget(same) {
                self.ready.extend(order_of(what).map(not_sent));
            }
            node.commands.forget(|what| matches!(what, What::Cut(_, at) if at == channel));
        }
        let words = vec![order.cause.word().to_owned()];
        let down = Down::Cut { channel: Some(channel), words };
        self.command(addr, down, What::Cut(order.id, channel), now)
    }

    /// A cut was proved: it is not given again.
    pub(crate) fn proved(&mut self, channel: ChannelIx) {
        let Some(order) = self.cuts.remove(&channel) else { return };
        for node in self.nodes.values_mut() {
            node.commands.forget(|what| order_of(what) == Some(order.id));
        }
    }

    /// Whether the power of a channel may be on.
    pub(crate) fn power_wanted(&mut self, channel: ChannelIx, on: bool) {
        if on {
            self.wanted.insert(channel);
        } else {
            self.wanted.remove(&channel);
        }
    }

    /// Permits to every node in session that has an output which may be on.
    pub(crate) fn permits(&mut self) {
        let addrs: Vec<u8> = self.nodes.keys().copied().filter(|_| self.open).collect();
        for addr in addrs {
            self.permit(addr);
        }
    }

    fn permit(&mut self, addr: u8) {
        let Some(node) = self.nodes.get(&addr) else { return };
        let wanted = |it: &Entry| it.output.is_some_and(|it| self.wanted.contains(&it));
        let may = node.stage == Stage::Live && node.alive && node.table.values().any(wanted);
        if !may {
            return;
        }
        let down = Down::Permit { boot: node.boot, ms: PERMIT_MS };
        // A permit that could not be written yet is replaced, so that a stuck line never lets out old ones.
        let start = format!("#{addr:02X}:");
        self.waiting.retain(|line| !(line.starts_with(&start) && line.get(9..12) == Some("PM ")));
        self.send(addr, down, false);
    }

    /// `CUT ALL` to every node on the port, known or not.
    pub(crate) fn cut_everything(&mut self) {
        self.wanted.clear();
        if self.open {
            self.send(0xFF, Down::Cut { channel: None, words: vec!["shutdown".to_owned()] }, true);
        }
    }
}
