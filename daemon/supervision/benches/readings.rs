//! Readings a second on one core, by size of the layout: ordinary traffic, and traffic during faults.
//!
//! `cargo bench -p supervision --bench readings`. Each reading is handed in and its outputs are drained, as the program
//! does it; the time of making the readings is in the figure. Processor time of the thread, which does not count what
//! neighbours take. Beside it the time of a view of everything, as the dashboard is given it.

#![allow(clippy::print_stdout, reason = "a bench prints its table")]

#[path = "../tests/support/pace.rs"]
mod pace;
#[path = "../tests/support/traffic.rs"]
mod traffic;

use traffic::Yard;

const SIZES: [usize; 3] = [40, 400, 4000];
const READINGS: u64 = 4_000_000;
const VIEWS: u32 = 2_000;

fn main() {
    println!(
        "{:>9} {:>9} {:>14} {:>12} {:>12} {:>9}",
        "turnouts", "districts", "traffic", "readings/s", "ns/reading", "us/view"
    );
    for size in SIZES {
        let yard = Yard::new(size);
        let view = pace::view(&yard, VIEWS).as_secs_f64() * 1e6;
        for faults in [false, true] {
            let each = pace::each(&yard, faults, READINGS).as_secs_f64();
            let name = if faults { "with faults" } else { "quiet" };
            println!(
                "{size:>9} {:>9} {name:>14} {:>12.0} {:>12.0} {view:>9.0}",
                yard.districts(),
                1.0 / each,
                each * 1e9
            );
        }
    }
}
