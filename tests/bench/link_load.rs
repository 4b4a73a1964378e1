//! Every fast link under load: from a sensor's message to the order that it causes, while 5,000 other readings a second
//! come in by the same link, beside the floor of that link in the same run: a bare echo under the same load.
//!
//! `cargo bench --bench link_load` (needs mosquitto). Two hundred districts, each behind a booster of its own, short one
//! after the other; times run from the writing of the deciding sample to the arrival of the order. A pseudo-terminal has
//! no baud rate: its figures are of the program alone, and a line at 115200 adds 0.09 ms a character. Modbus has a pace
//! of its own: `modbus_latency`. `CHECKRAIL_BIN` measures another build of the program.

#![allow(clippy::print_stdout, reason = "a bench prints its table")]

#[path = "link_load/mqtt.rs"]
mod mqtt;
#[path = "link_load/serial.rs"]
mod serial;

use std::{
    fmt::Write as _,
    fs,
    path::Path,
    process::{Child, Command, Stdio},
    time::{Duration, Instant},
};

/// Districts that are shorted, one after the other.
const EVENTS: usize = 200;
const SPACING: Duration = Duration::from_millis(50);
/// Nodes in the background, the channels of each, and how often each sends all of them.
const NODES: usize = 5;
const CHANNELS: usize = 10;
const HERTZ: u32 = 100;
const BOOT: &str = "9c41";

fn main() {
    let runtime =
        tokio::runtime::Builder::new_multi_thread().enable_all().build().expect("runtime");
    println!(
        "{EVENTS} shorts, one every {} ms, beside {} readings a second\n",
        SPACING.as_millis(),
        NODES * CHANNELS * HERTZ as usize
    );
    println!("{:<46} {:>8} {:>8} {:>8}   {:>9}", "microseconds", "p50", "p99", "max", "processor");
    let links: [(&str, &dyn Fn() -> Run); 3] = [
        ("mosquitto", &|| runtime.block_on(mqtt::mosquitto())),
        ("embedded broker", &|| runtime.block_on(mqtt::embedded())),
        ("line protocol, pseudo-terminal", &serial::run),
    ];
    for (name, run) in links {
        let run = run();
        let floor = report(&format!("{name}: bare echo"), &run.floor, None);
        let ours = report(&format!("{name}: sample to order"), &run.ours, Some(run.processor));
        println!("{:<46} {:>8.2} of the floor's p99\n", "", ours / floor);
    }
    println!("processor: of one core, of the whole program while the readings came");
}

/// What one link's run gave.
struct Run {
    floor: Vec<Duration>,
    ours: Vec<Duration>,
    /// Share of one core.
    processor: f64,
}

fn report(name: &str, times: &[Duration], processor: Option<f64>) -> f64 {
    let mut micros: Vec<f64> = times.iter().map(|time| time.as_secs_f64() * 1e6).collect();
    micros.sort_by(f64::total_cmp);
    if micros.is_empty() {
        println!("{name:<46} nothing arrived");
        return f64::NAN;
    }
    let at = |share: f64| micros[((micros.len() - 1) as f64 * share).round() as usize];
    let share = processor.map_or(String::new(), |it| format!("{:.0} %", it * 100.0));
    println!("{name:<46} {:>8.0} {:>8.0} {:>8.0}   {share:>9}", at(0.5), at(0.99), at(1.0));
    if times.len() < EVENTS {
        println!("  only {} of {EVENTS} arrived", times.len());
    }
    at(0.99)
}

/// A layout whose districts wait for their shorts, with the blocks of the background.
fn layout(links: &str) -> String {
    let mut text = format!("schema = 1\n[layout]\nname = \"Two hundred districts\"\n{links}\n");
    for at in 0..EVENTS {
        let _ = write!(
            text,
            "[booster.b{at}]\nvolts = \"15 V\"\nlimit = \"5 A\"\n[district.d{at}]\nbooster = \"b{at}\"\ncut = true\n\
             breaker = {{ kind = \"electronic\", trip = \"3 A\", delay = \"200 ms\" }}\n"
        );
    }
    text.push_str(
        "[booster.rest]\nvolts = \"15 V\"\nlimit = \"5 A\"\n[district.rest]\nbooster = \"rest\"\n",
    );
    for node in 0..NODES {
        for channel in 0..CHANNELS {
            let _ = write!(text, "[block.n{node}c{channel}]\ndistrict = \"rest\"\n");
        }
    }
    text
}

/// What happens to one district, and when.
#[derive(Clone, Copy)]
struct Step {
    district: usize,
    milliamps: u32,
    decides: bool,
}

/// Each district: three quiet samples, then two at 5 A, 25 ms apart; the second decides. Then nothing flows.
fn schedule() -> Vec<(Duration, Step)> {
    const SAMPLES: [(u64, u32, bool); 8] = [
        (0, 300, false),
        (10, 300, false),
        (20, 300, false),
        (30, 5000, false),
        (55, 5000, true),
        (85, 0, false),
        (95, 0, false),
        (105, 0, false),
    ];
    let mut steps = Vec::new();
    for district in 0..EVENTS {
        let start = SPACING * u32::try_from(district).expect("few");
        for (at, milliamps, decides) in SAMPLES {
            let step = Step { district, milliamps, decides };
            steps.push((start + Duration::from_millis(at), step));
        }
    }
    steps.sort_by_key(|(at, _)| *at);
    steps
}

/// The program at work, ended by its own handle.
struct Daemon {
    child: Child,
}

impl Daemon {
    fn run(folder: &Path, layout: &str) -> Self {
        let path = folder.join("layout.toml");
        fs::write(&path, layout).expect("layout written");
        let program = std::env::var_os("CHECKRAIL_BIN");
        let child = Command::new(program.unwrap_or(env!("CARGO_BIN_EXE_checkrail").into()))
            .arg("run")
            .arg(&path)
            .args(["--listen", "127.0.0.1:0", "--data"])
            .arg(folder.join("data"))
            .env("CHECKRAIL_LOG", "error")
            .stderr(Stdio::null())
            .spawn()
            .expect("the program starts");
        Self { child }
    }

    /// Starts to measure its share of a core.
    fn processor(&self) -> Processor {
        let pid = self.child.id();
        Processor { pid, since: Instant::now(), ticks: ticks(pid) }
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

struct Processor {
    pid: u32,
    since: Instant,
    ticks: f64,
}

impl Processor {
    fn share(&self) -> f64 {
        (ticks(self.pid) - self.ticks) / 100.0 / self.since.elapsed().as_secs_f64()
    }
}

/// User and system time of a process in hundredths of a second (proc(5): fields 14 and 15).
fn ticks(pid: u32) -> f64 {
    let stat = fs::read_to_string(format!("/proc/{pid}/stat")).expect("it runs");
    let rest = stat.rsplit_once(')').map_or("", |(_, rest)| rest);
    let fields = rest.split_whitespace().skip(11).take(2);
    fields.filter_map(|it| it.parse::<f64>().ok()).sum()
}
