//! The thermal image of one pole (IEEE C37.2: 49), its hits, and what is shown of it.

use circuit::thermal::Image;
use wiring::{
    material::{SILVER_MELTS, SILVER_SOFTENS},
    units::{MicroA2s, Microamps, Microohms, Micros, Mono},
};

/// A current stands for at most this long without another reading.
const LONGEST_SAMPLE: Micros = Micros::from_millis(1000);
/// An image below this is cold.
const COLD: f64 = 1e-4;
/// The load is shown at most this often.
const SHOWN_EVERY: Micros = Micros::from_millis(100);

/// What one pole stands.
#[derive(Clone, Copy, Debug)]
pub(crate) struct ContactSettings {
    /// Continuous rating.
    pub(crate) rating: Microamps,
    /// Of the image.
    pub(crate) time_constant: Micros,
    /// Of one closed contact.
    pub(crate) resistance: Microohms,
    /// Image at which the warning is raised.
    pub(crate) warning: f64,
}

/// Currents through a pole, as its frog's readings or estimates give them.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Through {
    /// All of it.
    pub(crate) amps: Microamps,
    /// The part of it that is a fault.
    pub(crate) fault: Microamps,
    /// Not measured at the frog.
    pub(crate) estimated: bool,
}

/// A fault current while a pole carries it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stress {
    /// Image before it.
    pub(crate) before: f64,
    /// The image as it would be without it, and as of when: one reading alone proves no fault.
    alone: Image,
    alone_at: Mono,
    /// Highest image since.
    pub(crate) after: f64,
    /// Energy. Unit: A2s.
    pub(crate) energy: f64,
    /// Highest current.
    pub(crate) amps: Microamps,
    /// Not measured at the frog.
    pub(crate) estimated: bool,
    /// Samples above nothing.
    pub(crate) samples: u32,
}

/// The image of one pole.
#[derive(Clone, Debug)]
pub(crate) struct Contact {
    settings: ContactSettings,
    image: Image,
    at: Mono,
    through: Through,
    stress: Option<Stress>,
    warned: bool,
    shown: u16,
    shown_at: Option<Mono>,
    /// Fault currents carried since the ledger began.
    pub(crate) hits: u32,
    /// Their energy.
    pub(crate) energy: MicroA2s,
}

impl Contact {
    /// A cold one.
    pub(crate) fn new(settings: ContactSettings) -> Self {
        Self {
            settings,
            image: Image::default(),
            at: Mono::START,
            through: Through::default(),
            stress: None,
            warned: false,
            shown: 0,
            shown_at: None,
            hits: 0,
            energy: MicroA2s::ZERO,
        }
    }

    /// Other settings. The image stays.
    pub(crate) fn resettle(&mut self, settings: ContactSettings) {
        self.settings = settings;
    }

    /// `through` flowed since the last reading: a reading is the mean over the time since the one before.
    pub(crate) fn carry(&mut self, through: Through, now: Mono) {
        let nothing = through.amps == Microamps::ZERO && self.through.amps == Microamps::ZERO;
        if nothing && self.image.theta < COLD && self.stress.is_none() {
            self.at = now;
            self.through = through;
            return;
        }
        let span = now.since(self.at);
        let covered = span.min(LONGEST_SAMPLE);
        if covered < span {
            // Nothing was heard for longer: no current is known for that time.
            self.image.advance(0.0, span - covered, self.settings.time_constant);
        }
        let multiple = through.amps.0 as f64 / self.settings.rating.0.max(1) as f64;
        self.image.advance(multiple, covered, self.settings.time_constant);
        if let Some(stress) = &mut self.stress {
            let load =
                (through.amps - through.fault).0 as f64 / self.settings.rating.0.max(1) as f64;
            let since = now.since(stress.alone_at).min(LONGEST_SAMPLE);
            stress.alone.advance(load, since, self.settings.time_constant);
            stress.alone_at = now;
            stress.after = stress.after.max(self.image.theta);
            if Microamps::ZERO < through.fault {
                stress.amps = stress.amps.max(through.amps);
                stress.energy += through.amps.amps().powi(2) * covered.seconds();
                stress.samples = stress.samples.saturating_add(1);
                stress.estimated |= through.estimated;
            }
        }
        self.at = now;
        self.through = through;
    }

    /// Lets time pass at the current known last, which fades to none when no more is heard.
    pub(crate) fn pass(&mut self, now: Mono) {
        self.carry(Through { fault: Microamps::ZERO, ..self.through }, now);
    }

