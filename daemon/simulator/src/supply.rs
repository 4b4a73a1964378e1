//! Boosters, breakers and actuators: what opens, when, and what closes again by itself.

use wiring::{
    layout::{Booster, BreakerKind, District},
    units::{Micros, Mono},
};

use crate::{
    pace::{COARSE, next_multiple},
    random::Random,
};

/// Time after which an electronic breaker tries again. Source: 2 s is met most (rules of thumb R17).
const RECLOSES_AFTER: Micros = Micros::from_millis(2000);
/// Time after which a tripped booster comes back. Assumed.
const RECOVERS_AFTER: Micros = Micros::from_millis(5000);
/// Time that a resettable fuse takes to cool. Assumed.
const PTC_COOLS_IN: Micros = Micros::from_millis(15_000);
/// Time that a person takes to change a fuse. Assumed.
const FUSE_CHANGED_IN: Micros = Micros::from_millis(45_000);
/// Time that an actuator takes to close. Assumed.
const CLOSES_IN: Micros = Micros::from_millis(10);
/// Share of the limit from which a booster counts itself overloaded.
const AT_LIMIT: f64 = 0.97;

/// A switch that orders open and close.
#[derive(Clone, Debug)]
pub(crate) struct Actuator {
    /// There is one.
    present: bool,
    closed: bool,
    pending: Option<(Mono, bool)>,
    opens_in: Micros,
    /// Does not open any more.
    pub(crate) welded: bool,
    /// Says what it was told instead of what it did.
    pub(crate) feedback_follows_order: bool,
    told: bool,
}

impl Actuator {
    fn new(present: bool, opens_in: Micros, random: &mut Random) -> Self {
        let share = random.between(0.4, 1.0);
        let opens_in = Micros(((opens_in.0 as f64 * share) as u64).max(1000));
        Self {
            present,
            closed: true,
            pending: None,
            opens_in,
            welded: false,
            feedback_follows_order: false,
            told: true,
        }
    }

    /// Takes an order; orders of the same word again change nothing.
    pub(crate) fn order(&mut self, close: bool, now: Mono) {
        if !self.present || (self.told == close) {
            return;
        }
        self.told = close;
        let delay = if close { CLOSES_IN } else { self.opens_in };
        self.pending = Some((now + delay, close));
    }

    /// Lets it act: the new state, when it changed.
    pub(crate) fn advance(&mut self, now: Mono) -> Option<bool> {
        let (due, close) = self.pending?;
        if now < due {
            return None;
        }
        self.pending = None;
        if self.closed == close || (self.welded && !close) {
            return None;
        }
        self.closed = close;
        Some(close)
    }

    /// Mended: it obeys again, the order it last had included.
    pub(crate) fn put_right(&mut self) {
        self.welded = false;
        self.feedback_follows_order = false;
        self.closed = self.told;
    }

    pub(crate) fn is_present(&self) -> bool {
        self.present
    }

    pub(crate) fn is_closed(&self) -> bool {
        self.closed
    }

    fn next_change(&self) -> Option<Mono> {
        self.pending.map(|(due, _)| due)
    }

    /// What it says of itself.
    pub(crate) fn feedback(&self) -> &'static str {
        let on = if self.feedback_follows_order { self.told } else { self.closed };
        if on { "on" } else { "off" }
    }
}

/// What opened or closed.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Change {
    /// By its own protection.
    Tripped,
    /// By itself again.
    Returned,
    /// By order.
    Cut,
    /// By order.
    Restored,
}

/// A protection that opens when current lasts, and closes again.
#[derive(Clone, Debug)]
pub(crate) struct Guard {
    kind: BreakerKind,
    /// Current at which it acts. Unit: ampere.
    pub(crate) trip: f64,
    pub(crate) delay: Micros,
    returns_after: Micros,
    over: Option<Mono>,
    opened: Option<Mono>,
    /// I2t above the holding current, for what melts or warms. Unit: A2s.
    warmth: f64,
    /// What flows since it was asked last. Unit: ampere.
    carries: f64,
    /// Wired past: current does not go through it.
    pub(crate) bypassed: bool,
}

impl Guard {
    fn of_district(district: &District, spread: f64, random: &mut Random) -> Self {
        let breaker = &district.breaker;
        let returns_after = match breaker.kind {
            BreakerKind::Electronic | BreakerKind::Lamp | BreakerKind::None => RECLOSES_AFTER,
            BreakerKind::Fuse => FUSE_CHANGED_IN,
            BreakerKind::Ptc => PTC_COOLS_IN,
        };
        let trip = breaker.trip.map_or(f64::INFINITY, |trip| trip.amps());
        Self::new(breaker.kind, trip, breaker.delay, returns_after, spread, random)
    }

