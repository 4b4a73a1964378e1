//! The throws of a machine under test: which way it went, how long it took, when its contact changed over.

use wiring::{
    layout::Position,
    units::{Micros, Mono},
};

use crate::{
    input::{MachinePosition, MeasuredPolarity},
    store::NodeTime,
};

/// A throw of up to this many times the throw time is in time. Unit: tenths.
const SLOW_TENTHS: u64 = 15;
/// Beyond this many times after the order it will not arrive. Unit: tenths.
const STUCK_TENTHS: u64 = 25;
/// The dead part of the contact must straddle mid-stroke, within this. Unit: percent of the stroke. The rule is R31 of
/// the reference; the tolerance is that of polled sensors, common practice, no source.
const OFF_CENTRE: u64 = 8;

/// Spans by a node's clock and by arrival differ by no more than this, unless the clock began anew: a reading that waited
/// for longer is no longer its channel's newest. Common practice, no source.
const WAITED: Micros = Micros::from_millis(5000);

/// When something was told: when it arrived, and when its node measured it, where that is known.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) struct Stamp {
    pub(crate) at: Mono,
    pub(crate) node: Option<NodeTime>,
}

impl Stamp {
    /// Between two stamps: by the node's own clock where both have it of one node, else by arrival.
    fn since(self, earlier: Self) -> Micros {
        let arrived = self.at.since(earlier.at);
        let measured = match (self.node, earlier.node) {
            (Some(to), Some(from)) if to.node == from.node => {
                let ms = to.ms.wrapping_sub(from.ms).cast_signed();
                u64::try_from(ms).ok().map(Micros::from_millis)
            }
            (_, _) => None,
        };
        measured.filter(|it| it.0.abs_diff(arrived.0) <= WAITED.0).unwrap_or(arrived)
    }
}

/// A complete throw.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) struct Throw {
    pub(crate) to: Position,
    /// When it came to rest.
    pub(crate) at: Mono,
    pub(crate) took: Micros,
    /// When the frog lost and got power, counted from the start of the throw.
    pub(crate) gap: Option<(Micros, Micros)>,
    /// No sensor: the person saw it.
    pub(crate) told: bool,
}

/// What went wrong with a throw.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum ThrowFault {
    /// It stayed where it was.
    NotMoved,
    /// It left and did not arrive.
    Stopped,
    /// It went the other way.
    WrongWay,
    /// It took too long.
    Slow(Micros),
    /// The contact changes over away from mid-stroke, from and to. Unit: percent of the stroke.
    OffCentre(u64, u64),
}

/// Watches throws.
#[derive(Clone, Debug)]
pub(crate) struct Throwing {
    throw_time: Micros,
    position: Option<MachinePosition>,
    /// At rest there, since then.
    rest: Option<(Position, Mono)>,
    ordered: Option<(Position, Mono)>,
    left: Option<Stamp>,
    opened: Option<Stamp>,
    closed: Option<Stamp>,
    /// The latest throw to normal and to reverse.
    pub(crate) seen: [Option<Throw>; 2],
    /// What went wrong with the latest try to go there.
    pub(crate) fault: [Option<ThrowFault>; 2],
}

impl Throwing {
    pub(crate) const fn new(throw_time: Micros) -> Self {
        Self {
            throw_time,
            position: None,
            rest: None,
            ordered: None,
            left: None,
            opened: None,
            closed: None,
            seen: [None; 2],
            fault: [None; 2],
        }
    }

    /// Forgets what was seen of throws to a position.
    pub(crate) fn again(&mut self, to: Position) {
        self.seen[index(to)] = None;
        self.fault[index(to)] = None;
        self.ordered = None;
    }

    /// An order went out.
    pub(crate) fn handle_order(&mut self, to: Position, now: Mono) {
        self.fault[index(to)] = None;
        if self.rest.is_none_or(|(at, _)| at != to) {
            self.ordered = Some((to, now));
            self.opened = None;
            self.closed = None;
        }
    }

    /// The person sees it at rest there.
    pub(crate) fn handle_told(&mut self, to: Position, now: Mono) {
        self.rest = Some((to, now));
        self.ordered = None;
        self.fault[index(to)] = None;
        self.seen[index(to)] =
            Some(Throw { to, at: now, took: Micros::ZERO, gap: None, told: true });
    }

    /// Where a sensor says it is.
    pub(crate) fn handle_position(&mut self, position: MachinePosition, now: Stamp) {
        let known = self.position.replace(position);
        if known == Some(position) {
            return;
        }
        match position.at_rest() {
            Some(to) => self.arrive(to, known.is_some(), now),
            None if self.rest.is_some() => self.leave(now),
            None => {}
        }
    }

    fn leave(&mut self, now: Stamp) {
        self.rest = None;
        self.left = Some(now);
        self.opened = None;
        self.closed = None;
    }

    fn arrive(&mut self, to: Position, known: bool, now: Stamp) {
        let before = self.rest.replace((to, now.at)).map(|(at, _)| at);
        let ordered = self.ordered.take();
        let began = self.left.take().or(ordered.map(|(_, at)| Stamp { at, node: None }));
        if let Some((wanted, _)) = ordered.filter(|(wanted, _)| *wanted != to) {
            self.fault[index(wanted)] = Some(ThrowFault::WrongWay);
        }
        let moved = known && before.is_none_or(|before| before != to);
        if !moved {
            return;
        }
        let began = began.unwrap_or(now);
        let took = now.since(began);
        let gap = match (self.opened, self.closed) {
            (Some(opened), Some(closed)) if began.at <= opened.at => {
                Some((opened.since(began), closed.since(began)))
            }
            (Some(_) | None, _) => None,
        };
        self.fault[index(to)] = self.judge(took, gap);
        self.seen[index(to)] = Some(Throw { to, at: now.at, took, gap, told: false });
    }

