//! The hot path takes no memory from the heap: counted by an allocator of this test's own.

#[path = "support/traffic.rs"]
mod traffic;

use supervision::Supervisor;
use traffic::{Traffic, Yard};

/// The rings of all channels are full after it, trains have settled, every alarm delay is over.
const WARM_ROUNDS: u64 = 1200;
const READINGS: usize = 200_000;

#[test]
fn ordinary_readings_allocate_nothing() {
    let yard = Yard::new(40);
    assert!(1 < yard.districts());
    let (mut sut, mut traffic) = warm(&yard);
    let counted = allocation_counter::measure(|| {
        for _ in 0..READINGS {
            step(&mut sut, &mut traffic);
        }
    });
    assert_eq!((counted.count_total, counted.count_current), (0, 0));
}

/// A count that is always zero would prove nothing: the record of a fault is on the heap.
#[test]
fn the_count_sees_what_a_fault_takes() {
    let yard = Yard::new(40);
    let (mut sut, mut traffic) = warm(&yard);
    traffic.short(0);
    let counted = allocation_counter::measure(|| {
        for _ in 0..READINGS {
            step(&mut sut, &mut traffic);
        }
    });
    assert!(0 < counted.count_total);
}

fn warm(yard: &Yard) -> (Supervisor, Traffic) {
    let (mut sut, mut traffic) = (yard.supervisor(), yard.traffic());
    while traffic.round() < WARM_ROUNDS {
        step(&mut sut, &mut traffic);
    }
    (sut, traffic)
}

fn step(sut: &mut Supervisor, traffic: &mut Traffic) {
    let (now, input) = traffic.next();
    sut.handle(input, now);
    while sut.poll_output().is_some() {}
}
