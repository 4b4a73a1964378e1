//! A trial as a story: what really happened, what was ordered and said, and what sensors showed, in the order of time.

use simulator::session::{journal_line, truth_line};
use wiring::units::Mono;

use super::{bed::Bed, closed_loop::Log};

/// Lines with their times. Of the readings those whose channel holds one of `channels`.
pub fn story(bed: &Bed, log: &Log, channels: &[String]) -> Vec<(Mono, String)> {
    let mut lines: Vec<(Mono, String)> = Vec::new();
    let truth = log.truth.iter();
    lines.extend(truth.map(|it| (it.at, format!("  {}", truth_line(&bed.layout, it)))));
    for (at, order) in &log.orders {
        let channel = bed.channels.name(order.channel);
        let (action, cause) = (order.action.word(), order.cause.word());
        lines.push((*at, format!("> {channel} {action}, {cause}, attempt {}", order.attempt)));
    }
    lines.extend(log.alarms.iter().map(|(at, words)| (*at, format!("! {words}"))));
    for reading in log.tape.iter().flatten() {
        let name = bed.channels.name(reading.channel);
        if channels.iter().any(|it| name.contains(it.as_str())) {
            lines.push((reading.at, format!("    {}", journal_line(&bed.channels, reading))));
        }
    }
    lines.sort_by_key(|it| it.0);
    lines
}
