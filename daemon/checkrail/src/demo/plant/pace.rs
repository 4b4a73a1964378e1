//! How the railroad keeps up with the clock on the wall, and what it does on a machine that cannot follow.

use std::time::{Duration, Instant};

use simulator::World;
use wiring::units::{Micros, Mono};

/// While a short flows, the railroad never runs further than this at once, however late it is. A breaker opens 40 ms after
/// a short: if the world ran through that at once, no supervisor on this machine could have been first, and which element
/// is named would depend on the load of the machine.
const SHORT_MOST: Duration = Duration::from_millis(15);

/// Longest work at once: the nodes want to be heard.
const WORK: Duration = Duration::from_millis(30);

/// What is not caught up with within this is lost for good: the railroad has stood still meanwhile. It is less than what
/// makes a reading late over MQTT, so that readings of a slow machine are no old ones.
const BEHIND: Duration = Duration::from_millis(150);

/// The railroad's time against the machine's.
pub(super) struct Pace {
    started: Instant,
    /// Railroad seconds per second.
    speed: f64,
    /// How long the railroad has stood still.
    lost: Duration,
}

/// The clock that all nodes share: it runs in real time, whatever the railroad does.
#[derive(Clone, Copy)]
pub struct NodeClock {
    speed: f64,
    lost: Duration,
}

impl NodeClock {
    /// The node's time at an instant of the railroad. Both count from the start. Unit: ms.
    pub fn at(self, plant_ms: u64) -> u64 {
        (plant_ms as f64 / self.speed) as u64 + self.lost.as_millis() as u64
    }
}

impl Pace {
    pub(super) const fn new(started: Instant, speed: f64) -> Self {
        Self { started, speed, lost: Duration::ZERO }
    }

    pub(super) const fn clock(&self) -> NodeClock {
        NodeClock { speed: self.speed, lost: self.lost }
    }

    /// Lets the world follow, to `now` where it can.
    pub(super) fn advance(&mut self, world: &mut World, now: Instant) {
        let wanted = self.due(now);
        let most = self.plant(SHORT_MOST);
        loop {
            world.advance(wanted.min(world.now() + most));
            // The world takes whole steps: less than one is left to the next time.
            let rest = wanted.since(world.now());
            if rest < most || world.is_shorted() || WORK <= now.elapsed() {
                break;
            }
        }
        self.lose(wanted.since(world.now()));
    }

    /// Where the world should be.
    fn due(&self, now: Instant) -> Mono {
        let passed = now.duration_since(self.started).saturating_sub(self.lost);
        Mono(self.plant(passed).0)
    }

    fn plant(&self, real: Duration) -> Micros {
        Micros((real.as_secs_f64() * self.speed * 1e6) as u64)
    }

    fn lose(&mut self, behind: Micros) {
        let behind = Duration::from_secs_f64(behind.seconds() / self.speed);
        self.lost += behind.saturating_sub(BEHIND);
    }
}
