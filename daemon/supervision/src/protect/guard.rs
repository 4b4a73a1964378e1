//! All elements of one district, fed by its samples: one verdict a sample.

use wiring::units::{Microamps, Micros, Millivolts, Mono};

use super::{
    at_limit::AtLimit,
    baseline::Baseline,
    half_short::HalfShort,
    inrush::Inrush,
    overload::Overload,
    settings::{DC_LEAST, Settings},
    short::{Armed, Rule, Short, Step},
    undervoltage::Undervoltage,
};
use crate::cause::{Cause, Element};

/// A breaker or booster that acts within this after `short` was armed acted on that fault.
const ELSEWHERE_WITHIN: Micros = Micros::from_millis(1000);
/// A breaker that opened on charging engines so often in a row, each within this of the one before, goes on without end:
/// with the third a person is wanted.
const MOST_CHARGES: u32 = 2;
const CHARGES_WITHIN: Micros = Micros::from_millis(10_000);
/// A voltage reading no older than this is followed by another soon: that one tells whether a breaker acted.
const VOLTS_WITHIN: Micros = Micros::from_millis(150);
/// A neighbour's short pulls voltage down here for so long at most, after it was armed.
const DIPS_WITHIN: Micros = Micros::from_millis(500);
/// Current that has fallen to this part of the load before it, by at least so much, shows that voltage dipped.
const DIPPED: i64 = 60;
const DIPPED_BY: Microamps = Microamps(50_000);
/// A step of this much counts for `mismatch`.
const NUDGE: Microamps = Microamps(500_000);

/// A good sample of the district's current.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sample {
    /// When.
    pub(crate) at: Mono,
    /// How much.
    pub(crate) amps: Microamps,
}

/// A decision to cut.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Trip {
    /// Why.
    pub(crate) cause: Cause,
    /// When what caused it began.
    pub(crate) onset: Mono,
    /// Fault current is current above this.
    pub(crate) pickup: Microamps,
    /// The load before it.
    pub(crate) base: Microamps,
}

/// What a sample led to.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Verdict {
    /// Cut.
    pub(crate) trip: Option<Trip>,
    /// An element picked up.
    pub(crate) picked_up: Option<Element>,
    /// It dropped out without a trip.
    pub(crate) dropped_out: Option<Element>,
    /// The fault part of the current: what flows above the load before a step under watch.
    pub(crate) fault: Option<Microamps>,
}

/// The guard of one district.
#[derive(Debug)]
pub(crate) struct Guard {
    settings: Settings,
    baseline: Baseline,
    short: Short,
    half_short: HalfShort,
    at_limit: AtLimit,
    overload: Overload,
    undervoltage: Undervoltage,
    inrush: Inrush,
    /// `short` was armed and dropped out: the breaker may be acting. Samples since that show current.
    recent: Option<(Armed, u32)>,
    volts: Option<(Mono, Millivolts)>,
    /// The voltage reading before the latest.
    volts_before: Option<Millivolts>,
    /// A breaker opened on engines that charge: when last, and how often in a row.
    on_charge: Option<(Mono, u32)>,
    /// Samples in a row above the step that counts for `mismatch`, and when two were seen last.
    nudging: u32,
    nudged: Option<Mono>,
    /// `short` was armed in a neighbour on the same booster.
    neighbour: Option<Mono>,
    last: Option<Sample>,
    /// When the sample before the last came.
    before_last: Option<Mono>,
    /// Low voltage and near overload as they were shown last.
    shown: (bool, bool),
}

impl Guard {
    /// Of a district.
    pub(crate) fn new(settings: Settings) -> Self {
        let baseline = Baseline::new(settings.window);
        Self {
            settings,
            baseline,
            short: Short::default(),
            half_short: HalfShort::default(),
            at_limit: AtLimit::default(),
            overload: Overload::default(),
            undervoltage: Undervoltage::default(),
            inrush: Inrush::default(),
            recent: None,
            volts: None,
            volts_before: None,
            on_charge: None,
            nudging: 0,
            nudged: None,
            neighbour: None,
            last: None,
            before_last: None,
            shown: (false, false),
        }
    }

