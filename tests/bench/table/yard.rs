//! The layout that is measured: 400 generated turnouts, and districts of their own for the events.

use std::fmt::Write as _;

/// Turnouts beside the events.
pub(crate) const TURNOUTS: usize = 400;

/// What every node of the benchmark calls its boot.
pub(crate) const BOOT: &str = "9c41";

/// The text of a layout with so many districts for events, each behind a booster of its own, and these links.
pub(crate) fn text(districts: usize, links: &str) -> String {
    let mut text = simulator::generate(7, TURNOUTS);
    // The events' districts speak once: their silence is no news.
    let _ = write!(text, "\n[protection]\nstale-after = \"600 s\"\n{links}\n");
    for at in 0..districts {
        let _ = write!(
            text,
            "[booster.b{at}]\nvolts = \"15 V\"\nlimit = \"5 A\"\n[district.d{at}]\nbooster = \"b{at}\"\ncut = true\n\
             breaker = {{ kind = \"electronic\", trip = \"3 A\", delay = \"200 ms\" }}\n"
        );
    }
    text
}

/// Names of the generated blocks, whose currents are the other readings.
pub(crate) fn blocks() -> Vec<String> {
    let read = wiring::read(&simulator::generate(7, TURNOUTS));
    let layout = read.layout.expect("the generated layout is whole");
    layout.blocks.iter().map(|it| it.id.to_string()).collect()
}

/// Amperes of a block at one of its readings: one in five has a train.
pub(crate) fn amps(block: usize, turn: u64) -> f64 {
    let noise = (turn.wrapping_mul(0x9E37_79B9) >> 7) % 4;
    let train = if block.is_multiple_of(5) { 0.25 } else { 0.0 };
    train + noise as f64 * 1e-3
}
