//! Whole-system runs on a fixed budget of seeds. `cargo bench --bench system -- --seeds N` runs more.

#[path = "../system/mod.rs"]
mod system;
#[path = "../trial/mod.rs"]
mod trial;

use system::run::{TROUBLE, command, play};

/// Seeds of every run of the suite: each layout of `beds` twice.
const SEEDS: std::ops::Range<u64> = 0..12;

#[test]
fn whatever_goes_wrong_the_promises_hold_and_all_is_well_again() {
    let one = std::env::var("CHECKRAIL_SEED").ok();
    let seeds: Vec<u64> = match one {
        Some(seed) => vec![seed.parse().expect("CHECKRAIL_SEED is a number")],
        None => SEEDS.collect(),
    };
    let mut tally = (0, 0, 0);
    let mut broken = Vec::new();
    for seed in seeds {
        let outcome = play(seed, TROUBLE);
        tally.0 += outcome.incidents.kills + outcome.incidents.stops;
        tally.1 += outcome.trips;
        tally.2 += outcome.counts.lost + outcome.counts.late;
        if let Some(what) = &outcome.broken {
            broken.push(format!("seed {seed}, {}: {what}\n  {}", outcome.layout, command(seed)));
        }
    }
    assert!(broken.is_empty(), "{}", broken.join("\n"));
    // A run in which nothing happened would prove nothing.
    let (restarts, trips, troubles) = tally;
    assert!(0 < restarts && 0 < trips && 0 < troubles, "nothing happened: {tally:?}");
}

#[test]
fn the_same_seed_decides_the_same() {
    let (first, second) = (play(3, TROUBLE), play(3, TROUBLE));
    assert_eq!(first.print, second.print, "{}", command(3));
    assert_ne!(first.print, play(9, TROUBLE).print, "another seed is another session");
}
