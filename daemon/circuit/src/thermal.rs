//! Thermal image of a contact by the equation of IEC 60255-149, and what follows from it.
//!
//! The standard was written for other equipment: here the image is a bookkeeping rule, and its time constant is
//! assumed unless measured. It describes the carrying parts. One implementation for studies and supervision.

use wiring::units::{Microamps, Micros};

/// Of more than two poles side by side each is charged with this part more than an even share: I / (0.9 n).
const EVEN_SHARE_OF_MANY: f64 = 0.9;

/// Thermal image: 0 cold, 1 is the whole budget spent.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Image {
    /// Heat stored, as a part of what the rated current stores in the long run.
    pub theta: f64,
}

impl Image {
    /// The image that `multiple` of the rating leaves in the long run.
    #[must_use]
    pub fn settled(multiple: f64) -> Self {
        Self { theta: multiple * multiple }
    }

    /// `multiple` of the rating (current / (k × rating), k = 1) flowed for `span`: θ' = M² (1 − e^(−t/τ)) + θ e^(−t/τ).
    pub fn advance(&mut self, multiple: f64, span: Micros, time_constant: Micros) {
        if span == Micros::ZERO {
            return;
        }
        let decay = decay(span, time_constant);
        self.theta = multiple * multiple * (1.0 - decay) + self.theta * decay;
    }

    /// The whole budget is spent.
    #[must_use]
    pub fn is_full(&self) -> bool {
        self.theta >= 1.0
    }

    /// Time until the image is full at a constant `multiple` of the rating: t = τ ln((M² − θ) / (M² − 1)), rounded up
    /// to the microsecond. None: never, at the rating or below. Zero: already full.
    #[must_use]
    pub fn time_to_full(&self, multiple: f64, time_constant: Micros) -> Option<Micros> {
        self.time_to(1.0, multiple, time_constant)
    }

    /// Time until the image reaches `level` (0.8 for the warning) at a constant `multiple` of the rating.
    #[must_use]
    pub fn time_to(&self, level: f64, multiple: f64, time_constant: Micros) -> Option<Micros> {
        if self.theta >= level {
            return Some(Micros::ZERO);
        }
        let heat = multiple * multiple;
        (heat > level).then(|| {
            let seconds = time_constant.seconds() * ((heat - self.theta) / (heat - level)).ln();
            Micros((seconds * 1e6).ceil() as u64)
        })
    }

    /// I_w: the current that brings this image to full within `within`:
    /// sqrt((1 − θ e^(−T/τ)) / (1 − e^(−T/τ))) × rating × `factor` (1 for one pole, the pair factor for a proved pair).
    #[must_use]
    pub fn pick_up(
        &self,
        rating: Microamps,
        factor: f64,
        within: Micros,
        time_constant: Micros,
    ) -> Microamps {
        let decay = decay(within, time_constant);
        if decay >= 1.0 {
            return Microamps(i64::MAX);
        }
        let multiple = ((1.0 - self.theta * decay) / (1.0 - decay)).max(0.0).sqrt();
        Microamps((rating.0 as f64 * multiple * factor).round() as i64)
    }
}

/// e^(−t/τ); a time constant of zero forgets at once.
fn decay(span: Micros, time_constant: Micros) -> f64 {
    if time_constant == Micros::ZERO {
        0.0
    } else {
        (-(span.0 as f64) / time_constant.0 as f64).exp()
    }
}

/// The part of a frog's current that one of `poles` contacts side by side is charged with: all for one; for two the
/// larger of its `share` by resistance and 1 / `pair_factor`; for more 1 / (0.9 n), or its share if that is larger.
#[must_use]
pub fn charged(share: f64, poles: usize, pair_factor: f64) -> f64 {
    match poles {
        0 | 1 => share,
        2 => share.max(1.0 / pair_factor),
        many => share.max(1.0 / (EVEN_SHARE_OF_MANY * many as f64)),
    }
}
