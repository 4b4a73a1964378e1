//! Alarms that come together: which was the first, which stand under it, and how many come in ten minutes.

use std::collections::VecDeque;

use wiring::{
    index::DistrictIx,
    units::{Micros, Mono},
};

use crate::alarm::AlarmKey;

/// Alarms of one district within this time share one first-out.
const FIRST_OUT: Micros = Micros::from_millis(500);
/// More than this many ...
const GATHERED: usize = 10;
/// ... from one district within this time stand under its first-out.
const GATHERING: Micros = Micros::from_millis(10_000);
/// More than ten in this time are a flood (ISA-18.2; a sliding window).
const FLOOD: Micros = Micros::from_millis(600_000);
/// Instants kept for counting.
const COUNTED: usize = 256;

/// One alarm as it was raised.
#[derive(Clone, Copy, Debug)]
struct Raised {
    at: Mono,
    district: Option<DistrictIx>,
    key: AlarmKey,
}

/// Place of an alarm among those that came with it.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) struct Place {
    /// First of its burst.
    pub(super) first_out: bool,
    /// Gathered under this one.
    pub(super) under: Option<AlarmKey>,
}

/// What was raised lately.
#[derive(Debug, Default)]
pub(super) struct Bursts {
    recent: VecDeque<Raised>,
}

impl Bursts {
    /// An alarm is raised. One that belongs to no district is neither first nor gathered.
    pub(super) fn handle_raised(
        &mut self,
        key: AlarmKey,
        district: Option<DistrictIx>,
        now: Mono,
    ) -> Place {
        let old = |it: &Raised| FLOOD < now.since(it.at);
        while self.recent.front().is_some_and(old) || COUNTED <= self.recent.len() {
            self.recent.pop_front();
        }
        let within = |span: Micros| {
            let near = move |it: &&Raised| it.district == district && now.since(it.at) <= span;
            self.recent.iter().filter(near)
        };
        let first_out = district.is_some() && within(FIRST_OUT).next().is_none();
        let gathered = district.is_some() && within(GATHERING).count() >= GATHERED;
        let under = within(GATHERING).map(|it| it.key).find(|_| gathered);
        self.recent.push_back(Raised { at: now, district, key });
        Place { first_out, under }
    }

    /// Raised in the ten minutes before `now`.
    pub(super) fn in_ten_minutes(&self, now: Mono) -> impl Iterator<Item = AlarmKey> {
        self.recent.iter().filter(move |it| now.since(it.at) <= FLOOD).map(|it| it.key)
    }

    /// Raisings that are kept.
    pub(super) fn held(&self) -> usize {
        self.recent.len()
    }
}
