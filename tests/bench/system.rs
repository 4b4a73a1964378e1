//! Whole-system runs, as many seeds as are asked for.
//!
//! `cargo bench --bench system -- --seeds 500` `--from S` (default 1000) `--trouble SECONDS` of each seed.
//! `--soak HOURS` instead: clean traffic for so many simulated hours with a fault now and then, and what memory does.

#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a bench prints its table")]

#[path = "../system/mod.rs"]
mod system;
#[path = "../trial/mod.rs"]
mod trial;

use std::time::Instant;

use system::{
    run::{Outcome, command, play},
    soak,
};
use trial::draw::each;
use wiring::units::Micros;

fn main() {
    let given: Vec<String> = std::env::args().collect();
    let after = |name: &str| {
        given.iter().position(|it| it == name).and_then(|at| given.get(at + 1)).cloned()
    };
    let number = |name: &str, usual: u64| {
        after(name).map_or(usual, |it| it.parse().expect("a number after the option"))
    };
    if let Some(hours) = after("--soak") {
        soak::soak(hours.parse().expect("hours after --soak"));
        return;
    }
    let (from, seeds) = (number("--from", 1000), number("--seeds", 100));
    let trouble = Micros::from_millis(number("--trouble", 45) * 1000);
    let began = Instant::now();
    let mut outcomes = Vec::new();
    let count = usize::try_from(seeds).expect("so many fit");
    let all: Vec<usize> = (0..count).collect();
    each(
        &all,
        2,
        None,
        |nth| play(from + nth as u64, trouble),
        |_, outcome| {
            if let Some(what) = &outcome.broken {
                println!(
                    "seed {}, {}: {what}\n  {}",
                    outcome.seed,
                    outcome.layout,
                    command(outcome.seed, trouble)
                );
            }
            outcomes.push(outcome);
        },
    );
    table(&outcomes, began);
    if outcomes.iter().any(|it| it.broken.is_some()) {
        std::process::exit(1);
    }
}

fn table(outcomes: &[Outcome], began: Instant) {
    let sum = |of: fn(&Outcome) -> u64| outcomes.iter().map(of).sum::<u64>();
    let rows: [(&str, u64); 22] = [
        ("seeds", outcomes.len() as u64),
        ("seeds with a broken promise", sum(|it| u64::from(it.broken.is_some()))),
        ("faults on the layout", sum(|it| it.incidents.faults)),
        ("kills", sum(|it| it.incidents.kills)),
        ("of them between two outputs of a step", sum(|it| it.incidents.kills_within_a_step)),
        ("orderly stops", sum(|it| it.incidents.stops)),
        ("restarts of the broker", sum(|it| it.counts.broker_restarts)),
        ("restarts of a node", sum(|it| it.counts.node_restarts)),
        ("disk full", sum(|it| it.incidents.disk_full)),
        ("disk slow", sum(|it| it.incidents.disk_slow)),
        ("steps of the wall clock", sum(|it| it.incidents.clock_steps)),
        ("acts of people", sum(|it| it.incidents.acts)),
        ("messages carried", sum(|it| it.counts.carried)),
        ("lost", sum(|it| it.counts.lost)),
        ("late or overtaken", sum(|it| it.counts.late)),
        ("sent twice", sum(|it| it.counts.repeated)),
        ("spoilt", sum(|it| it.counts.spoilt)),
        ("orders lost", sum(|it| it.counts.orders_lost)),
        ("orders refused", sum(|it| it.counts.orders_refused)),
        ("trips", sum(|it| it.trips)),
        ("records closed", sum(|it| it.records)),
        ("records announced as saved, and found", sum(|it| it.saved as u64)),
    ];
    for (name, count) in rows {
        println!("{name:<40} {count:>12}");
    }
    let longest = outcomes.iter().map(|it| it.converged).fold(0.0, f64::max);
    println!("{:<40} {longest:>12.1} s", "longest until all was well again");
    let waiting = outcomes.iter().map(|it| it.most_waiting).max().unwrap_or_default();
    println!("{:<40} {waiting:>12}", "most items that waited for the disk");
    println!("{:<40} {:>12.0} s", "run time", began.elapsed().as_secs_f64());
}
