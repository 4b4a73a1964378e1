//! One node on a port: introduced, table compared, session started; then its readings, in order and fresh.

use std::{
    collections::BTreeMap,
    time::{Duration, Instant},
};

use supervision::input::{
    Announced, Input, LinkReport, NodeIx, Quality, Reading, Transport, Value,
};

use super::{
    commands::Commands,
    line::{Code, Kind, Sample, Up},
    pings::Pings,
    table::{Rows, Table},
};
use crate::{
    delay::DelayEstimate,
    order_check::{InOrder, Newest},
};

/// A node that sent no valid line for this long is lost.
pub(crate) const LOST_AFTER: Duration = Duration::from_millis(1500);
/// A reading later than this over the best line is late. Unit: ms.
const LATE_AFTER: u32 = 200;
/// Signs of life are passed on this often.
const TELL_ALIVE_EVERY: Duration = Duration::from_millis(250);

/// How far the session is.
#[derive(Clone, Debug, Eq, PartialEq)]
pub(crate) enum Stage {
    /// It said `HI`; its table is coming.
    Table,
    /// Its table agrees; `GO` is sent, and then what rates are wanted.
    Starting,
    /// In session.
    Live,
    /// Listed, not used.
    Refused(String),
}

/// Where a line stands in the sequence.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum LineOrder {
    Next { lost: u16 },
    Again,
    Old,
}

/// A node.
#[derive(Debug)]
pub(crate) struct Node {
    pub(crate) name: String,
    pub(crate) ix: NodeIx,
    pub(crate) boot: u16,
    pub(crate) stage: Stage,
    /// The node switches off by itself when permits stop.
    pub(crate) deadman: bool,
    /// Commands it takes at once.
    pub(crate) most_commands: usize,
    pub(crate) rows: Rows,
    pub(crate) table: Table,
    pub(crate) commands: Commands,
    pub(crate) alive: bool,
    /// It was born to the supervisor under this boot.
    pub(crate) born: Option<u16>,
    pub(crate) heard: Instant,
    told_alive: Option<Instant>,
    last_seq: Option<u16>,
    delay: Option<DelayEstimate>,
    pub(crate) pings: Pings,
    newest: BTreeMap<u16, Newest>,
}

impl Node {
    pub(crate) fn new(name: String, ix: NodeIx, boot: u16, now: Instant) -> Self {
        Self {
            name,
            ix,
            boot,
            stage: Stage::Table,
            deadman: false,
            most_commands: 1,
            rows: Rows::default(),
            table: Table::new(),
            commands: Commands::default(),
            alive: false,
            born: None,
            heard: now,
            told_alive: None,
            last_seq: None,
            delay: None,
            pings: Pings::default(),
            newest: BTreeMap::new(),
        }
    }

    /// It introduced itself, again: everything starts anew.
    pub(crate) fn introduced(&mut self, boot: u16, seq: u16) {
        if self.boot != boot {
            self.delay = None;
            self.pings = Pings::default();
            self.newest.clear();
        }
        self.boot = boot;
        self.stage = Stage::Table;
        self.rows = Rows::default();
        self.last_seq = Some(seq);
    }

    /// Judges a line's number and remembers it.
    pub(crate) fn order_of(&mut self, seq: u16) -> LineOrder {
        let Some(last) = self.last_seq else {
            self.last_seq = Some(seq);
            return LineOrder::Next { lost: 0 };
        };
        match seq.wrapping_sub(last).cast_signed() {
            0 => LineOrder::Again,
            ..0 => LineOrder::Old,
            step @ 1.. => {
                self.last_seq = Some(seq);
                LineOrder::Next { lost: step.cast_unsigned() - 1 }
            }
        }
    }

    /// A valid line came. Returns true when the node had been lost.
    pub(crate) fn lives(&mut self, now: Instant, ready: &mut Vec<Input>) -> bool {
        self.heard = now;
        let was_lost = !std::mem::replace(&mut self.alive, true);
        let tell = self.told_alive.is_none_or(|told| now.duration_since(told) >= TELL_ALIVE_EVERY);
        if self.born.is_some() && (was_lost || tell) {
            self.told_alive = Some(now);
            ready.push(Input::Link(LinkReport::Alive { node: self.ix }));
        }
        was_lost
    }

    /// It has been silent for too long.
    pub(crate) fn is_silent(&self, now: Instant) -> bool {
        self.alive && now.duration_since(self.heard) >= LOST_AFTER
    }

    /// The report that makes it known to the supervisor.
    pub(crate) fn birth(&mut self, now: Instant) -> Input {
        self.told_alive = Some(now);
        let restarted = self.born.replace(self.boot).is_some_and(|boot| boot != self.boot);
        let channels: Vec<Announced> = self.table.values().flat_map(|it| it.announced()).collect();
        Input::Link(LinkReport::Born {
            node: self.ix,
            name: self.name.clone(),
            transport: Transport::Serial,
            channels,
            permit: self.deadman,
            restarted,
        })
    }

