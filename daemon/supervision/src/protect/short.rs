//! `short` (IEEE C37.2: 50): a step arms it, and current above pick-up for its time trips it.
//!
//! Driven by samples alone: silence neither trips nor resets.

use wiring::units::{Microamps, Micros, Mono};

use super::settings::Settings;

/// In any case a district trips after this long above the inrush pick-up.
const INRUSH_MOST: Micros = Micros::from_millis(150);
/// A decaying current has fallen by this part from its peak. Unit: percent.
const FALLEN: i64 = 10;

/// Which rule it was armed under.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Rule {
    /// Step and level.
    Normal,
    /// Level alone, for longer, unless it decays.
    Inrush,
}

/// `short` while armed.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Armed {
    /// The current before the step.
    pub(crate) base: Microamps,
    /// First good sample above pick-up.
    pub(crate) first: Mono,
    /// Latest one.
    pub(crate) latest: Mono,
    /// How many.
    pub(crate) count: u32,
    /// Highest of them.
    pub(crate) peak: Microamps,
    /// What they are compared with.
    pub(crate) pickup: Microamps,
    /// Under which rule.
    pub(crate) rule: Rule,
    fallen: bool,
    /// It had fallen before the latest sample.
    had_fallen: bool,
}

/// What a sample did.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Step {
    /// Nothing.
    Idle,
    /// Armed by this sample.
    Armed,
    /// Still armed.
    Stays,
    /// A good sample below pick-up disarmed it; what it was.
    Dropped(Armed),
    /// It trips.
    Trip(Armed),
}

/// The element.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Short {
    armed: Option<Armed>,
}

impl Short {
    /// While it is armed.
    pub(crate) const fn armed(&self) -> Option<&Armed> {
        self.armed.as_ref()
    }

    /// Forgets everything: the district is cut.
    pub(crate) fn reset(&mut self) {
        self.armed = None;
    }

    /// A good sample of `amps` at `now`; `low` is the lowest good one before it, and `withstand` gives I_w when a step
    /// is there to compare it with.
    pub(crate) fn handle_sample(
        &mut self,
        settings: &Settings,
        (now, amps): (Mono, Microamps),
        low: Option<Microamps>,
        rule: Rule,
        withstand: &dyn Fn() -> Option<Microamps>,
    ) -> Step {
        let Some(armed) = &mut self.armed else {
            self.armed = arm(settings, (now, amps), low, rule, withstand);
            return if self.armed.is_some() { Step::Armed } else { Step::Idle };
        };
        if amps < armed.pickup {
            let was = *armed;
            self.armed = None;
            return Step::Dropped(was);
        }
        armed.latest = now;
        armed.count = armed.count.saturating_add(1);
        armed.peak = armed.peak.max(amps);
        armed.had_fallen = armed.fallen;
        armed.fallen |= amps < armed.peak.percent(100 - FALLEN);
        if armed.is_over(settings) { Step::Trip(*armed) } else { Step::Stays }
    }
}

impl Armed {
    /// From the first to the latest sample.
    pub(crate) fn lasted(&self) -> Micros {
        self.latest.since(self.first)
    }

    /// It fell from its peak as where engines charge. The latest sample may be the average of current and none, unless
    /// `another` one after it was.
    pub(crate) const fn decayed(&self, another: bool) -> bool {
        if another { self.fallen } else { self.had_fallen }
    }

    fn is_over(&self, settings: &Settings) -> bool {
        let lasted = self.lasted();
        match self.rule {
            Rule::Normal => settings.short_after <= lasted,
            Rule::Inrush if self.fallen => INRUSH_MOST <= lasted,
            Rule::Inrush => settings.inrush_after.min(INRUSH_MOST) <= lasted,
        }
    }
}

fn arm(
    settings: &Settings,
    (now, amps): (Mono, Microamps),
    low: Option<Microamps>,
    rule: Rule,
    withstand: &dyn Fn() -> Option<Microamps>,
) -> Option<Armed> {
    let base = match rule {
        Rule::Normal => low?,
        Rule::Inrush => low.unwrap_or(Microamps::ZERO),
    };
    let pickup = match rule {
        Rule::Normal if amps - base < settings.step => return None,
        Rule::Normal => {
            let by_contact = withstand().map(|step| base + step);
            by_contact.map_or(settings.pickup, |it| it.min(settings.pickup))
        }
        Rule::Inrush => settings.inrush_pickup,
    };
    (pickup <= amps).then_some(Armed {
        base,
        first: now,
        latest: now,
        count: 1,
        peak: amps,
        pickup,
        rule,
        fallen: false,
        had_fallen: false,
    })
}
