//! What the trends are drawn from: the current of each district, a minute long.

use std::{collections::VecDeque, sync::Arc, time::Instant};

use supervision::{cause::Cause, snapshot::DistrictLoad};
use wiring::units::Microamps;

use crate::window::BEAT;

/// Points of a trend: one minute.
const POINTS: usize = 600;

/// Currents of all districts at one instant. Unit: mA; none where nothing fresh is known.
type Row = Arc<[Option<i64>]>;

/// The rows of a minute. A copy shares them.
#[derive(Clone, Debug)]
pub(crate) struct Trail {
    rows: VecDeque<Row>,
    /// When the newest was noted.
    noted: Instant,
    /// Why each district was last cut: a new cause is a cut that the trend must show.
    causes: Vec<Option<Cause>>,
}

impl Trail {
    /// What the districts are off for at the beginning was cut before it.
    pub(crate) fn new(causes: Vec<Option<Cause>>) -> Self {
        Self { rows: VecDeque::with_capacity(POINTS), noted: Instant::now(), causes }
    }

    /// A district's point is what it draws, or what it was cut for since the last row: that is over within milliseconds,
    /// and ten points a second would miss it.
    pub(crate) fn note(&mut self, loads: &[DistrictLoad]) {
        let points = loads.iter().zip(&mut self.causes).map(|(load, known)| {
            let is_new = *known != load.cause;
            *known = load.cause;
            let peak = load.cause.filter(|_| is_new).and_then(seen);
            let now = load.current.filter(|it| !it.stale).map(|it| it.value);
            now.max(peak).map(|amps| amps.0 / 1000)
        });
        let row = points.collect();
        if self.rows.len() == POINTS {
            self.rows.pop_front();
        }
        self.rows.push_back(row);
        self.noted = Instant::now();
    }

    /// Points by district, oldest first. Where the shell notes nothing any more, what came since is a gap.
    pub(crate) fn trends(&self) -> Vec<Vec<Option<i64>>> {
        let beats = self.noted.elapsed().as_millis() / BEAT.as_millis();
        let gap = usize::try_from(beats).unwrap_or(POINTS).saturating_sub(1).min(POINTS);
        let over = (self.rows.len() + gap).saturating_sub(POINTS);
        let district = |nth: usize| {
            let points = self.rows.iter().skip(over).map(|row| row.get(nth).copied().flatten());
            points.chain(std::iter::repeat_n(None, gap)).collect()
        };
        (0..self.causes.len()).map(district).collect()
    }
}

/// The current that a cut was ordered for, where one was measured in its district.
const fn seen(cause: Cause) -> Option<Microamps> {
    match cause {
        Cause::Short { seen, .. }
        | Cause::AtLimit { seen, .. }
        | Cause::Overload { seen, .. }
        | Cause::TestLimit { seen, .. }
        | Cause::TrippedElsewhere { seen } => Some(seen),
        Cause::CutFailure { seen, .. } => seen,
        Cause::HalfShort { .. }
        | Cause::Contact { .. }
        | Cause::Mismatch { .. }
        | Cause::PowerGone { .. }
        | Cause::Stale
        | Cause::LowVoltage { .. }
        | Cause::Operator
        | Cause::Shutdown
        | Cause::Retry(_)
        | Cause::Start => None,
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use supervision::snapshot::Measured;
    use wiring::units::Mono;

    use super::*;

    fn load(milliamps: Option<i64>, cause: Option<Cause>) -> DistrictLoad {
        let current = milliamps.map(|it| Measured {
            value: Microamps(it * 1000),
            at: Mono::START,
            stale: false,
        });
        DistrictLoad { current, cause }
    }

    #[test]
    fn a_cut_stands_in_one_point_and_a_stale_current_in_none() {
        let before = Cause::TrippedElsewhere { seen: Microamps(9_000_000) };
        let mut sut = Trail::new(vec![None, None, Some(before)]);
        let was_cut = load(Some(0), Some(before));
        let cut = Cause::TrippedElsewhere { seen: Microamps(4_620_000) };
        let mut old = load(Some(200), None);
        old.current.as_mut().unwrap().stale = true;
        sut.note(&[load(Some(300), None), load(Some(200), None), was_cut]);
        sut.note(&[load(Some(0), Some(cut)), old, was_cut]);
        sut.note(&[load(Some(0), Some(cut)), load(None, None), was_cut]);
        let wanted =
            [vec![Some(300), Some(4620), Some(0)], vec![Some(200), None, None], vec![Some(0); 3]];
        assert_eq!(sut.trends(), wanted);
    }

    #[test]
    fn a_minute_is_kept_and_silence_is_a_gap_at_its_end() {
        let mut sut = Trail::new(vec![None]);
        (0..700).for_each(|it| sut.note(&[load(Some(it), None)]));
        assert_eq!(sut.trends()[0].len(), POINTS);
        assert_eq!(sut.trends()[0][0], Some(100));
        sut.noted -= Duration::from_secs(10);
        let trend = &sut.trends()[0];
        assert_eq!((trend.len(), trend[500], trend[501]), (POINTS, Some(699), None));
        sut.noted -= Duration::from_secs(3600);
        assert_eq!(sut.trends()[0], vec![None; POINTS]);
    }
}
