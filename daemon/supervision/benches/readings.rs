//! Readings a second on one core, by size of the layout: ordinary traffic, and traffic during faults.
//!
//! `cargo bench -p supervision --bench readings`. Each reading is handed in and its outputs are drained, as the program
//! does it; the time of making the readings is in the figure. Processor time of the thread, which does not count what
//! neighbours take.

#![allow(clippy::disallowed_methods, reason = "a benchmark reads the clock")]
#![allow(clippy::print_stdout, reason = "a bench prints its table")]

#[path = "../tests/support/traffic.rs"]
mod traffic;

use std::{hint::black_box, time::Duration};

use traffic::Yard;

const SIZES: [usize; 3] = [40, 400, 4000];
const READINGS: u64 = 4_000_000;
/// Readings before the measured ones: rings full, occupancy settled.
const WARM_ROUNDS: u64 = 400;
/// With faults: a district is shorted that often. The window of a record is 3 s.
const FAULT_EVERY: u64 = 300;

fn main() {
    println!(
        "{:>9} {:>9} {:>14} {:>12} {:>12}",
        "turnouts", "districts", "traffic", "readings/s", "ns/reading"
    );
    for size in SIZES {
        let yard = Yard::new(size);
        for faults in [false, true] {
            let (readings, time) = run(&yard, faults);
            let each = time.as_secs_f64() / readings as f64;
            let name = if faults { "with faults" } else { "quiet" };
            println!(
                "{size:>9} {:>9} {name:>14} {:>12.0} {:>12.0}",
                yard.districts(),
                1.0 / each,
                each * 1e9
            );
        }
    }
}

fn run(yard: &Yard, faults: bool) -> (u64, Duration) {
    let mut sut = yard.supervisor();
    let mut traffic = yard.traffic();
    while traffic.round() < WARM_ROUNDS {
        let (now, input) = traffic.next();
        sut.handle(input, now);
        while black_box(sut.poll_output()).is_some() {}
    }
    let mut next = traffic.round();
    let mut district = 0;
    let clock = std::time::Instant::now();
    let start = spent(clock);
    for _ in 0..READINGS {
        if faults && next <= traffic.round() {
            next += FAULT_EVERY;
            traffic.short(district % yard.districts());
            district += 1;
        }
        let (now, input) = traffic.next();
        sut.handle(input, now);
        while black_box(sut.poll_output()).is_some() {}
    }
    (READINGS, spent(clock).saturating_sub(start))
}

/// Processor time of this thread; where the system does not tell, time.
fn spent(start: std::time::Instant) -> Duration {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat");
    let nanos = told.ok().and_then(|it| it.split(' ').next()?.parse().ok());
    nanos.map_or_else(|| start.elapsed(), Duration::from_nanos)
}
