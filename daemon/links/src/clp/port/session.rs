//! What the lines of a node mean: it introduces itself, lists its channels, is taken into session, and answers.

use std::time::{Duration, Instant};

use supervision::input::{Input, LinkReport, Transport};

use super::{Port, THROW_LIMIT, VERSION, not_sent, order_of};
use crate::{
    clp::{
        commands::What,
        line::{Answer, Body, Down, Line, Up},
        node::{LineOrder, Node, Stage},
        table::Rows,
    },
    nodes::is_node_name,
};

impl Port {
    pub(super) fn handle_line(&mut self, line: Line, at: Instant) {
        let Line { addr, seq, body } = line;
        let up = match body {
            Body::Up(up) => up,
            // Our own line, echoed by a half-duplex adapter.
            Body::Down(_) => {
                self.counts.skipped += 1;
                return;
            }
        };
        self.counts.received += 1;
        match up {
            Up::Hello { versions, keys } => self.hello(addr, seq, versions, &keys, at),
            up => self.known_node(addr, seq, &up, at),
        }
    }

    fn hello(
        &mut self,
        addr: u8,
        seq: u16,
        (low, high): (u32, u32),
        keys: &[(String, String)],
        at: Instant,
    ) {
        let key = |name: &str| keys.iter().find(|(key, _)| key == name).map(|(_, word)| &**word);
        let Some(boot) = key("boot").and_then(|it| u16::from_str_radix(it, 16).ok()) else {
            self.tell_unusable(Some(addr), "introduces itself without a boot nonce", at);
            return;
        };
        let name = key("id")
            .filter(|it| is_node_name(it))
            .map_or_else(|| format!("{}-{addr:02x}", self.name), str::to_owned);
        let Some(ix) = self.numbers.number(Transport::Serial, &name) else {
            self.tell_unusable(Some(addr), "is one node too many", at);
            return;
        };
        let node = self.nodes.entry(addr).or_insert_with(|| Node::new(name.clone(), ix, boot, at));
        if node.ix != ix {
            *node = Node::new(name, ix, boot, at);
        }
        for what in node.commands.forget(|_| true) {
            self.ready.extend(order_of(what).map(not_sent));
        }
        node.introduced(boot, seq);
        node.deadman = key("deadman").and_then(|it| it.parse().ok()).is_some_and(|ms: u32| ms > 0);
        node.most_commands = key("cmd").and_then(|it| it.parse().ok()).unwrap_or(1).max(1);
        node.lives(at, &mut self.ready);
        self.asked.insert(addr, at);
        if !(low..=high).contains(&VERSION) {
            let why =
                format!("offers versions {low} to {high} of the line protocol, not {VERSION}");
            self.refuse(addr, why, at);
        }
    }

    fn known_node(&mut self, addr: u8, seq: u16, up: &Up, at: Instant) {
        let Some(node) = self.nodes.get_mut(&addr) else {
            self.counts.skipped += 1;
            self.ask(addr, at);
            return;
        };
        let order = node.order_of(seq);
        if node.lives(at, &mut self.ready) && node.stage == Stage::Live {
            self.cut_again(addr, at);
        }
        match order {
            LineOrder::Next { lost } => {
                self.counts.lost += u64::from(lost);
                self.in_order(addr, up, at);
            }
            LineOrder::Again => self.counts.out_of_order += 1,
            LineOrder::Old => {
                self.counts.out_of_order += 1;
                self.measured(addr, up, true, at);
            }
        }
    }

    fn in_order(&mut self, addr: u8, up: &Up, at: Instant) {
        let Some(node) = self.nodes.get_mut(&addr) else { return };
        match up {
            Up::Channel(row) if node.stage == Stage::Table => node.rows.add(row.clone()),
            Up::TableEnd { count, check } if node.stage == Stage::Table => {
                self.table_end(addr, *count, *check, at);
            }
            Up::Beat { boot, .. } if *boot != node.boot => {
                node.stage = Stage::Table;
                self.ask(addr, at);
            }
            Up::Ack { seq, answer, .. } => self.answered(addr, *seq, answer, at),
            Up::Readings { .. }
            | Up::Packed { .. }
            | Up::States { .. }
            | Up::Event { .. }
            | Up::Beat { .. } => self.measured(addr, up, false, at),
            Up::Hello { .. } | Up::Channel(_) | Up::TableEnd { .. } | Up::Log(_) => {}
        }
    }