    /// Current is gone.
    pub(crate) fn handle_off(&mut self, now: Mono) {
        self.carry(self.through, now);
        self.through = Through::default();
    }

    /// A fault current may have begun to flow through it right after `since`, the last good reading without it. The
    /// time since then is charged with it: a reading is the mean over the time since the one before, and one taken at
    /// an instant may have missed all but the end. Load that was charged for that time counts twice, which is little.
    pub(crate) fn begin_stress(&mut self, since: Mono, now: Mono) {
        if self.stress.is_some() {
            return;
        }
        let mut alone = self.clone();
        alone.pass(now);
        if self.at < since {
            self.pass(since);
        }
        self.at = self.at.min(since);
        let theta = self.image.theta;
        self.stress = Some(Stress {
            before: theta,
            alone: alone.image,
            alone_at: now,
            after: theta,
            energy: 0.0,
            amps: Microamps::ZERO,
            estimated: false,
            samples: 0,
        });
    }

    /// The fault is over: what it did. With fewer readings of it than `least` there was none, and the image is as it
    /// would be without.
    pub(crate) fn end_stress(&mut self, least: u32) -> Option<Stress> {
        let stress = self.stress.take()?;
        if stress.samples < least {
            self.image = stress.alone;
            return None;
        }
        Some(stress)
    }

    /// Counts hits into the ledger.
    pub(crate) fn count(&mut self, hits: u32, energy: MicroA2s) {
        self.hits = self.hits.saturating_add(hits);
        self.energy = self.energy + energy;
    }

    /// The budget is spent, by a current that may cut: a measured one, or the fault part of an estimate.
    pub(crate) fn trips(&self) -> bool {
        self.image().is_full() && (!self.through.estimated || Microamps::ZERO < self.through.fault)
    }

    /// The warning stands: from its level until well below it.
    pub(crate) fn warns(&mut self) -> bool {
        let margin = if self.warned { 0.05 } else { 0.0 };
        self.warned = self.settings.warning - margin <= self.image().theta;
        self.warned
    }

    /// The warning stood when it was asked last.
    pub(crate) const fn is_warned(&self) -> bool {
        self.warned
    }

    /// The image, as far as it is proved: a fault counts from its second reading.
    pub(crate) fn image(&self) -> Image {
        match &self.stress {
            Some(stress) if stress.samples < 2 => stress.alone,
            Some(_) | None => self.image,
        }
    }

    /// The image as it is at `now`.
    pub(crate) fn image_at(&self, now: Mono) -> Image {
        let mut it = self.clone();
        it.pass(now);
        it.image()
    }

    /// The current known last.
    pub(crate) const fn through(&self) -> Through {
        self.through
    }

    /// Settings.
    pub(crate) const fn settings(&self) -> &ContactSettings {
        &self.settings
    }

    /// Not cold, or shown as not cold.
    pub(crate) fn is_warm(&self) -> bool {
        COLD <= self.image.theta || self.shown != 0
    }

    /// The load in percent, if it is worth showing again at `now`.
    pub(crate) fn poll_load(&mut self, now: Mono) -> Option<u16> {
        let percent = (self.image().theta * 100.0).round().clamp(0.0, 65_000.0) as u16;
        let due = self.shown_at.is_none_or(|shown| shown + SHOWN_EVERY <= now);
        if percent == self.shown || !due {
            return None;
        }
        self.shown = percent;
        self.shown_at = Some(now);
        Some(percent)
    }
}

impl Stress {
    /// Voltage across the contact at the highest current.
    fn drop_volts(&self, settings: &ContactSettings) -> f64 {
        self.amps.amps() * settings.resistance.ohms()
    }

    /// The touching spot of silver softened. Holm: 0.09 V.
    pub(crate) fn softens(&self, settings: &ContactSettings) -> bool {
        SILVER_SOFTENS < self.drop_volts(settings)
    }

    /// It melted. Holm: 0.37 V.
    pub(crate) fn melts(&self, settings: &ContactSettings) -> bool {
        SILVER_MELTS < self.drop_volts(settings)
    }

