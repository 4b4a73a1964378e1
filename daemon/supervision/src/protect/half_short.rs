//! `half-short` (50, delayed): a step below the pick-up of `short` that stays.

use wiring::units::{Microamps, Micros, Millivolts, Mono};

use super::settings::Settings;
use crate::cause::Cause;

/// So much of the step must stay. Unit: percent.
const STAYS: i64 = 80;

/// The element.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct HalfShort {
    watching: Option<Watching>,
}

/// A step under watch.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Watching {
    /// The current before it.
    pub(crate) base: Microamps,
    /// The step.
    pub(crate) step: Microamps,
    /// When it came.
    pub(crate) since: Mono,
    samples: u32,
}

impl HalfShort {
    /// The step under watch.
    pub(crate) const fn watching(&self) -> Option<&Watching> {
        self.watching.as_ref()
    }

    /// Forgets everything.
    pub(crate) fn reset(&mut self) {
        self.watching = None;
    }

    /// `load` flows again since a moment ago: a step that was seen to come since then is only what goes beyond it.
    pub(crate) fn handle_load_back(&mut self, settings: &Settings, load: Microamps, from: Mono) {
        let Some(it) = &mut self.watching else { return };
        let more = load - it.base;
        if from <= it.since && Microamps::ZERO < more {
            it.base = load;
            it.step = it.step - more;
            if it.step < settings.step {
                self.watching = None;
            }
        }
    }

    /// A good sample; `low` is what a step is measured against, `sagging` a voltage below its limit.
    pub(crate) fn handle_sample(
        &mut self,
        settings: &Settings,
        (now, amps): (Mono, Microamps),
        low: Option<Microamps>,
        sagging: Option<Millivolts>,
    ) -> Option<Cause> {
        let Some(it) = &mut self.watching else {
            let base = low?;
            let step = amps - base;
            if settings.step <= step {
                self.watching = Some(Watching { base, step, since: now, samples: 1 });
            }
            return None;
        };
        let above = amps - it.base;
        let lasted = now.since(it.since);
        // A step may take the window to reach its height.
        if lasted <= settings.window {
            it.step = it.step.max(above);
        }
        let stays = it.step.percent(STAYS) <= above;
        let sags = sagging.filter(|_| settings.step <= above);
        if !stays && sags.is_none() {
            self.watching = None;
            return None;
        }
        it.samples = it.samples.saturating_add(1);
        if it.samples < 2 || lasted < settings.half_short_after {
            return None;
        }
        Some(cause(it.step, lasted, if stays { None } else { sags }))
    }
}

const fn cause(step: Microamps, lasted: Micros, sags: Option<Millivolts>) -> Cause {
    match sags {
        Some(seen) => Cause::LowVoltage { seen, step },
        None => Cause::HalfShort { step, lasted },
    }
}
