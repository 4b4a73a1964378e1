//! Sums of currents that should agree (Kirchhoff): a sensor lies, or a feed bypasses its detector.

use wiring::units::{Microamps, Micros, Mono};

/// One sum: a feed against what it feeds.
#[derive(Debug)]
pub(crate) struct Residual {
    tolerance: Microamps,
    after: Micros,
    since: Option<Mono>,
    stands: bool,
    shown: bool,
    /// Both sides when they disagreed last.
    pub(crate) seen: (Microamps, Microamps),
}

impl Residual {
    /// With a tolerance and the time that a disagreement must last.
    pub(crate) const fn new(tolerance: Microamps, after: Micros) -> Self {
        let seen = (Microamps::ZERO, Microamps::ZERO);
        Self { tolerance, after, since: None, stands: false, shown: false, seen }
    }

    /// Both sides; none where a reading is missing: then nothing can be said.
    pub(crate) fn handle(&mut self, sides: Option<(Microamps, Microamps)>, now: Mono) {
        let apart = sides.filter(|(whole, parts)| self.tolerance.0 < (*whole - *parts).0.abs());
        match apart {
            Some(seen) => {
                self.seen = seen;
                self.since.get_or_insert(now);
            }
            None => {
                self.since = None;
                self.stands = false;
            }
        }
    }

    /// Settles what fell due.
    pub(crate) fn handle_timeout(&mut self, now: Mono) {
        self.stands |= self.since.is_some_and(|since| since + self.after <= now);
    }

    /// When a disagreement has lasted long enough.
    pub(crate) fn poll_deadline(&self) -> Option<Mono> {
        self.since.filter(|_| !self.stands).map(|since| since + self.after)
    }

    /// Whether it stands, if that is to be shown again.
    pub(crate) fn poll_shown(&mut self) -> Option<bool> {
        (self.shown != self.stands).then(|| {
            self.shown = self.stands;
            self.stands
        })
    }

    /// The sums do not agree.
    pub(crate) const fn stands(&self) -> bool {
        self.stands
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_disagreement_counts_only_when_it_lasts() {
        let mut sut = Residual::new(Microamps(100), Micros(3000));
        let apart = Some((Microamps(500), Microamps(300)));
        let agree = Some((Microamps(500), Microamps(450)));
        sut.handle(apart, Mono(0));
        sut.handle(agree, Mono(2000));
        assert_eq!(sut.poll_deadline(), None);
        sut.handle(apart, Mono(3000));
        sut.handle(apart, Mono(4000));
        assert_eq!(sut.poll_deadline(), Some(Mono(6000)));
        sut.handle_timeout(Mono(6000));
        assert!(sut.stands());
        sut.handle(None, Mono(7000));
        assert!(!sut.stands());
    }
}