    fn measured(&mut self, addr: u8, up: &Up, old: bool, at: Instant) {
        let Some(node) = self.nodes.get_mut(&addr) else { return };
        if node.stage != Stage::Live {
            return;
        }
        let mut wrong = Vec::new();
        node.measured(up, old, at, &mut self.ready, &mut wrong);
        for what in wrong {
            self.tell_unusable(Some(addr), &what, at);
        }
    }

    fn table_end(&mut self, addr: u8, count: u32, check: u16, at: Instant) {
        let Some(node) = self.nodes.get_mut(&addr) else { return };
        if !node.rows.is_whole(count, check) {
            node.rows = Rows::default();
            self.tell_unusable(Some(addr), "its channel table came damaged", at);
            self.ask(addr, at);
            return;
        }
        match node.rows.resolve(&self.channels) {
            Ok(table) => {
                node.table = table;
                node.stage = Stage::Starting;
                let go = Down::Go { version: VERSION, boot: node.boot, host: self.host };
                self.command(addr, go, What::Go, at);
            }
            Err(why) => self.refuse(addr, why, at),
        }
    }

    fn refuse(&mut self, addr: u8, why: String, at: Instant) {
        self.tell_unusable(Some(addr), &why, at);
        if let Some(node) = self.nodes.get_mut(&addr) {
            node.stage = Stage::Refused(why);
        }
    }

    fn answered(&mut self, addr: u8, seq: u16, answer: &Answer, at: Instant) {
        let Some(node) = self.nodes.get_mut(&addr) else { return };
        if node.pings.answered(seq, at) {
            return;
        }
        let longest = Duration::from_millis(u64::from(THROW_LIMIT) + 500);
        let what = match answer {
            Answer::Ok => node.commands.accepted(seq, at, longest),
            Answer::Done | Answer::Token { .. } | Answer::No(_) => node.commands.answered(seq),
        };
        // An answer to nothing: a repeated one, or one that came after we gave up.
        let Some(what) = what else { return };
        match (what, answer) {
            (What::Go, Answer::Ok) => self.ask_rates(addr, at),
            (What::Rate(channel, hz), answer) => {
                self.rate_answered(addr, (channel, hz), answer, at)
            }
            (What::Go, Answer::No(why)) => {
                self.refuse(addr, format!("refuses the session: {why}"), at)
            }
            (What::Arm(order, channel), Answer::Token { token, .. }) => {
                self.command(
                    addr,
                    Down::On { channel, token: *token },
                    What::On(order, channel),
                    at,
                );
            }
            (What::Cut(order, _) | What::On(order, _) | What::Throw(order, _), Answer::Ok) => {
                self.ready.push(Input::Link(LinkReport::Acknowledged { order }));
            }
            (_, Answer::No(reason)) => {
                self.ready.extend(order_of(what).map(|order| {
                    Input::Link(LinkReport::Refused { order, reason: reason.clone() })
                }))
            }
            (What::Throw(..), Answer::Done) => {}
            (_, Answer::Ok | Answer::Done | Answer::Token { .. }) => {
                self.tell_unusable(Some(addr), "answers a command with a wrong word", at);
            }
        }
    }

    pub(super) fn live(&mut self, addr: u8, at: Instant) {
        let Some(node) = self.nodes.get_mut(&addr) else { return };
        node.stage = Stage::Live;
        let birth = node.birth(at);
        self.ready.push(birth);
        self.cut_again(addr, at);
    }

    pub(super) fn given_up(&mut self, addr: u8, what: What, now: Instant) {
        match what {
            What::Go => {
                if let Some(node) = self.nodes.get_mut(&addr) {
                    node.stage = Stage::Table;
                    node.rows = Rows::default();
                }
                self.ask(addr, now);
            }
            // The supervisor waits for proof, not for this answer, and orders again.
            What::Cut(..) => {}
            What::Rate(..) => self.live_without_rates(addr, now),
            What::Arm(order, _) | What::On(order, _) | What::Throw(order, _) => {
                let reason = "no answer".to_owned();
                self.ready.push(Input::Link(LinkReport::Refused { order, reason }));
            }
        }
    }
}
