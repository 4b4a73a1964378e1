//! Lock-out, automatic tries and holds of one feed (IEEE C37.2: 79, 86).

use wiring::units::{Micros, Mono};

use crate::cause::Cause;

/// A trip this soon after an operator's restore locks out.
const TOO_SOON: Micros = Micros::from_millis(5000);
/// A district that stays on for so long has its tries back.
const SETTLED: Micros = Micros::from_millis(30_000);

/// What stands between a cut and power.
#[derive(Debug)]
pub(crate) struct Restore {
    allowed: u8,
    waits: [Micros; 3],
    tries: u8,
    next_try: Option<Mono>,
    locked: bool,
    holds: Vec<String>,
    /// When power was ordered on last.
    switched_on: Option<Mono>,
    after_fault: bool,
    /// An `on` waits for its turn.
    due: Option<(Mono, Cause)>,
}

impl Restore {
    /// Other settings. A try that waits already stays due, unless there shall be none any more.
    pub(crate) fn resettle(&mut self, allowed: u8, waits: [Micros; 3]) {
        let it = Self::new(allowed, waits);
        self.allowed = it.allowed;
        self.waits = it.waits;
        if self.next_try.is_some() && self.allowed <= self.tries {
            self.lock();
        }
    }

    /// With `allowed` automatic tries.
    pub(crate) const fn new(allowed: u8, waits: [Micros; 3]) -> Self {
        Self {
            allowed: if allowed > 3 { 3 } else { allowed },
            waits,
            tries: 0,
            next_try: None,
            locked: false,
            holds: Vec::new(),
            switched_on: None,
            after_fault: false,
            due: None,
        }
    }

    /// It tripped. `retryable`: its cause may be tried automatically. Says whether it is locked out now.
    pub(crate) fn handle_trip(&mut self, retryable: bool, now: Mono) -> bool {
        self.due = None;
        let on_since = self.switched_on.take();
        if on_since.is_some_and(|on| SETTLED <= now.since(on)) {
            self.tries = 0;
        }
        let by_hand = self.tries == 0 && on_since.is_some_and(|on| now.since(on) < TOO_SOON);
        let left = self.tries < self.allowed && !by_hand;
        if retryable && left {
            self.next_try = Some(now + self.waits[usize::from(self.tries)]);
        } else {
            self.lock();
        }
        self.locked
    }

    /// Only an operator restores from here on.
    pub(crate) fn lock(&mut self) {
        self.locked = true;
        self.next_try = None;
        self.due = None;
    }

    /// An automatic try is made: its number, from 1.
    pub(crate) fn handle_try(&mut self) -> u8 {
        self.next_try = None;
        self.tries += 1;
        self.tries
    }

    /// It shall be on, at `at`, when it is this feed's turn. Says whether that opens a lock-out.
    pub(crate) fn handle_restore(&mut self, cause: Cause, at: Mono) -> bool {
        self.tries = 0;
        self.next_try = None;
        self.due = Some((at, cause));
        std::mem::take(&mut self.locked)
    }

    /// An `on` waits for its turn.
    pub(crate) fn wait(&mut self, cause: Cause, turn: Mono) {
        self.due = Some((turn, cause));
    }

    /// Power is ordered on; `after_fault` where a fault had cut it.
    pub(crate) fn handle_switched_on(&mut self, after_fault: bool, now: Mono) {
        self.due = None;
        self.switched_on = Some(now);
        self.after_fault = after_fault;
    }

    /// Since when power is on, unless it came back after a fault: what stood there then may stand there still.
    pub(crate) fn powered_since(&self) -> Option<Mono> {
        self.switched_on.filter(|_| !self.after_fault)
    }

    /// An operator cuts: nothing restores by itself.
    pub(crate) fn handle_cut(&mut self) {
        self.next_try = None;
        self.due = None;
    }

    /// Nobody restores while `who` holds it.
    pub(crate) fn hold(&mut self, who: &str) {
        if !self.holds.iter().any(|it| it == who) {
            self.holds.push(who.to_owned());
        }
        self.next_try = None;
        self.due = None;
    }

    /// Ends the hold of `who`; says whether there was one.
    pub(crate) fn release(&mut self, who: &str) -> bool {
        let before = self.holds.len();
        self.holds.retain(|it| it != who);
        self.holds.len() < before
    }

    /// When a try or a waiting `on` is due.
    pub(crate) fn poll_deadline(&self) -> Option<Mono> {
        self.next_try.into_iter().chain(self.due()).min()
    }

    /// A waiting `on` is due: its cause.
    pub(crate) fn on_due(&self, now: Mono) -> Option<Cause> {
        self.due.filter(|(due, _)| *due <= now).map(|(_, cause)| cause)
    }

    /// An `on` waits for its turn, then.
    pub(crate) fn due(&self) -> Option<Mono> {
        self.due.map(|(due, _)| due)
    }

    /// Locked out.
    pub(crate) const fn is_locked(&self) -> bool {
        self.locked
    }

    /// Who holds it.
    pub(crate) fn holds(&self) -> &[String] {
        &self.holds
    }

    /// Automatic tries made.
    pub(crate) const fn tries(&self) -> u8 {
        self.tries
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_tries_the_first_trip_locks_out() {
        assert!(sut(0).handle_trip(true, Mono(0)));
    }

    #[test]
    fn tries_are_two_five_and_ten_seconds_apart_and_never_more_than_three() {
        let mut sut = sut(9);
        let mut now = Mono(0);
        for want in [2, 5, 10] {
            assert!(!sut.handle_trip(true, now));
            let due = sut.poll_deadline().unwrap();
            assert_eq!(due.since(now), Micros::from_millis(want * 1000));
            sut.handle_try();
            sut.handle_switched_on(true, due);
            now = due + Micros::from_millis(100);
        }
        assert!(sut.handle_trip(true, now));
        assert_eq!(sut.poll_deadline(), None);
    }

    #[test]
    fn a_trip_soon_after_a_persons_restore_locks_out() {
        let mut sut = sut(3);
        sut.handle_restore(Cause::Operator, Mono(0));
        sut.handle_switched_on(true, Mono(0));
        assert!(sut.handle_trip(true, Mono(4_000_000)));
    }

    #[test]
    fn a_cause_that_may_not_be_tried_locks_out() {
        assert!(sut(3).handle_trip(false, Mono(0)));
    }

    fn sut(allowed: u8) -> Restore {
        let ms = Micros::from_millis;
        Restore::new(allowed, [ms(2000), ms(5000), ms(10_000)])
    }
}