    fn of_booster(booster: &Booster, spread: f64, random: &mut Random) -> Self {
        let trip = booster.limit.amps() * AT_LIMIT;
        let delay = Micros((booster.trip_delay.0 as f64 * random.factor(spread)) as u64);
        let mut guard =
            Self::new(BreakerKind::Electronic, trip, delay, RECOVERS_AFTER, 0.0, random);
        guard.trip = trip;
        guard
    }

    fn new(
        kind: BreakerKind,
        trip: f64,
        delay: Micros,
        returns_after: Micros,
        spread: f64,
        random: &mut Random,
    ) -> Self {
        let trip = trip * random.factor(spread);
        let delay = Micros((delay.0 as f64 * random.factor(spread)) as u64);
        Self {
            kind,
            trip,
            delay,
            returns_after,
            over: None,
            opened: None,
            warmth: 0.0,
            carries: 0.0,
            bypassed: false,
        }
    }

    /// What it saw before has flowed for `span` seconds; now `amps` flow.
    fn advance(&mut self, amps: f64, span: f64, now: Mono) -> Option<Change> {
        let carried = std::mem::replace(&mut self.carries, amps);
        if let Some(opened) = self.opened {
            if now.since(opened) < self.returns_after {
                return None;
            }
            self.opened = None;
            self.over = None;
            self.warmth = 0.0;
            return Some(Change::Returned);
        }
        if self.bypassed || !self.acts(amps, carried, span, now) {
            return None;
        }
        self.opened = Some(now);
        Some(Change::Tripped)
    }

    fn acts(&mut self, amps: f64, carried: f64, span: f64, now: Mono) -> bool {
        match self.kind {
            BreakerKind::Electronic => {
                if amps < self.trip {
                    self.over = None;
                    return false;
                }
                let since = *self.over.get_or_insert(now);
                self.delay <= now.since(since)
            }
            BreakerKind::Fuse | BreakerKind::Ptc => {
                // Warmed by what exceeds the rating; gives way after the energy of twice the rating for its delay.
                let excess = (carried * carried - self.trip * self.trip) * span;
                self.warmth = (self.warmth + excess).max(0.0);
                let delay = self.delay.seconds().max(0.2);
                3.0 * self.trip * self.trip * delay <= self.warmth
            }
            BreakerKind::Lamp | BreakerKind::None => false,
        }
    }

    /// When it acts next, if what flows goes on.
    fn next_change(&self, now: Mono) -> Option<Mono> {
        if let Some(opened) = self.opened {
            return Some(opened + self.returns_after);
        }
        let warms = 0.0 < self.warmth || self.trip < self.carries;
        match (self.kind, self.over) {
            (BreakerKind::Electronic, Some(since)) => Some(since + self.delay),
            (BreakerKind::Fuse | BreakerKind::Ptc, _) if warms => Some(next_multiple(now, COARSE)),
            (_, _) => None,
        }
    }
}

/// A booster or a district: a protection and an actuator in series.
#[derive(Clone, Debug)]
pub(crate) struct Feed {
    pub(crate) guard: Guard,
    pub(crate) actuator: Actuator,
    /// Unplugged.
    pub(crate) unplugged: bool,
    /// Unplugged until then.
    pub(crate) unplugged_until: Option<Mono>,
}

impl Feed {
    pub(crate) fn of_booster(booster: &Booster, spread: f64, random: &mut Random) -> Self {
        Self {
            guard: Guard::of_booster(booster, spread, random),
            actuator: Actuator::new(booster.cut, booster.opens_in, random),
            unplugged: false,
            unplugged_until: None,
        }
    }

    pub(crate) fn of_district(district: &District, spread: f64, random: &mut Random) -> Self {
        Self {
            guard: Guard::of_district(district, spread, random),
            actuator: Actuator::new(district.cut, district.opens_in, random),
            unplugged: false,
            unplugged_until: None,
        }
    }

    /// What flowed before has flowed for `span` seconds, now `amps` flow; what changed.
    pub(crate) fn advance(&mut self, amps: f64, span: f64, now: Mono) -> [Option<Change>; 2] {
        let ordered = self.actuator.advance(now);
        self.unplugged_until = self.unplugged_until.filter(|until| now < *until);
        [
            ordered.map(|closed| if closed { Change::Restored } else { Change::Cut }),
            self.guard.advance(amps, span, now),
        ]
    }

    pub(crate) fn is_on(&self) -> bool {
        self.actuator.is_closed()
            && self.guard.opened.is_none()
            && !self.unplugged
            && self.unplugged_until.is_none()
    }

    /// When something of it acts next.
    pub(crate) fn next_change(&self, now: Mono) -> Option<Mono> {
        let own = [self.guard.next_change(now), self.actuator.next_change()];
        own.into_iter().flatten().chain(self.unplugged_until).min()
    }
}