    fn judge(&self, took: Micros, gap: Option<(Micros, Micros)>) -> Option<ThrowFault> {
        if self.limit(SLOW_TENTHS) < took {
            return Some(ThrowFault::Slow(took));
        }
        let share = |at: Micros| at.0 * 100 / took.0.max(1);
        let (from, to) = gap.map(|(opened, closed)| (share(opened), share(closed)))?;
        let straddles = from <= 50 + OFF_CENTRE && 50 <= to + OFF_CENTRE;
        (!straddles).then_some(ThrowFault::OffCentre(from, to))
    }

    /// What the first frog is on while the machine moves.
    pub(crate) fn handle_polarity(&mut self, polarity: MeasuredPolarity, now: Stamp) {
        if self.left.is_none() && self.ordered.is_none() {
            return;
        }
        match polarity {
            MeasuredPolarity::Dead => {
                self.opened.get_or_insert(now);
            }
            MeasuredPolarity::On(_) if self.opened.is_some() => {
                self.closed.get_or_insert(now);
            }
            MeasuredPolarity::On(_) => {}
        }
    }

    /// An order that came to nothing.
    pub(crate) fn handle_timeout(&mut self, now: Mono) {
        let Some((to, at)) = self.ordered else { return };
        if at + self.limit(STUCK_TENTHS) <= now {
            let fault =
                if self.rest.is_some() { ThrowFault::NotMoved } else { ThrowFault::Stopped };
            self.fault[index(to)] = Some(fault);
            self.ordered = None;
        }
    }

    /// When an order has come to nothing.
    pub(crate) fn poll_deadline(&self) -> Option<Mono> {
        // Without a sensor nothing is expected: the person says what happens.
        self.position?;
        self.ordered.map(|(_, at)| at + self.limit(STUCK_TENTHS))
    }

    /// A sensor tells the position.
    pub(crate) const fn is_measured(&self) -> bool {
        self.position.is_some()
    }

    /// At rest there, since then.
    pub(crate) const fn rest(&self) -> Option<(Position, Mono)> {
        self.rest
    }

    /// On its way, or ordered to be.
    pub(crate) const fn is_under_way(&self) -> bool {
        self.ordered.is_some() || self.left.is_some()
    }

    fn limit(&self, tenths: u64) -> Micros {
        Micros(self.throw_time.0.saturating_mul(tenths) / 10)
    }
}

/// Place of a position in a pair.
pub(crate) const fn index(position: Position) -> usize {
    match position {
        Position::Normal => 0,
        Position::Reverse => 1,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::input::NodeIx;

    /// A throw of a machine with a throw time of 2.5 s: what is told, when it arrives, when its node measured it (`-`: not
    /// said, `n` of another node).
    #[track_caller]
    fn check(told: &str, want: Option<(u64, Option<(u64, u64)>)>) {
        let mut sut = Throwing::new(Micros::from_millis(2500));
        for line in told.split("; ") {
            let words: Vec<&str> = line.split(' ').collect();
            let other = words[2].strip_prefix('n');
            let ms = other.unwrap_or(words[2]).parse().ok();
            let node = NodeIx(u16::from(other.is_some()));
            let stamp = Stamp {
                at: Mono(words[1].parse::<u64>().unwrap() * 1000),
                node: ms.map(|ms| NodeTime { node, ms }),
            };
            match words[0] {
                "normal" => sut.handle_position(MachinePosition::Normal, stamp),
                "moving" => sut.handle_position(MachinePosition::Moving, stamp),
                "reverse" => sut.handle_position(MachinePosition::Reverse, stamp),
                "dead" => sut.handle_polarity(MeasuredPolarity::Dead, stamp),
                _ => sut.handle_polarity(MeasuredPolarity::On(wiring::layout::Conductor::A), stamp),
            }
        }
        let throw = sut.seen[index(Position::Reverse)];
        let ms = |it: Micros| it.0 / 1000;
        assert_eq!(
            throw.map(|it| (ms(it.took), it.gap.map(|(a, b)| (ms(a), ms(b))))),
            want,
            "{told}"
        );
    }

    #[test]
    fn a_throw_is_measured_by_its_nodes_clock_where_that_can_be_told() {
        // As measured: 2.4 s, of which the frog is dead from 1.1 to 1.5 s.
        let want = Some((2400, Some((1100, 1500))));
        check("normal 0 10; moving 100 110; dead 1200 1210; A 1600 1610; reverse 2500 2510", want);
        // The same, and every message waits a while.
        check("normal 0 10; moving 900 110; dead 1200 1210; A 2900 1610; reverse 2910 2510", want);
        // The clock wraps.
        let wraps = "normal 0 4294966796; moving 900 4294966896; dead 1200 700; A 1600 1100; reverse 2400 2000";
        check(wraps, want);
        // Nobody says when: by arrival.
        let by_arrival = Some((1600, Some((300, 700))));
        check("normal 0 -; moving 900 -; dead 1200 -; A 1600 -; reverse 2500 -", by_arrival);
        // The frog's node has another clock: the gap by arrival, the throw by the machine's.
        check(
            "normal 0 10; moving 900 110; dead 1200 n77; A 1600 n88; reverse 2500 2510",
            Some((2400, Some((300, 700)))),
        );
        // The node began anew under way: its clock tells nothing.
        check(
            "normal 0 90010; moving 900 90110; dead 1200 5; A 1600 405; reverse 2500 1305",
            by_arrival,
        );
    }
}
