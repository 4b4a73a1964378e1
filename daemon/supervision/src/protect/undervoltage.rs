//! `undervoltage` (27): voltage below its limit while current flows. An alarm, never a cut.

use wiring::units::{Millivolts, Mono};

use super::settings::{DC_LEAST, Settings};

/// Above the limit by this part it is over. Unit: percent of booster volts.
const MARGIN: i64 = 2;

/// The element.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Undervoltage {
    since: Option<Mono>,
    stands: bool,
}

impl Undervoltage {
    /// Forgets everything: power is off.
    pub(crate) fn reset(&mut self) {
        *self = Self::default();
    }

    /// Voltage or current changed.
    pub(crate) fn handle(
        &mut self,
        settings: &Settings,
        now: Mono,
        volts: Millivolts,
        flows: bool,
    ) {
        // On a DC layout the throttle sets the voltage: a low one is an order, not a fault.
        let judged = !settings.dc || DC_LEAST <= volts;
        if judged && flows && volts < settings.low_voltage {
            self.since.get_or_insert(now);
        } else if !flows || settings.low_voltage + settings.volts.percent(MARGIN) <= volts {
            self.reset();
        } else if !self.stands {
            self.since = None;
        }
    }

    /// Settles what fell due.
    pub(crate) fn handle_timeout(&mut self, settings: &Settings, now: Mono) {
        self.stands |= self.since.is_some_and(|since| since + settings.low_voltage_after <= now);
    }

    /// When it becomes an alarm if nothing changes.
    pub(crate) fn poll_deadline(&self, settings: &Settings) -> Option<Mono> {
        self.since.filter(|_| !self.stands).map(|since| since + settings.low_voltage_after)
    }

    /// Low, however long.
    pub(crate) const fn sags(&self) -> bool {
        self.since.is_some()
    }

    /// Low for its time.
    pub(crate) const fn stands(&self) -> bool {
        self.stands
    }
}
