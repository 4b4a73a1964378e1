//! Noise of a current sensor, told by itself: how far two readings in a row lie apart while little flows.
//!
//! The quietest window counts, so that a motor's ripple is not taken for noise. Bounded and deterministic: a handful of
//! integers a feed.

use wiring::units::Microamps;

/// Readings of one window.
const WINDOW: u32 = 64;
/// Only readings below this tell: near nothing is where a cut is proved.
const LITTLE: Microamps = Microamps(500_000);
/// The least that a cut is proved against.
pub(crate) const LEAST: Microamps = Microamps(50_000);
/// The most: no sensor is so bad that half an ampere may pass for none.
const MOST: Microamps = Microamps(250_000);

/// The noise of one sensor.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Noise {
    last: Option<Microamps>,
    apart: i64,
    count: u32,
    floor: Option<Microamps>,
}

impl Noise {
    /// A good reading while no cut is under way.
    pub(crate) fn handle(&mut self, amps: Microamps) {
        if LITTLE <= amps {
            self.last = None;
            return;
        }
        let Some(last) = self.last.replace(amps) else { return };
        self.apart += (amps - last).0.abs();
        self.count += 1;
        if self.count >= WINDOW {
            // Of normal noise the mean distance of two readings is 2/sqrt(pi) times its deviation (textbook).
            let deviation = Microamps(self.apart * 886 / 1000 / i64::from(WINDOW));
            self.floor = Some(self.floor.map_or(deviation, |floor| floor.min(deviation)));
            (self.apart, self.count) = (0, 0);
        }
    }

    /// The larger of 50 mA and 5 times the noise, and never more than 250 mA.
    pub(crate) fn residual(&self) -> Microamps {
        self.floor.map_or(LEAST, |floor| Microamps(floor.0 * 5).max(LEAST).min(MOST))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Readings that jump up and down by so much, in milliamperes, and the residual they lead to.
    #[test]
    fn the_residual_is_five_times_the_noise_within_its_bounds() {
        // A jump of d to and fro lies d apart each time: deviation 0.886 d.
        let cases = [(0, 50), (5, 50), (20, 88), (40, 177), (90, 250)];
        for (jump, want) in cases {
            let mut sut = Noise::default();
            feed(&mut sut, 100, jump, 200);
            assert_eq!(sut.residual().0 / 1000, want, "{jump} mA");
        }
    }

    #[test]
    fn ripple_of_a_load_is_no_noise() {
        let mut sut = Noise::default();
        feed(&mut sut, 20, 2, 200);
        feed(&mut sut, 150, 100, 2000);
        feed(&mut sut, 1500, 400, 2000);
        assert_eq!(sut.residual(), LEAST);
    }

    #[test]
    fn before_a_window_is_full_the_least_counts() {
        let mut sut = Noise::default();
        feed(&mut sut, 100, 40, 60);
        assert_eq!(sut.residual(), LEAST);
    }

    fn feed(sut: &mut Noise, mean: i64, jump: i64, readings: i64) {
        for nth in 0..readings {
            sut.handle(Microamps((mean + nth % 2 * jump) * 1000));
        }
    }
}
