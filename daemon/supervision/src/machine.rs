//! One switch machine: where it stands, where it was asked to stand, and how long that takes.

use wiring::{
    layout::Position,
    units::{Micros, Mono},
};

use crate::input::MachinePosition;

/// A throw of up to this many times the throw time is in time. Unit: tenths.
const SLOW_TENTHS: u64 = 15;
/// Beyond this many times it is stuck. Unit: tenths.
const STUCK_TENTHS: u64 = 25;

/// Where a machine stands and how it got there.
#[derive(Debug)]
pub(crate) struct Machine {
    throw_time: Micros,
    position: Option<(Mono, MachinePosition)>,
    asked: Option<(Mono, Position)>,
    /// It left its rest position and has not reached another.
    leaving: Option<Mono>,
    rest: Option<Position>,
    last_throw: Option<Micros>,
    throws: u32,
    last_change: Option<Mono>,
    /// The throw under way, or the last one, was slow.
    slow: bool,
    stuck: bool,
    out_of_step: bool,
}

impl Machine {
    /// Never heard of.
    pub(crate) const fn new(throw_time: Micros) -> Self {
        Self {
            throw_time,
            position: None,
            asked: None,
            leaving: None,
            rest: None,
            last_throw: None,
            throws: 0,
            last_change: None,
            slow: false,
            stuck: false,
            out_of_step: false,
        }
    }

    /// A position reading. Says whether it differs from the one before.
    pub(crate) fn handle_position(&mut self, position: MachinePosition, now: Mono) -> bool {
        if self.position.is_some_and(|(_, before)| before == position) {
            return false;
        }
        let known_before = self.position.is_some();
        self.position = Some((now, position));
        match position.at_rest() {
            Some(rest) => self.arrive(rest, now),
            None if known_before && self.leaving.is_none() => self.leaving = Some(now),
            None => {}
        }
        if known_before {
            self.last_change = Some(now);
        }
        true
    }

    /// Its sensor, or the node of it, is silent: where it stands is not known. No throw is timed by what was heard before.
    pub(crate) fn handle_lost(&mut self) {
        self.position = None;
        self.leaving = None;
        self.slow = false;
        self.stuck = false;
        self.out_of_step = false;
    }

    fn arrive(&mut self, rest: Position, now: Mono) {
        if let Some(left) = self.leaving.take() {
            let taken = now.since(left);
            self.last_throw = Some(taken);
            self.slow = self.limit(SLOW_TENTHS) < taken;
        }
        if self.rest.is_some_and(|before| before != rest) {
            self.throws = self.throws.saturating_add(1);
        }
        self.rest = Some(rest);
        self.stuck = false;
        self.out_of_step = false;
    }

    /// A panel, or an order of ours, asks for a position.
    pub(crate) fn handle_asked(&mut self, asked: Position, now: Mono) {
        if self.asked.is_none_or(|(_, before)| before != asked) {
            self.asked = Some((now, asked));
            self.out_of_step = false;
        }
    }

    /// Settles what fell due at `now`.
    pub(crate) fn handle_timeout(&mut self, now: Mono) {
        if let Some(left) = self.leaving {
            self.slow |= left + self.limit(SLOW_TENTHS) <= now;
            self.stuck |= left + self.limit(STUCK_TENTHS) <= now;
        }
        if let Some(since) = self.disagrees_since() {
            self.out_of_step |= since + self.limit(SLOW_TENTHS) <= now;
        }
    }

    /// When a throw becomes slow, then stuck; when a rest position becomes out of step.
    pub(crate) fn poll_deadline(&self) -> Option<Mono> {
        let throw = self.leaving.and_then(|left| match (self.slow, self.stuck) {
            (false, _) => Some(left + self.limit(SLOW_TENTHS)),
            (true, false) => Some(left + self.limit(STUCK_TENTHS)),
            (true, true) => None,
        });
        let step = self.disagrees_since().filter(|_| !self.out_of_step);
        let step = step.map(|since| since + self.limit(SLOW_TENTHS));
        throw.into_iter().chain(step).min()
    }

    /// At rest elsewhere than asked, since the later of both.
    fn disagrees_since(&self) -> Option<Mono> {
        let (at, position) = self.position?;
        let (asked_at, asked) = self.asked?;
        (position.at_rest()? != asked).then(|| at.max(asked_at))
    }

    fn limit(&self, tenths: u64) -> Micros {
        Micros(self.throw_time.0.saturating_mul(tenths) / 10)
    }

    /// The rest position that polarity follows. None while it moves, is unknown, or has yet to obey.
    pub(crate) fn settled(&self) -> Option<Position> {
        let (_, position) = self.position?;
        let rest = position.at_rest()?;
        (self.out_of_step || self.asked.is_none_or(|(_, asked)| asked == rest)).then_some(rest)
    }