    /// Other settings: elements that have picked up go on by them.
    pub(crate) fn resettle(&mut self, settings: Settings) {
        self.baseline.resettle(settings.window);
        self.settings = settings;
    }

    /// What was shown last: low voltage, near overload.
    pub(crate) const fn shown(&self) -> (bool, bool) {
        self.shown
    }

    /// It is shown.
    pub(crate) fn handle_shown(&mut self, low: bool, near: bool) {
        self.shown = (low, near);
    }

    /// What counts as no current follows the sensor's noise.
    pub(crate) fn handle_residual(&mut self, residual: Microamps) {
        self.settings.residual = residual;
    }

    /// Settings in force.
    pub(crate) const fn settings(&self) -> &Settings {
        &self.settings
    }

    /// A good sample while the district may be on. Only when a step is there `withstand` is asked for I_w, and
    /// `feeds_another` whether a wheel may have joined a dead district to this one, whose engines now charge from here.
    pub(crate) fn handle_current(
        &mut self,
        sample: Sample,
        feedback_off: bool,
        withstand: &dyn Fn() -> Option<Microamps>,
        feeds_another: &dyn Fn() -> bool,
    ) -> Verdict {
        let Sample { at, amps } = sample;
        self.notice_return(sample);
        let inrush = self.inrush.is_open(at);
        let low = self.baseline.low(at);
        let charges = || self.charges(sample, low) || feeds_another();
        let stepped = low.is_some_and(|low| self.settings.step <= amps - low);
        // In the window level alone counts, unless the load explains it: an overload is left to its curve.
        let is_more = stepped || !self.inrush.carries(amps - self.settings.step);
        let charging = (inrush && is_more) || (stepped && charges());
        let rule = if charging { Rule::Inrush } else { Rule::Normal };
        let step = self.short.handle_sample(&self.settings, (at, amps), low, rule, withstand);
        let trip = match step {
            Step::Trip(armed) => Some(short_trip(&armed)),
            Step::Dropped(armed) => self.dropped(armed, sample, feedback_off),
            Step::Idle => self.elsewhere(sample, feedback_off),
            Step::Armed | Step::Stays => None,
        };
        let trip = trip.or_else(|| self.delayed(sample, low, inrush));
        self.note(sample, low);
        Verdict {
            trip,
            picked_up: matches!(step, Step::Armed).then_some(Element::Short),
            dropped_out: matches!(step, Step::Dropped(_)).then_some(Element::Short),
            fault: self.fault_part(amps),
        }
    }

    /// A dead district draws again: power is back, and the voltage reading that says so comes later than the inrush.
    fn notice_return(&mut self, sample: Sample) {
        let residual = self.settings.residual;
        let was_dead = self.last.is_some_and(|last| last.amps < residual);
        let opened = self.on_charge.is_some_and(|(at, _)| sample.at.since(at) <= CHARGES_WITHIN);
        if (opened || self.inrush.has_fallen()) && was_dead && residual <= sample.amps {
            self.inrush.handle_back(&self.settings, sample.at);
        }
    }

    /// Engines charge where voltage comes up again: it has been low for long, or current dipped as `short` was armed in a
    /// neighbour. Voltage readings are too slow to show the return itself.
    fn charges(&self, sample: Sample, low: Option<Microamps>) -> bool {
        let near = self.neighbour.is_some_and(|armed| sample.at.since(armed) <= DIPS_WITHIN);
        let dipped = || {
            let load = self.baseline.load_before(sample.at)?;
            let low = low?;
            Some(low <= load.percent(DIPPED) && DIPPED_BY <= load - low)
        };
        self.undervoltage.stands() || (near && dipped() == Some(true))
    }

