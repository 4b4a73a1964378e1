//! Occupancy of one block, from its current or from a yes/no detector, with hysteresis and time.

use wiring::{
    protection::Protection,
    units::{Microamps, Micros, Mono},
};

use crate::output::Occupancy;

/// Thresholds and times of one block.
#[derive(Clone, Copy, Debug)]
pub(crate) struct OccupancySettings {
    /// Standing load, taken off every reading.
    pub(crate) standing: Microamps,
    /// Occupied above.
    pub(crate) above: Microamps,
    /// For so long.
    pub(crate) above_for: Micros,
    /// Clear below.
    pub(crate) below: Microamps,
    /// For so long.
    pub(crate) below_for: Micros,
}

impl OccupancySettings {
    /// From the keys in force for the block.
    pub(crate) const fn new(protection: &Protection, standing: Microamps) -> Self {
        Self {
            standing,
            above: protection.occupied_above,
            above_for: protection.occupied_after,
            below: protection.clear_below,
            below_for: protection.clear_after,
        }
    }
}

/// Whether the block can be read.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Readable {
    /// It has power.
    Yes,
    /// Power is not known: a current shows a train, none shows nothing.
    Unknown,
    /// Unpowered, or its readings have stopped.
    No,
}

/// Occupancy of one block.
#[derive(Debug)]
pub(crate) struct Occupied {
    settings: OccupancySettings,
    readable: Readable,
    state: Occupancy,
    /// What the latest reading says, and since when it has said so without a break.
    says: Option<(bool, Mono)>,
    /// The block has a current sensor; a yes/no detector is then not used.
    by_current: bool,
    /// When raw current rose above the threshold, however short: the last time and the time before.
    edges: [Option<Mono>; 2],
}

impl Occupied {
    /// A block never read.
    pub(crate) const fn new(settings: OccupancySettings) -> Self {
        Self {
            settings,
            readable: Readable::Unknown,
            state: Occupancy::Unknown,
            says: None,
            by_current: false,
            edges: [None; 2],
        }
    }

    /// Other settings.
    pub(crate) fn resettle(&mut self, settings: OccupancySettings) {
        self.settings = settings;
    }

    /// A reading of its current.
    pub(crate) fn handle_current(&mut self, amps: Microamps, now: Mono) {
        self.by_current = true;
        let amps = amps - self.settings.standing;
        let before = self.says.map(|(says, _)| says);
        if amps > self.settings.above {
            if before != Some(true) {
                self.edges = [Some(now), self.edges[0]];
            }
            self.say(true, now);
        } else if amps < self.settings.below {
            self.say(false, now);
        } else if before.is_some_and(|says| says != self.is_occupied()) {
            // Between the thresholds neither side is confirmed: what was under way starts again.
            self.says = None;
        }
    }

    /// A reading of a yes/no detector; it counts where there is no current.
    pub(crate) fn handle_detector(&mut self, occupied: bool, now: Mono) {
        if self.by_current {
            return;
        }
        if occupied && self.says.is_none_or(|(says, _)| !says) {
            self.edges = [Some(now), self.edges[0]];
        }
        self.say(occupied, now);
    }

    fn say(&mut self, occupied: bool, now: Mono) {
        if self.says.is_none_or(|(says, _)| says != occupied) {
            self.says = Some((occupied, now));
        }
    }

    /// Power came, went, or readings stopped.
    pub(crate) fn handle_readable(&mut self, readable: Readable) {
        if self.readable == readable {
            return;
        }
        self.readable = readable;
        self.says = None;
        if readable == Readable::No {
            self.state = match self.state {
                Occupancy::Unknown => Occupancy::Unknown,
                Occupancy::Clear => Occupancy::Held { occupied: false },
                Occupancy::Occupied => Occupancy::Held { occupied: true },
                held @ Occupancy::Held { .. } => held,
            };
        }
    }

    /// Settles what fell due at `now`.
    pub(crate) fn handle_timeout(&mut self, now: Mono) {
        if self.poll_deadline().is_none_or(|due| now < due) {
            return;
        }
        if let Some((occupied, _)) = self.says {
            self.state = if occupied { Occupancy::Occupied } else { Occupancy::Clear };
        }
    }