    /// The latest reading.
    pub(crate) const fn position(&self) -> Option<(Mono, MachinePosition)> {
        self.position
    }

    /// What was asked, and when.
    pub(crate) const fn asked(&self) -> Option<(Mono, Position)> {
        self.asked
    }

    /// Time of the last complete throw.
    pub(crate) const fn last_throw(&self) -> Option<Micros> {
        self.last_throw
    }

    /// Throws seen.
    pub(crate) const fn throws(&self) -> u32 {
        self.throws
    }

    /// When its position changed last.
    pub(crate) const fn last_change(&self) -> Option<Mono> {
        self.last_change
    }

    /// When the throw under way or the last complete one began.
    pub(crate) fn throw_began(&self) -> Option<Mono> {
        let (at, position) = self.position?;
        match position.at_rest() {
            None => self.leaving,
            Some(_) => self.last_throw.map(|taken| Mono(at.0.saturating_sub(taken.0))),
        }
    }

    /// The throw under way, or the last one, took too long.
    pub(crate) const fn is_slow(&self) -> bool {
        self.slow
    }

    /// Under way for far too long.
    pub(crate) const fn is_stuck(&self) -> bool {
        self.stuck
    }

    /// At rest elsewhere than asked for longer than a throw allows.
    pub(crate) const fn is_out_of_step(&self) -> bool {
        self.out_of_step
    }

    /// It moves, or was asked to and has not begun.
    pub(crate) fn is_moving(&self) -> bool {
        self.leaving.is_some() || (self.disagrees_since().is_some() && !self.out_of_step)
    }

    /// Since when the throw under way, or the disagreement, lasts.
    pub(crate) fn taking_since(&self) -> Option<Mono> {
        self.leaving.or_else(|| self.disagrees_since())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Throw time 2 s: slow after 3 s, stuck after 5 s.

    #[test]
    fn a_throw_in_time_is_neither_slow_nor_stuck() {
        check("0:normal 1000:moving 3500:reverse", "0 normal; 1000 -; 3500 reverse");
    }

    #[test]
    fn a_long_throw_is_slow_then_stuck_until_it_rests() {
        check(
            "0:normal 1000:moving 8000:reverse 9000:moving 10000:normal",
            "0 normal; 1000 -; 4000 - slow; 6000 - slow stuck; 8000 reverse slow; 9000 - slow; 10000 normal",
        );
    }

    #[test]
    fn a_machine_that_does_not_obey_is_out_of_step_and_followed_as_measured() {
        check("0:normal 1000:asked-reverse 9000:tick", "0 normal; 1000 -; 4000 normal out");
    }

    #[test]
    fn asked_and_position_agreeing_ends_out_of_step() {
        check(
            "0:normal 0:asked-reverse 5000:moving 6000:reverse",
            "0 normal; 0 -; 3000 normal out; 5000 - out; 6000 reverse",
        );
    }

    #[test]
    fn an_unknown_position_at_the_start_is_no_throw() {
        check("0:unknown 9000:tick", "");
    }

    #[track_caller]
    fn check(events: &str, want: &str) {
        let mut sut = Machine::new(Micros::from_millis(2000));
        let mut got: Vec<String> = Vec::new();
        let mut shown = String::from("-");
        let mut note = |at: Mono, sut: &Machine| {
            let now = show(sut);
            if now != shown {
                got.push(format!("{} {now}", at.0 / 1000));
                shown = now;
            }
        };
        for event in events.split_whitespace() {
            let (at, what) = event.split_once(':').unwrap();
            let at = Mono(at.parse::<u64>().unwrap() * 1000);
            while let Some(due) = sut.poll_deadline().filter(|due| *due <= at) {
                sut.handle_timeout(due);
                note(due, &sut);
            }
            match what {
                "tick" => {}
                "asked-reverse" => sut.handle_asked(Position::Reverse, at),
                "normal" => drop(sut.handle_position(MachinePosition::Normal, at)),
                "reverse" => drop(sut.handle_position(MachinePosition::Reverse, at)),
                "moving" => drop(sut.handle_position(MachinePosition::Moving, at)),
                "unknown" => drop(sut.handle_position(MachinePosition::Unknown, at)),
                other => panic!("{other}"),
            }
            note(at, &sut);
        }
        assert_eq!(got.join("; "), want);
    }

    fn show(sut: &Machine) -> String {
        let mut text = sut.settled().map_or("-", Position::word).to_owned();
        for (holds, word) in
            [(sut.is_slow(), "slow"), (sut.is_stuck(), "stuck"), (sut.is_out_of_step(), "out")]
        {
            if holds {
                text = format!("{text} {word}");
            }
        }
        text
    }
}