    /// Energy as the ledger counts it.
    pub(crate) fn micro_a2s(&self) -> MicroA2s {
        MicroA2s((self.energy * 1e6).round().clamp(0.0, 1e18) as u64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// supervision.md: one 1 A pole (time constant 2 s) from cold stands 5 A for 82 ms and 8 A for 31 ms; equation of
    /// IEC 60255-149.
    #[test]
    fn a_pole_is_full_when_the_published_equation_says_so() {
        let cases = [(5.0, 81, false), (5.0, 82, true), (8.0, 31, false), (8.0, 32, true)];
        for (amps, ms, want) in cases {
            let mut sut = cold();
            sut.carry(flow(amps, amps, true), Mono(ms * 1000));
            assert_eq!(sut.trips(), want, "{amps} A for {ms} ms");
        }
    }

    #[test]
    fn load_alone_warns_and_an_estimate_trips_by_its_fault_part_only() {
        for (fault, estimated, want) in [(0.0, true, false), (0.5, true, true), (0.0, false, true)]
        {
            let mut sut = cold();
            for second in 1..20 {
                sut.carry(flow(1.5, fault, estimated), Mono(second * 1_000_000));
            }
            assert!(sut.warns());
            assert_eq!(sut.trips(), want, "fault {fault} A, estimated {estimated}");
        }
    }

    /// The true current rises somewhere between two readings; each reading after the first is the current itself. The
    /// image is never behind the truth, and at most one period's charge before it.
    #[test]
    fn an_image_is_never_behind_a_fault_that_began_between_two_readings() {
        const PERIOD: u64 = 20_000;
        for rises in (0..PERIOD).step_by(2500) {
            let mut sut = cold();
            sut.carry(flow(0.6, 0.0, true), Mono(1_000_000));
            let mut truth = sut.clone();
            let step = Mono(1_000_000 + rises);
            truth.carry(flow(0.6, 0.0, true), step);
            sut.begin_stress(Mono(1_000_000), Mono(1_000_000 + PERIOD));
            for nth in 1..4 {
                let now = Mono(1_000_000 + nth * PERIOD);
                truth.carry(flow(5.0, 4.4, true), now);
                sut.carry(flow(5.0, 4.4, true), now);
                let ahead = sut.image.theta - truth.image.theta;
                assert!((0.0..0.26).contains(&ahead), "{rises} us, reading {nth}: {ahead}");
            }
        }
    }

    /// A wheel that bridges for a moment shows in one reading: neither a warning nor a cut, and nothing is left of it.
    #[test]
    fn one_reading_of_a_fault_leaves_no_trace_in_the_image() {
        let mut sut = cold();
        sut.carry(flow(0.6, 0.0, true), Mono(1_000_000));
        let mut without = sut.clone();
        sut.begin_stress(Mono(1_000_000), Mono(1_250_000));
        sut.carry(flow(9.0, 8.4, true), Mono(1_250_000));
        assert!(!sut.trips() && !sut.warns() && 1.0 < sut.image.theta);
        sut.carry(flow(0.6, 0.0, true), Mono(1_500_000));
        assert!(sut.end_stress(2).is_none());
        without.carry(flow(0.6, 0.0, true), Mono(1_500_000));
        assert!((sut.image().theta - without.image().theta).abs() < 1e-3);
    }

    #[test]
    fn a_second_reading_of_a_fault_trips() {
        let mut sut = cold();
        sut.begin_stress(Mono(0), Mono(20_000));
        sut.carry(flow(9.0, 9.0, true), Mono(20_000));
        assert!(!sut.trips());
        sut.carry(flow(9.0, 9.0, true), Mono(40_000));
        assert!(sut.trips());
    }

    #[test]
    fn silence_is_no_current() {
        let mut sut = cold();
        sut.carry(flow(0.9, 0.0, false), Mono(1_000_000));
        let before = sut.image().theta;
        sut.pass(Mono(2_000_000));
        assert!(before < sut.image().theta);
        sut.pass(Mono(60_000_000));
        sut.handle_off(Mono(60_000_001));
        sut.pass(Mono(100_000_000));
        assert!(sut.image().theta < 0.01);
    }

    fn cold() -> Contact {
        Contact::new(ContactSettings {
            rating: Microamps(1_000_000),
            time_constant: Micros::from_millis(2000),
            resistance: Microohms(30_000),
            warning: 0.8,
        })
    }

    fn flow(amps: f64, fault: f64, estimated: bool) -> Through {
        let (amps, fault) = (Microamps::from_amps(amps), Microamps::from_amps(fault));
        Through { amps, fault, estimated }
    }
}