    /// When the state changes if readings stay as they are.
    pub(crate) fn poll_deadline(&self) -> Option<Mono> {
        let (occupied, since) = self.says?;
        let told = match self.readable {
            Readable::Yes => true,
            Readable::Unknown => occupied || !self.by_current,
            Readable::No => false,
        };
        let state = if occupied { Occupancy::Occupied } else { Occupancy::Clear };
        let after = if occupied { self.settings.above_for } else { self.settings.below_for };
        (told && self.state != state).then(|| since + after)
    }

    /// The state.
    pub(crate) const fn state(&self) -> Occupancy {
        self.state
    }

    /// Occupied, or held as occupied.
    pub(crate) const fn is_occupied(&self) -> bool {
        matches!(self.state, Occupancy::Occupied | Occupancy::Held { occupied: true })
    }

    /// A wheel may stand in it: anything but read and clear.
    pub(crate) fn may_be_occupied(&self) -> bool {
        self.state != Occupancy::Clear || self.says.is_some_and(|(says, _)| says)
    }

    /// When raw current last rose, also too short to count.
    pub(crate) const fn latest_edge(&self) -> Option<Mono> {
        self.edges[0]
    }

    /// When raw current last rose before `at`, also too short to count.
    pub(crate) fn edge_before(&self, at: Mono) -> Option<Mono> {
        self.edges.into_iter().flatten().find(|edge| *edge < at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn occupied_above_for_its_time_and_clear_below_for_its_own() {
        check("0:10 30:10 60:10 100:0 600:0 1200:0", "50 yes; 1100 no");
    }

    #[test]
    fn a_short_flicker_is_neither() {
        check("0:10 100:0 130:10 140:0 200:10", "50 yes");
        check("0:0 1200:9 1230:0 3000:0", "1000 no");
    }

    #[test]
    fn between_the_thresholds_nothing_changes() {
        check("0:10 100:3 5000:3", "50 yes");
        check("0:0 1500:3 1600:3 4000:3", "1000 no");
    }

    #[test]
    fn an_unpowered_block_is_held_and_never_clear() {
        check("0:10 100:off 200:0 5000:0", "50 yes; 100 yes held");
        check("0:10 100:off 5000:on 5001:0 7000:0", "50 yes; 100 yes held; 6001 no");
        check("0:off 100:0 5000:0", "");
    }

    #[test]
    fn with_power_unknown_no_current_says_nothing() {
        check("0:? 10:0 3000:0 3100:10 3200:10", "3150 yes");
    }

    #[track_caller]
    fn check(events: &str, want: &str) {
        let ms = |text: &str| Mono(text.parse::<u64>().unwrap() * 1000);
        let settings = OccupancySettings::new(&Protection::default(), Microamps(0));
        let mut sut = Occupied::new(settings);
        sut.handle_readable(Readable::Yes);
        let mut got = Vec::new();
        let mut shown = Occupancy::Unknown;
        let mut note = |at: Mono, sut: &Occupied| {
            if sut.state() != shown {
                shown = sut.state();
                let held = if shown.is_held() { " held" } else { "" };
                got.push(format!("{} {}{held}", at.0 / 1000, shown.word()));
            }
        };
        for event in events.split_whitespace() {
            let (at, what) = event.split_once(':').unwrap();
            let at = ms(at);
            while let Some(due) = sut.poll_deadline().filter(|due| *due <= at) {
                sut.handle_timeout(due);
                note(due, &sut);
            }
            match what {
                "off" => sut.handle_readable(Readable::No),
                "on" => sut.handle_readable(Readable::Yes),
                "?" => sut.handle_readable(Readable::Unknown),
                milliamps => {
                    sut.handle_current(Microamps::from_milliamps(milliamps.parse().unwrap()), at);
                }
            }
            note(at, &sut);
        }
        assert_eq!(got.join("; "), want);
    }
}