    /// Largest delay seen lately: the extra one, and the bound of what is always there. Unit: ms.
    pub(crate) fn lag(&self) -> u32 {
        let extra = self.delay.as_ref().map_or(0, DelayEstimate::largest);
        extra.saturating_add(self.pings.one_way())
    }

    /// Readings and states of a line. Wrong ones are described in `wrong`.
    pub(crate) fn measured(
        &mut self,
        up: &Up,
        old: bool,
        now: Instant,
        ready: &mut Vec<Input>,
        wrong: &mut Vec<String>,
    ) {
        match up {
            Up::Readings { ms, first, values } => {
                let late = self.is_late(*ms, old, now);
                for (channel, sample) in (*first..).zip(values) {
                    self.sample(channel, *sample, (*ms, late, old), ready, wrong);
                }
            }
            Up::Packed { ms, first, values } => {
                let late = self.is_late(*ms, old, now);
                for (channel, value) in (u16::from(*first)..).zip(values) {
                    let sample = value.map_or(Sample::Missing, |it| Sample::Value(i32::from(it)));
                    self.sample(channel, sample, (*ms, late, old), ready, wrong);
                }
            }
            // An old state is no news: the latest wins.
            Up::States { ms, codes } if !old => {
                let late = self.is_late(*ms, old, now);
                for (channel, code) in codes {
                    self.state(*channel, *code, (*ms, late), ready, wrong);
                }
            }
            Up::Event { ms, channel, kind, .. } => {
                let late = self.is_late(*ms, old, now);
                self.event(*channel, kind, (*ms, late), ready);
            }
            Up::Beat { ms, .. } => {
                self.is_late(*ms, old, now);
            }
            Up::States { .. }
            | Up::Hello { .. }
            | Up::Channel(_)
            | Up::TableEnd { .. }
            | Up::Ack { .. }
            | Up::Log(_) => {}
        }
        self.tell_clock(ready);
    }

    fn is_late(&mut self, ms: u32, old: bool, now: Instant) -> bool {
        if old {
            return true;
        }
        let delay = self.delay.get_or_insert_with(|| DelayEstimate::new(now, ms));
        delay.extra(now, ms).saturating_add(self.pings.one_way()) > LATE_AFTER
    }

    /// Whether its clock agrees with ours, when that changed.
    fn tell_clock(&mut self, ready: &mut Vec<Input>) {
        let Some(delay) = self.delay.as_mut().filter(|_| self.born.is_some()) else { return };
        let node = self.ix;
        if let Some(off) = delay.poll_skew() {
            ready.push(Input::Link(LinkReport::clock(node, off)));
        }
    }

    fn sample(
        &mut self,
        channel: u16,
        sample: Sample,
        (ms, late, old): (u32, bool, bool),
        ready: &mut Vec<Input>,
        wrong: &mut Vec<String>,
    ) {
        let Some(entry) = self.table.get(&channel) else {
            wrong.push(format!("channel {channel} is not in its table"));
            return;
        };
        let Some((index, _)) = entry.input else { return };
        let value = match entry.value(sample) {
            Ok(value) => value,
            Err(why) => {
                wrong.push(format!("channel {channel} {why}"));
                return;
            }
        };
        let again = !old
            && self.newest.entry(channel).or_default().judge(None, None, Some(ms), true)
                == InOrder::Again;
        let quality = match (again, late) {
            (true, _) => Quality::Resent,
            (false, true) => Quality::Late,
            (false, false) => Quality::Good,
        };
        ready.push(reading(index, value, quality, ms));
    }

    fn state(
        &mut self,
        channel: u16,
        code: Code,
        (ms, late): (u32, bool),
        ready: &mut Vec<Input>,
        wrong: &mut Vec<String>,
    ) {
        let Some(entry) = self.table.get(&channel) else {
            wrong.push(format!("channel {channel} is not in its table"));
            return;
        };
        match (entry.state(code), entry.input) {
            (Ok(value), Some((index, _))) => {
                let quality = if late { Quality::Late } else { Quality::Good };
                ready.push(reading(index, value, quality, ms));
            }
            (Ok(_), None) => {}
            (Err(why), _) => wrong.push(format!("channel {channel} {why}")),
        }
    }

    /// The node switched an output off by itself: its feedback, told at once, and believed even when it comes late.
    fn event(&self, channel: u16, kind: &str, (ms, late): (u32, bool), ready: &mut Vec<Input>) {
        let Some(entry) = self.table.get(&channel) else { return };
        if let ("TRIP" | "WDT", Kind::Output, Some((index, _))) = (kind, entry.kind, entry.input) {
            let quality = if late { Quality::Late } else { Quality::Good };
            ready.push(reading(index, Value::Feedback(false), quality, ms));
        }
    }
}

fn reading(channel: wiring::index::ChannelIx, value: Value, quality: Quality, ms: u32) -> Input {
    Input::Reading(Reading { channel, value, quality, node_ms: Some(ms) })
}