    /// The elements that take their time.
    fn delayed(&mut self, sample: Sample, low: Option<Microamps>, inrush: bool) -> Option<Trip> {
        let Sample { at, amps } = sample;
        // A neighbour's short pulls the load down for a moment: that it comes back is no step.
        let dips = self.neighbour.filter(|armed| at.since(*armed) <= DIPS_WITHIN);
        let before = dips.and_then(|armed| self.baseline.load_before(armed));
        let Self { settings, half_short, at_limit, overload, .. } = self;
        let volts = self.volts.map(|(_, volts)| volts);
        let judged = volts.filter(|volts| !settings.dc || DC_LEAST <= *volts);
        let sagging = judged.filter(|volts| *volts < settings.low_voltage);
        let floored = self.inrush.floored(at, low).max(before);
        let watched = half_short.watching().copied();
        let by_step = half_short.handle_sample(settings, (at, amps), floored, sagging);
        if inrush && watched.is_some() && half_short.watching().is_none() {
            self.inrush.handle_decay(settings.residual);
        }
        let by_limit_since = at_limit.since();
        let by_limit = at_limit.handle_sample(settings, (at, amps), volts, inrush);
        let by_curve = overload.handle_sample(settings, (at, amps));
        // Half of what flows too much: above it the fault still is fed, below it the proof decides.
        let made = |cause, onset: Option<Mono>, base: Microamps| Trip {
            cause,
            onset: onset.unwrap_or(at),
            pickup: base + (amps - base).percent(50),
            base,
        };
        if let Some(cause) = by_step {
            let was = watched.map_or(Microamps::ZERO, |it| it.base);
            return Some(made(cause, watched.map(|it| it.since), was));
        }
        if let Some(cause) = by_limit {
            return Some(made(cause, by_limit_since, Microamps::ZERO));
        }
        by_curve.map(|cause| made(cause, overload.onset(), Microamps::ZERO))
    }

    fn note(&mut self, sample: Sample, low: Option<Microamps>) {
        let Sample { at, amps } = sample;
        self.nudging =
            if low.is_some_and(|low| NUDGE <= amps - low) { self.nudging + 1 } else { 0 };
        if self.nudging >= 2 {
            self.nudged = Some(at);
        }
        self.baseline.push(at, amps);
        self.remember(sample);
        if let Some((_, volts)) = self.volts {
            let flows = self.settings.residual < amps;
            self.undervoltage.handle(&self.settings, at, volts, flows);
        }
    }

    fn dropped(&mut self, armed: Armed, sample: Sample, feedback_off: bool) -> Option<Trip> {
        self.recent = Some((armed, 0));
        self.elsewhere(sample, feedback_off)
    }

    /// `tripped elsewhere` (86): current is gone soon after `short` was armed, without an order of ours.
    fn elsewhere(&mut self, sample: Sample, feedback_off: bool) -> Option<Trip> {
        let (armed, others) = self.recent?;
        if ELSEWHERE_WITHIN < sample.at.since(armed.latest) {
            self.recent = None;
            return None;
        }
        if self.settings.residual <= sample.amps {
            // One sample between fault and nothing may be the average of both. Two are a load that goes on.
            self.recent = (others == 0).then_some((armed, 1));
            return None;
        }
        if self.has_charged(&armed, 0 < others) {
            return self.note_charge(&armed, sample.at);
        }
        self.acted_elsewhere(&armed, sample, feedback_off).then(|| elsewhere_trip(&armed))
    }

    /// What the breaker acted on were engines that charge: current fell as theirs does, or voltage climbed. A short holds
    /// both where they are.
    fn has_charged(&self, armed: &Armed, partial: bool) -> bool {
        let Some((taken, volts)) = self.volts.filter(|_| armed.rule == Rule::Inrush) else {
            return armed.rule == Rule::Inrush && armed.decayed(partial);
        };
        let climbs = armed.first < taken
            && self.settings.half_volts() <= volts
            && self.volts_before.is_some_and(|before| before < volts);
        climbs || armed.decayed(partial)
    }

