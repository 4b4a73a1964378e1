//! Sums of currents that should agree (Kirchhoff): a sensor lies, or a feed bypasses its detector. Which sensor it is,
//! where two sums that share it tell.

use wiring::{
    index::{BlockIx, DistrictIx},
    units::{Microamps, Micros, Mono},
};

use crate::alarm::WrongSensor;

/// One sum: a feed against what it feeds.
#[derive(Debug)]
pub(crate) struct Residual {
    tolerance: Microamps,
    after: Micros,
    since: Option<Mono>,
    stands: bool,
    shown: bool,
    /// What the whole shows above its parts; none where a reading is missing.
    gap: Option<Microamps>,
    /// Both sides when they disagreed last.
    pub(crate) seen: (Microamps, Microamps),
}

impl Residual {
    /// With a tolerance and the time that a disagreement must last.
    pub(crate) const fn new(tolerance: Microamps, after: Micros) -> Self {
        let seen = (Microamps::ZERO, Microamps::ZERO);
        Self { tolerance, after, since: None, stands: false, shown: false, gap: None, seen }
    }

    /// Other settings.
    pub(crate) fn resettle(&mut self, tolerance: Microamps, after: Micros) {
        self.tolerance = tolerance;
        self.after = after;
    }

    /// Both sides; none where a reading is missing: then nothing can be said.
    pub(crate) fn handle(&mut self, sides: Option<(Microamps, Microamps)>, now: Mono) {
        self.gap = sides.map(|(whole, parts)| whole - parts);
        match sides.filter(|_| self.is_apart()) {
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

    /// Both sides are known, and they do not agree at this moment.
    pub(crate) fn is_apart(&self) -> bool {
        self.gap.is_some_and(|gap| self.tolerance.0 < gap.0.abs())
    }

    /// Both sides are known, and they agree.
    pub(crate) fn agrees(&self) -> bool {
        self.gap.is_some() && !self.is_apart()
    }

    /// A sensor that is in both sums, here as the whole and in `above` as a part, explains both: what it shows too much
    /// in the one it shows too little in the other.
    fn is_mirrored(&self, above: &Self) -> bool {
        let (Some(here), Some(there)) = (self.gap, above.gap) else { return false };
        let left = (here + there).0.abs();
        self.is_apart() && above.is_apart() && left <= self.tolerance.0.max(above.tolerance.0)
    }

    /// Settles what fell due.
    pub(crate) fn handle_timeout(&mut self, now: Mono) {
        self.stands |= self.since.is_some_and(|since| since + self.after <= now);
    }

    /// When a disagreement has lasted long enough.
    pub(crate) fn poll_deadline(&self) -> Option<Mono> {
        self.since.filter(|_| !self.stands).map(|since| since + self.after)
    }

    /// Whether it stands by itself, if that is to be shown again. One that another sum explains is not shown.
    pub(crate) fn poll_shown(&mut self, explained: bool) -> Option<bool> {
        let shows = self.stands && !explained;
        (self.shown != shows).then(|| {
            self.shown = shows;
            shows
        })
    }

    /// The sums do not agree.
    pub(crate) const fn stands(&self) -> bool {
        self.stands
    }
}

/// Judges a district's sum beside that of its booster, none where the booster is not measured. `readings` are those
/// of its blocks.
pub(crate) fn of_district(
    own: &Residual,
    above: &Residual,
    readings: impl Iterator<Item = (BlockIx, Microamps)>,
) -> WrongSensor {
    if own.is_mirrored(above) {
        return WrongSensor::Own;
    }
    let Some(gap) = own.gap.filter(|_| own.is_apart() && above.agrees()) else {
        return WrongSensor::Unknown;
    };
    if Microamps::ZERO < gap {
        return WrongSensor::Parts;
    }
    // The blocks show too much: one that shows less than that cannot be the one.
    let least = Microamps(-gap.0) - own.tolerance;
    let mut able = readings.filter(|(_, amps)| least <= *amps);
    match (able.next(), able.next()) {
        (Some((block, _)), None) => WrongSensor::Block(block),
        (Some(_) | None, _) => WrongSensor::Parts,
    }
}

/// Judges a booster's sum beside those of its districts.
pub(crate) fn of_booster<'a>(
    own: &Residual,
    districts: impl Iterator<Item = (DistrictIx, &'a Residual)> + Clone,
) -> WrongSensor {
    let mut mirrored = districts.clone().filter(|(_, it)| it.is_mirrored(own));
    if let (Some((district, _)), None) = (mirrored.next(), mirrored.next()) {
        return WrongSensor::District(district);
    }
    let all_agree = districts.clone().all(|(_, it)| it.agrees());
    if own.is_apart() && all_agree { WrongSensor::Own } else { WrongSensor::Unknown }
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

    /// By Kirchhoff's current law: booster, districts, blocks of the first district, and who must be wrong, as the
    /// first district's sum and the booster's sum tell it. Milliamperes.
    #[test]
    fn two_sums_that_share_a_sensor_name_it() {
        type Case = (i64, [i64; 2], [i64; 2], &'static str, &'static str);
        let cases: [Case; 7] = [
            (900, [1200, 300], [300, 300], "own", "district 0"),
            (900, [200, 300], [300, 300], "own", "district 0"),
            // The booster confirms the district: a block is wrong, or a feed bypasses it.
            (900, [600, 300], [300, 0], "parts", "unknown"),
            (900, [600, 300], [900, 100], "block 0", "unknown"),
            (900, [600, 300], [600, 500], "parts", "unknown"),
            // The districts are confirmed by their blocks.
            (1500, [600, 300], [300, 300], "unknown", "own"),
            // Both are apart, but not by the same sensor.
            (1900, [600, 300], [300, 0], "unknown", "unknown"),
        ];
        for (booster, districts, blocks, of_one, of_all) in cases {
            let amps = |it: i64| Microamps(it * 1000);
            let sum = |whole: i64, parts: i64| {
                let mut it = Residual::new(Microamps(50_000), Micros(3000));
                it.handle(Some((amps(whole), amps(parts))), Mono(0));
                it
            };
            let above = sum(booster, districts.iter().sum());
            let first = sum(districts[0], blocks.iter().sum());
            let second = sum(districts[1], districts[1]);
            let readings = blocks.iter().enumerate().map(|(at, it)| (BlockIx::new(at), amps(*it)));
            assert_eq!(show(of_district(&first, &above, readings)), of_one, "{blocks:?}");
            let below = [(DistrictIx(0), &first), (DistrictIx(1), &second)];
            assert_eq!(show(of_booster(&above, below.into_iter())), of_all, "{booster}");
        }
    }

    fn show(wrong: WrongSensor) -> String {
        match wrong {
            WrongSensor::Unknown => "unknown".to_owned(),
            WrongSensor::Own => "own".to_owned(),
            WrongSensor::Parts => "parts".to_owned(),
            WrongSensor::Block(it) => format!("block {}", it.at()),
            WrongSensor::District(it) => format!("district {}", it.at()),
        }
    }
}
