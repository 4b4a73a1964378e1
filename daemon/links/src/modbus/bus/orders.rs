//! Orders to the coils of a line, and the cuts that are not proved yet.

use std::time::Instant;

use supervision::{
    input::{Input, LinkReport},
    output::{Action, Order},
};
use wiring::index::ChannelIx;

use super::Bus;
use crate::{
    links::Delivery,
    modbus::unit::{Life, Write},
};

impl Bus {
    /// Takes an order.
    pub(crate) fn order(&mut self, order: &Order, now: Instant) -> Delivery {
        let power = match order.action {
            Action::Throw(_) => return Delivery::NotMine,
            Action::Cut => {
                self.wanted.remove(&order.channel);
                false
            }
            Action::On => {
                self.wanted.insert(order.channel);
                self.off.remove(&order.channel);
                self.cuts.remove(&order.channel);
                true
            }
        };
        let mut delivery = Delivery::NotMine;
        for at in 0..self.units.len() {
            for nth in 0..self.units[at].outputs.len() {
                if self.units[at].outputs[nth].channel == order.channel {
                    delivery = delivery.or(self.order_to(at, nth, order, power, now));
                }
            }
        }
        if !power && delivery != Delivery::NotMine {
            self.cuts.insert(order.channel, order.clone());
        }
        self.counts.orders_not_sent += u64::from(delivery == Delivery::NotSent);
        delivery
    }

    fn order_to(
        &mut self,
        at: usize,
        nth: usize,
        order: &Order,
        power: bool,
        now: Instant,
    ) -> Delivery {
        // A cut is tried on any unit; the rest needs one that is there.
        let may = self.open && (!power || self.units[at].life == Life::Alive);
        if !may {
            return Delivery::NotSent;
        }
        if power {
            // The relay in series is picked up before it is needed.
            let pulse = self.units[at].outputs[nth].pulse;
            let pulses = self.units[at].pulses.iter_mut().filter(|it| Some(it.coil) == pulse);
            pulses.for_each(|it| it.due = now);
        }
        self.write(at, nth, Write { power, order: Some(order.id), tries: 0 });
        Delivery::Sent
    }

    fn write(&mut self, at: usize, nth: usize, write: Write) {
        let output = &mut self.units[at].outputs[nth];
        output.check = None;
        let before = output.write.replace(write);
        // A cut that is given again goes on under the newer order; an on that it overtakes was never sent.
        if let Some(before) = before.filter(|it| it.power && !write.power) {
            self.ready.extend(before.order.map(|order| Input::Link(LinkReport::NotSent { order })));
        }
    }

    /// Writes under way when the line closed.
    pub(super) fn forget_writes(&mut self, at: usize) {
        for output in &mut self.units[at].outputs {
            let write = output.write.take().and_then(|it| it.order);
            let check = output.check.take().and_then(|it| it.write.order);
            let orders = write.or(check).into_iter();
            self.ready.extend(orders.map(|order| Input::Link(LinkReport::NotSent { order })));
        }
    }

    /// Cuts that are not proved, given to a unit that has come (back).
    pub(super) fn cut_again(&mut self, at: usize) {
        for nth in 0..self.units[at].outputs.len() {
            let output = &self.units[at].outputs[nth];
            if output.write.is_none()
                && let Some(order) = self.cuts.get(&output.channel)
            {
                let write = Write { power: false, order: Some(order.id), tries: 0 };
                self.write(at, nth, write);
            }
        }
    }

    /// A cut was proved: it is not given again.
    pub(crate) fn proved(&mut self, channel: ChannelIx) {
        self.cuts.remove(&channel);
        self.off.insert(channel);
    }

    /// Whether the power of a channel may be on.
    pub(crate) fn power_wanted(&mut self, channel: ChannelIx, on: bool) {
        if on {
            self.wanted.insert(channel);
            self.off.remove(&channel);
        } else {
            self.wanted.remove(&channel);
        }
    }

    /// Every output off, and a broadcast beside it where the layout wants one.
    pub(crate) fn cut_everything(&mut self) {
        self.wanted.clear();
        self.all_off = self.open && self.broadcast_off.is_some();
        for at in 0..self.units.len() {
            for nth in 0..self.units[at].outputs.len() {
                if self.open && self.units[at].outputs[nth].write.is_none() {
                    self.write(at, nth, Write { power: false, order: None, tries: 0 });
                }
            }
        }
    }

    /// Writes that are not done yet.
    pub(crate) fn is_writing(&self) -> bool {
        self.open
            && (self.all_off
                || self.units.iter().flat_map(|it| &it.outputs).any(|it| it.write.is_some()))
    }
}
