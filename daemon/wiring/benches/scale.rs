//! How reading and checking a layout grow with its size: 100, 1,000 and 10,000 turnouts.
//!
//! Prints times and, between the sizes, the exponent: 1 is linear. The layouts are the clean ones of the tests: a line
//! of turnouts of every kind, each a block of its own. `cargo bench -p wiring --bench scale`.

#![allow(clippy::disallowed_methods, reason = "a benchmark reads the clock")]

#[allow(dead_code, reason = "the tests use all of it")]
#[path = "../tests/support/generate.rs"]
mod generate;

use std::time::Duration;

use generate::{Station, clean, text};
use wiring::{check::check, detect, plan::neighbours, polarity::prove, read};

const SIZES: [usize; 3] = [100, 1000, 10_000];

/// Work is repeated until it has taken so much, so that the clock's steps do not count.
const ENOUGH: Duration = Duration::from_millis(300);

/// Processor time of this thread, which does not count what neighbours take; where the system does not tell, time.
fn spent(start: std::time::Instant) -> Duration {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat");
    let nanos = told.ok().and_then(|it| it.split(' ').next()?.parse().ok());
    nanos.map_or_else(|| start.elapsed(), Duration::from_nanos)
}

/// Time of one run.
fn time_of(mut work: impl FnMut()) -> Duration {
    let clock = std::time::Instant::now();
    let start = spent(clock);
    let mut runs = 0;
    loop {
        work();
        runs += 1;
        let time = spent(clock).saturating_sub(start);
        if ENOUGH <= time {
            return time / runs;
        }
    }
}

struct Times {
    read: Duration,
    check: Duration,
    prove: Duration,
    neighbours: Duration,
    detect: Duration,
}

fn measure(turnouts: usize) -> Times {
    const MIX: [Station; 4] =
        [Station::RightHand, Station::LeftHand, Station::Wye, Station::Trailing];
    let stations: Vec<_> = MIX.into_iter().cycle().take(turnouts).collect();
    let text = text(&clean(&stations, 1 + turnouts / 25));
    let layout = read(&text).layout.expect("a layout");
    assert_eq!(layout.trackwork.len(), turnouts, "the file is within the reader's limit");
    assert_eq!(check(&layout).findings, [], "the layout is clean");
    Times {
        read: time_of(|| drop(read(&text))),
        check: time_of(|| drop(check(&layout))),
        prove: time_of(|| drop(prove(&layout))),
        neighbours: time_of(|| drop(neighbours(&layout))),
        detect: time_of(|| drop(detect::rails(&layout))),
    }
}

fn exponent(small: Duration, large: Duration, factor: usize) -> f64 {
    (large.as_secs_f64() / small.as_secs_f64()).ln() / (factor as f64).ln()
}

#[allow(clippy::print_stdout, reason = "a benchmark prints what it measured")]
fn main() {
    let measured = SIZES.map(measure);
    println!("turnouts        read       check       prove  neighbours      detect   (ms)");
    for (size, it) in SIZES.iter().zip(&measured) {
        let ms = |time: Duration| time.as_secs_f64() * 1e3;
        println!(
            "{size:>8} {:>11.3} {:>11.3} {:>11.3} {:>11.3} {:>11.3}",
            ms(it.read),
            ms(it.check),
            ms(it.prove),
            ms(it.neighbours),
            ms(it.detect)
        );
    }
    for (pair, sizes) in measured.windows(2).zip(SIZES.windows(2)) {
        let factor = sizes[1] / sizes[0];
        println!(
            "exponent {} to {}: read {:.2}, check {:.2}, prove {:.2}",
            sizes[0],
            sizes[1],
            exponent(pair[0].read, pair[1].read, factor),
            exponent(pair[0].check, pair[1].check, factor),
            exponent(pair[0].prove, pair[1].prove, factor)
        );
    }
}
