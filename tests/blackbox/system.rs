//! Whole-system runs on a fixed budget of seeds. `cargo bench --bench system -- --seeds N` runs more.

#[path = "../system/mod.rs"]
mod system;
#[path = "../trial/mod.rs"]
mod trial;

use system::run::{TROUBLE, command, play};
use wiring::units::Micros;

/// Seeds of every run of the suite: each layout of `beds` twice.
const SEEDS: std::ops::Range<u64> = 0..12;

#[test]
fn whatever_goes_wrong_the_promises_hold_and_all_is_well_again() {
    let one = number("CHECKRAIL_SEED");
    let trouble = number("CHECKRAIL_TROUBLE").map_or(TROUBLE, |it| Micros::from_millis(it * 1000));
    let seeds: Vec<u64> = one.map_or_else(|| SEEDS.collect(), |seed| vec![seed]);
    let mut tally = (0, 0, 0);
    let mut broken = Vec::new();
    for seed in seeds {
        let outcome = play(seed, trouble);
        tally.0 += outcome.incidents.kills + outcome.incidents.stops;
        tally.1 += outcome.trips;
        tally.2 += outcome.counts.lost + outcome.counts.late;
        if let Some(what) = &outcome.broken {
            let again = command(seed, trouble);
            broken.push(format!("seed {seed}, {}: {what}\n  {again}", outcome.layout));
        }
    }
    assert!(broken.is_empty(), "{}", broken.join("\n"));
    // Runs in which nothing happened would prove nothing; a single seed may well be a quiet one.
    let (restarts, trips, troubles) = tally;
    let something = 0 < restarts && 0 < trips && 0 < troubles;
    assert!(something || one.is_some(), "nothing happened: {tally:?}");
}

fn number(variable: &str) -> Option<u64> {
    let text = std::env::var(variable).ok()?;
    Some(text.parse().unwrap_or_else(|_| panic!("{variable} is a number, not `{text}`")))
}

#[test]
fn the_same_seed_decides_the_same() {
    let (first, second) = (play(3, TROUBLE), play(3, TROUBLE));
    assert_eq!(first.print, second.print, "{}", command(3, TROUBLE));
    assert_ne!(first.print, play(9, TROUBLE).print, "another seed is another session");
}