    /// It closes again by itself, and may find its engines as empty as before.
    fn note_charge(&mut self, armed: &Armed, at: Mono) -> Option<Trip> {
        self.recent = None;
        let before = self.on_charge.filter(|(last, _)| at.since(*last) <= CHARGES_WITHIN);
        let count = before.map_or(0, |(_, count)| count) + 1;
        self.on_charge = Some((at, count));
        (MOST_CHARGES < count).then(|| elsewhere_trip(armed))
    }

    /// The breaker says that it opened: on the fault that `short` is armed by, or was a moment ago.
    pub(crate) fn opened(&self, at: Mono) -> Option<Trip> {
        let armed = self.short.armed().copied().or(self.recent.map(|(armed, _)| armed))?;
        let soon = at.since(armed.latest) <= ELSEWHERE_WITHIN;
        (soon && !self.has_charged(&armed, false)).then(|| elsewhere_trip(&armed))
    }

    /// A wheel that bridged for a moment in a district without load also leaves no current: then one high sample alone
    /// is no proof that a breaker acted, and a healthy voltage taken since is proof that none did. Where voltage is
    /// measured its next reading is waited for.
    fn acted_elsewhere(&self, armed: &Armed, sample: Sample, feedback_off: bool) -> bool {
        let since = self.volts.filter(|(taken, _)| armed.latest < *taken || *taken == sample.at);
        if feedback_off || since.is_some_and(|(_, volts)| volts < self.settings.half_volts()) {
            return true;
        }
        if since.is_some_and(|(_, volts)| self.settings.healthy_volts() <= volts) {
            return false;
        }
        // No breaker closes again within that time (common practice, no source). Readings that tell neither are not waited for without end.
        let frequent = self.volts.is_some_and(|(taken, _)| sample.at.since(taken) <= VOLTS_WITHIN);
        if frequent && sample.at.since(armed.latest) <= VOLTS_WITHIN {
            return false;
        }
        armed.count >= 2 || self.settings.residual <= armed.base
    }

    /// What flows above the load before a step under watch.
    fn fault_part(&self, amps: Microamps) -> Option<Microamps> {
        let base = match (self.short.armed(), self.half_short.watching()) {
            (Some(armed), _) => armed.base,
            (None, Some(watching)) => watching.base,
            (None, None) => return None,
        };
        Some((amps - base).max(Microamps::ZERO))
    }

    /// A voltage reading of the district.
    pub(crate) fn handle_voltage(&mut self, volts: Millivolts, now: Mono) {
        let Self { settings, baseline, inrush, at_limit, half_short, .. } = self;
        at_limit.handle_voltage(settings, now, volts, || baseline.load_before(now));
        self.volts_before = self.volts.map(|(_, before)| before);
        self.volts = Some((now, volts));
        inrush.handle_voltage(settings, now, volts, || baseline.load_before(now));
        let flows = self.last.is_some_and(|last| settings.residual < last.amps);
        let (sagged, stood) = (self.undervoltage.sags(), self.undervoltage.stands());
        self.undervoltage.handle(settings, now, volts, flows);
        if !sagged && self.undervoltage.sags() && !inrush.is_open(now) {
            inrush.handle_gone(baseline.load_before(now));
        }
        if stood && !self.undervoltage.stands() && settings.healthy_volts() <= volts {
            let load = inrush.handle_sag_over(settings, now, baseline.load_before(now));
            if let Some(load) = load {
                half_short.handle_load_back(settings, load, now - VOLTS_WITHIN);
            }
        }
    }

    /// Its voltage readings have stopped: they tell nothing any more.
    pub(crate) fn handle_voltage_lost(&mut self) {
        self.volts = None;
        self.volts_before = None;
        self.undervoltage.reset();
    }

    /// Another district of the booster was armed, or is being cut. Voltage readings are too slow to show a dip of some
    /// tens of milliseconds, and show its end after the engines have charged: a cut next door counts without them.
    pub(crate) fn handle_neighbour(&mut self, cut: bool, now: Mono) {
        if !cut {
            self.neighbour = Some(now);
        }
        if (cut || self.volts.is_none()) && self.short.armed().is_none() {
            let load = self.baseline.load_before(now);
            self.inrush.handle_neighbour(&self.settings, now, load);
        }
    }

