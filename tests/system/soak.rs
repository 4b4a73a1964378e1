//! A day on the layout: hours of traffic with a fault every few minutes, people who put power on again, and the memory of
//! the whole process beside it.

use std::time::Instant;

use wiring::units::{Micros, Mono};

use super::drive::System;
use crate::trial::bed::Bed;

const TWO_DISTRICTS: &str = include_str!("../layouts/two-districts.toml");

/// Plays so many hours and prints a line an hour.
pub fn soak(hours: u64) {
    let bed = Bed::new("two districts".to_owned(), TWO_DISTRICTS);
    let began = Instant::now();
    let mut system = System::soaking(&bed, 7, Micros(hours * 3_600_000_000));
    println!(
        "{:>5} {:>10} {:>8} {:>8} {:>9}  held",
        "hour", "RSS", "faults", "records", "run time"
    );
    for hour in 0..=hours {
        let until = Mono(hour * 3_600_000_000);
        while system.now < until {
            system.advance();
            if let Some(what) = &system.checks.broken {
                println!("at {:.3} s: {what}", system.now.seconds());
                return;
            }
        }
        println!(
            "{hour:>5} {:>7.1} MB {:>8} {:>8} {:>7.0} s  {:?}",
            resident(),
            system.incidents.faults,
            system.checks.records,
            began.elapsed().as_secs_f64(),
            system.held()
        );
    }
}

/// Memory of this process that is in use. Unit: MB.
fn resident() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|it| it.starts_with("VmRSS:")).unwrap_or_default();
    let kilobytes = line.split_whitespace().nth(1).and_then(|it| it.parse::<f64>().ok());
    kilobytes.unwrap_or(f64::NAN) / 1000.0
}
