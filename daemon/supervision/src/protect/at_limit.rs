//! `at limit` (51, definite time): the booster at its limit, or a lamp or resettable fuse holding voltage down.

use wiring::units::{Microamps, Millivolts, Mono};

use super::settings::Settings;
use crate::cause::Cause;

/// Voltage of a district behind a hot lamp or tripped resettable fuse. Unit: percent of booster volts.
const HELD_DOWN: i64 = 25;

/// The element.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct AtLimit {
    since: Option<Mono>,
}

impl AtLimit {
    /// Forgets everything.
    pub(crate) fn reset(&mut self) {
        self.since = None;
    }

    /// A good sample of current, with the voltage of the moment; `inrush` blocks.
    pub(crate) fn handle_sample(
        &mut self,
        settings: &Settings,
        (now, amps): (Mono, Microamps),
        volts: Option<Millivolts>,
        inrush: bool,
    ) -> Option<Cause> {
        let held = settings.limited
            && settings.residual < amps
            && volts.is_some_and(|volts| volts < settings.volts.percent(HELD_DOWN));
        if inrush || !(held || settings.at_limit < amps) {
            self.since = None;
            return None;
        }
        let since = *self.since.get_or_insert(now);
        let lasted = now.since(since);
        (settings.at_limit_after <= lasted).then_some(Cause::AtLimit {
            seen: amps,
            limit: settings.limit,
            lasted,
        })
    }

    /// When it began, while it lasts.
    pub(crate) const fn since(&self) -> Option<Mono> {
        self.since
    }
}
