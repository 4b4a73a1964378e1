//! One table of what Checkrail costs and how fast it is, each figure beside its floor or its rivals in the same run:
//! `cargo bench --bench table`, with `-- --quick` in two minutes, with `-- --only core,latency,start,sizes,page` in parts.
//!
//! Figures are ratios within one run; the machine's load is printed with them. What is missing on the machine is
//! reported as not measured. Needs mosquitto; Node-RED and paho-mqtt are installed into `target/tests/bench` on demand.
//!
//! The job of all: readings of one district each 10 to 25 ms, two in a row at or above 3 A, and its power is ordered
//! cut. Time runs from the publish of the second to the arrival of the order. Checkrail watches 400 turnouts besides,
//! records the fault, locates it and keeps its page; the bare loop, the script and the flow do the threshold alone.

#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a bench prints its table")]

#[path = "../support/mod.rs"]
mod support;

mod core;
mod events;
mod latency;
mod page;
mod rivals;
mod roles;
mod serial;
mod sizes;
mod start;
mod yard;

use std::{fs, time::Duration};

use support::figures::{self, Row};

/// How much is measured.
#[derive(Clone, Copy, Debug)]
struct Plan {
    /// Events, quiet and again under load, in each round.
    events: usize,
    /// Each with processes of its own, the rivals in turn.
    rounds: usize,
    /// How long a process is watched at rest, and among the other readings.
    rest: Duration,
    readings: u64,
    starts: usize,
    sizes: &'static [usize],
    /// Time under load before memory is read.
    fill: Duration,
}

const WHOLE: Plan = Plan {
    events: 200,
    rounds: 3,
    rest: Duration::from_secs(5),
    readings: 4_000_000,
    starts: 10,
    sizes: &[100, 1000, 10_000],
    fill: Duration::from_secs(60),
};

const QUICK: Plan = Plan {
    events: 60,
    rounds: 1,
    rest: Duration::from_secs(4),
    readings: 400_000,
    starts: 3,
    sizes: &[100, 1000],
    fill: Duration::from_secs(5),
};

/// Measures one part.
type Part = fn(&Plan) -> Vec<Row>;

fn main() {
    let given: Vec<String> = std::env::args().skip(1).collect();
    if roles::played(&given) {
        return;
    }
    let plan = if given.iter().any(|it| it == "--quick") { QUICK } else { WHOLE };
    let only = given.iter().skip_while(|it| *it != "--only").nth(1);
    let wanted = |part: &str| only.is_none_or(|it| it.split(',').any(|it| it == part));
    println!("load before: {}; {} cores\n", load(), cores());
    let mut rows: Vec<Row> = Vec::new();
    let parts: [(&str, Part); 5] = [
        ("core", core::rows),
        ("latency", latency::rows),
        ("start", start::rows),
        ("sizes", sizes::rows),
        ("page", page::rows),
    ];
    for (name, part) in parts {
        if wanted(name) {
            eprintln!("measuring: {name}");
            rows.extend(part(&plan));
        }
    }
    figures::print(&rows);
    println!("\n{}", conditions(&plan));
    println!("load after: {}", load());
}

fn conditions(plan: &Plan) -> String {
    format!(
        "latency: from the publish of the deciding reading to the arrival of the order, {} events quiet and {} among \
         5,000 other\nreadings a second, each a message of its own; orders QoS 1, readings QoS 0, TCP_NODELAY at all. \
         Processor time is of\none core: without readings, among the 5,000, and with a short each {} ms besides, of \
         which Checkrail keeps a\nrecord. Resident memory in MB of 10^6.",
        plan.events * plan.rounds,
        plan.events * plan.rounds,
        events::SPACING.as_millis()
    )
}

fn load() -> String {
    let told = fs::read_to_string("/proc/loadavg").unwrap_or_default();
    told.split(' ').take(3).collect::<Vec<_>>().join(" ")
}

fn cores() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from)
}
