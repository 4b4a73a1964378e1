//! How long the supervisor takes for a reading: processor time of the thread, which does not count what neighbours take.

#![allow(clippy::disallowed_methods, reason = "a benchmark reads the clock")]

use std::{
    hint::black_box,
    time::{Duration, Instant},
};

use super::traffic::Yard;

/// Readings before the measured ones: rings full, occupancy settled.
const WARM_ROUNDS: u64 = 400;
/// With faults: a district is shorted that often. The window of a record is 3 s.
const FAULT_EVERY: u64 = 300;

/// Time of one reading, over so many: it is made, handed in, and its outputs are drained, as the program does it.
pub(crate) fn each(yard: &Yard, faults: bool, readings: u64) -> Duration {
    let mut sut = yard.supervisor();
    let mut traffic = yard.traffic();
    while traffic.round() < WARM_ROUNDS {
        let (now, input) = traffic.next();
        sut.handle(input, now);
        while black_box(sut.poll_output()).is_some() {}
    }
    let mut next = traffic.round();
    let mut district = 0;
    let clock = Instant::now();
    let start = spent(clock);
    for _ in 0..readings {
        if faults && next <= traffic.round() {
            next += FAULT_EVERY;
            traffic.short(district % yard.districts());
            district += 1;
        }
        let (now, input) = traffic.next();
        sut.handle(input, now);
        while black_box(sut.poll_output()).is_some() {}
    }
    let spent = spent(clock).saturating_sub(start);
    Duration::from_secs_f64(spent.as_secs_f64() / readings as f64)
}

/// Time to make a view of everything and to drop it, after ordinary traffic.
pub(crate) fn view(yard: &Yard, views: u32) -> Duration {
    let mut sut = yard.supervisor();
    let mut traffic = yard.traffic();
    while traffic.round() < WARM_ROUNDS {
        let (now, input) = traffic.next();
        sut.handle(input, now);
        while black_box(sut.poll_output()).is_some() {}
    }
    let clock = Instant::now();
    let start = spent(clock);
    for _ in 0..views {
        drop(black_box(sut.snapshot()));
    }
    spent(clock).saturating_sub(start) / views
}

/// Processor time of this thread; where the system does not tell, time.
fn spent(start: Instant) -> Duration {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat");
    let nanos = told.ok().and_then(|it| it.split(' ').next()?.parse().ok());
    nanos.map_or_else(|| start.elapsed(), Duration::from_nanos)
}
