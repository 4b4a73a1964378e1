//! How many railroad seconds pass in one second of processor time: clean traffic, and the demo with its faults.
//!
//! `cargo bench -p simulator --bench speed`. Readings are taken out and thrown away, as a supervisor would take them.
//! The figures depend on the machine; those of one run compare with each other.

#![allow(clippy::disallowed_methods, reason = "a benchmark reads the clock")]
#![allow(clippy::print_stdout, reason = "a benchmark prints its figures")]

use std::{
    sync::Arc,
    time::{Duration, Instant},
};

use simulator::{Plan, World, generate};
use wiring::{
    channel::ChannelTable,
    layout::Layout,
    units::{Micros, Mono},
};

const VALLEY: &str = include_str!("../../../config/tamarrow-valley.toml");

/// Each case runs for at least so long.
const ENOUGH: Duration = Duration::from_secs(2);

/// Processor time of this thread, which does not count what neighbours take; where the system does not tell, time.
fn spent(start: Instant) -> Duration {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat");
    let nanos = told.ok().and_then(|it| it.split(' ').next()?.parse().ok());
    nanos.map_or_else(|| start.elapsed(), Duration::from_nanos)
}

fn layout(text: &str) -> Arc<Layout> {
    Arc::new(wiring::read::read(text).layout.expect("the layout is without errors"))
}

fn measure(name: &str, layout: &Arc<Layout>, plan: Plan) {
    let channels = Arc::new(ChannelTable::new(layout));
    let mut world = World::new(Arc::clone(layout), channels, plan);
    let clock = Instant::now();
    let start = spent(clock);
    let mut readings = 0u64;
    let taken = loop {
        world.advance(world.now() + Micros::from_millis(10_000));
        while world.poll_reading().is_some() {
            readings += 1;
        }
        while world.poll_truth().is_some() {}
        let taken = spent(clock).saturating_sub(start);
        if ENOUGH <= taken {
            break taken.as_secs_f64();
        }
    };
    let railroad = world.now().since(Mono::START).seconds();
    println!(
        "{name:28} {:>9.0} x real time {:>10.0} readings/s {:>8.1} solutions per railroad second",
        railroad / taken,
        readings as f64 / taken,
        world.solutions() as f64 / railroad
    );
}

fn main() {
    let valley = layout(VALLEY);
    measure("valley, clean", &valley, Plan::clean(1));
    let show = Plan::show(1, Micros::from_millis(120_000));
    measure("valley, a fault each 2 min", &valley, show);
    for turnouts in [12, 40, 120, 400] {
        let layout = layout(&generate(7, turnouts));
        measure(&format!("{turnouts} turnouts, clean"), &layout, Plan::clean(1));
    }
}