    /// Power goes: cut by us or by another. `load` flowed before, where a fault is known.
    pub(crate) fn handle_power_gone(&mut self, load: Option<Microamps>, now: Mono) {
        self.inrush.handle_gone(load.or_else(|| self.baseline.load_before(now)));
        self.short.reset();
        self.half_short.reset();
        self.at_limit.reset();
        self.overload.reset();
        self.undervoltage.reset();
        self.recent = None;
        self.nudging = 0;
    }

    /// A fault current that nothing could cut is over: its end is no work of a breaker that was quicker.
    pub(crate) fn handle_told_over(&mut self) {
        self.short.reset();
        self.recent = None;
    }

    /// A sample while the district is off: it only makes the past from which the next step is measured.
    pub(crate) fn handle_idle_current(&mut self, sample: Sample) {
        self.baseline.push(sample.at, sample.amps);
        self.remember(sample);
    }

    fn remember(&mut self, sample: Sample) {
        self.before_last = self.last.map(|last| last.at);
        self.last = Some(sample);
    }

    /// Power returns.
    pub(crate) fn handle_power_back(&mut self, now: Mono) {
        self.inrush.handle_back(&self.settings, now);
    }

    /// Settles what fell due.
    pub(crate) fn handle_timeout(&mut self, now: Mono) {
        self.undervoltage.handle_timeout(&self.settings, now);
    }

    /// When voltage has been low for long enough.
    pub(crate) fn poll_deadline(&self) -> Option<Mono> {
        self.undervoltage.poll_deadline(&self.settings)
    }

    /// `short` is armed.
    pub(crate) const fn is_armed(&self) -> bool {
        self.short.armed().is_some()
    }

    /// A fault is under watch: polarity means little.
    pub(crate) const fn is_disturbed(&self) -> bool {
        self.short.armed().is_some()
    }

    /// The latest voltage, and when it came.
    pub(crate) const fn volts(&self) -> Option<(Mono, Millivolts)> {
        self.volts
    }

    /// Voltage is there as far as anybody knows: not below half.
    pub(crate) fn has_voltage(&self) -> bool {
        self.volts.is_none_or(|(_, volts)| {
            let least = if self.settings.dc { DC_LEAST } else { self.settings.half_volts() };
            least <= volts
        })
    }

    /// A step of half an ampere was seen in two samples within the window of `mismatch`.
    pub(crate) fn is_nudged(&self, now: Mono) -> bool {
        self.nudged.is_some_and(|at| now.since(at) <= self.settings.mismatch_window)
    }

    /// Voltage has been low for long enough.
    pub(crate) const fn is_voltage_low(&self) -> bool {
        self.undervoltage.stands()
    }

    /// Above 90 % of the breaker's trip for 5 s.
    pub(crate) const fn is_near_overload(&self) -> bool {
        self.overload.warns()
    }

    /// The latest sample.
    pub(crate) const fn last(&self) -> Option<Sample> {
        self.last
    }

    /// When the sample before the latest came.
    pub(crate) const fn before_last(&self) -> Option<Mono> {
        self.before_last
    }

    /// The inrush window is open.
    pub(crate) fn is_inrush(&self, now: Mono) -> bool {
        self.inrush.is_open(now)
    }
}

const fn elsewhere_trip(armed: &Armed) -> Trip {
    let &Armed { base, first, peak, pickup, .. } = armed;
    Trip { cause: Cause::TrippedElsewhere { seen: peak }, onset: first, pickup, base }
}

fn short_trip(armed: &Armed) -> Trip {
    let &Armed { base, first, peak, pickup, .. } = armed;
    Trip {
        cause: Cause::Short { seen: peak, pickup, lasted: armed.lasted() },
        onset: first,
        pickup,
        base,
    }
}
