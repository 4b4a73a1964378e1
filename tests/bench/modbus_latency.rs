//! From an overload at a meter to the coil of its district, over a pseudo-terminal whose far end keeps the pace of a
//! 19200 baud line, beside what the poll cycle makes one expect.
//!
//! `cargo bench --bench modbus_latency`. Eight meters of eight registers and one relay board; one district after another
//! is shorted at a moment of its own. Time runs from the moment at which the meter's register changes to the last byte
//! of the coil's order. The supervisor wants two samples, so two cycles and one exchange are the most to expect.

#![allow(clippy::print_stdout, reason = "a bench prints its table")]

use std::{
    fmt::Write as _,
    fs::{self, File},
    io::{Read, Write},
    os::fd::AsRawFd,
    path::Path,
    process::{Command, Stdio},
    sync::{Arc, Mutex},
    thread,
    time::{Duration, Instant},
};

const METERS: usize = 8;
const REGISTERS: usize = 8;
const ROUNDS: usize = 2;
/// One character of eleven bits at 19200 baud.
const CHARACTER: Duration = Duration::from_nanos(11_000_000_000 / 19_200);
const BOARD: u8 = 9;

fn main() {
    println!(
        "{METERS} meters of {REGISTERS} registers and a relay board, 19200 baud, {} shorts each\n",
        ROUNDS * METERS
    );
    println!(
        "{:>14} {:>8} {:>12} {:>14} {:>9} {:>9} {:>9}",
        "turnaround", "cycle", "cycle+cut", "2 cycles+cut", "p50", "p99", "max"
    );
    for turnaround in [5, 25].map(Duration::from_millis) {
        let mut times = Vec::new();
        for round in 0..ROUNDS {
            times.extend(one_run(turnaround, round));
        }
        report(turnaround, times);
    }
}

fn report(turnaround: Duration, mut times: Vec<Duration>) {
    times.sort();
    let read = exchange(8, 5 + 2 * REGISTERS, turnaround);
    let cycle = read * u32::try_from(METERS).expect("few") + exchange(8, 6, turnaround);
    let cut = exchange(8, 8, turnaround);
    let ms = |time: Duration| format!("{:.0} ms", time.as_secs_f64() * 1e3);
    let at = |share: f64| ms(times[((times.len() - 1) as f64 * share).round() as usize]);
    println!(
        "{:>14} {:>8} {:>12} {:>14} {:>9} {:>9} {:>9}",
        ms(turnaround),
        ms(cycle),
        ms(cycle + cut),
        ms(cycle * 2 + cut),
        at(0.5),
        at(0.99),
        at(1.0)
    );
    if times.len() < ROUNDS * METERS {
        println!("  only {} of {} were cut", times.len(), ROUNDS * METERS);
    }
}

/// A question, its answer, the gap before each (3.5 characters) and the unit's own time.
fn exchange(question: usize, answer: usize, turnaround: Duration) -> Duration {
    let characters = u32::try_from(question + answer).expect("few");
    CHARACTER * characters + CHARACTER * 7 + turnaround
}

/// The layout's plant: what the meters show and when a coil was switched off.
#[derive(Default)]
struct Plant {
    milliamps: [u16; METERS],
    coils: [bool; METERS],
    cut: [Option<Instant>; METERS],
}

fn one_run(turnaround: Duration, round: usize) -> Vec<Duration> {
    let folder = tempfile::tempdir().expect("a folder");
    let pair = nix::pty::openpty(None, None).expect("a pseudo-terminal");
    let name =
        fs::read_link(format!("/proc/self/fd/{}", pair.slave.as_raw_fd())).expect("its name");
    let plant = Arc::new(Mutex::new(Plant { milliamps: [300; METERS], ..Plant::default() }));
    let shared = Arc::clone(&plant);
    thread::spawn(move || serve(File::from(pair.master), turnaround, &shared));
    let layout = folder.path().join("layout.toml");
    fs::write(&layout, text(&name, turnaround)).expect("layout written");
    let mut daemon = Command::new(env!("CARGO_BIN_EXE_checkrail"))
        .arg("run")
        .arg(&layout)
        .args(["--listen", "127.0.0.1:0", "--data"])
        .arg(folder.path().join("data"))
        .env("CHECKRAIL_LOG", "error")
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    let times = shorts(&plant, round);
    let _ = daemon.kill();
    let _ = daemon.wait();
    drop(pair.slave);
    times
}

fn text(device: &Path, turnaround: Duration) -> String {
    let poll = if turnaround < Duration::from_millis(10) { 250 } else { 420 };
    let mut text = format!(
        "schema = 1\n[booster.main]\nvolts = \"15 V\"\nlimit = \"40 A\"\n[protection]\npower-on = \"auto\"\n\
         [links.modbus.bench]\ndevice = \"{}\"\ntimeout = \"60 ms\"\n",
        device.display()
    );
    let mut outputs = String::new();
    for at in 0..METERS {
        let _ = write!(
            text,
            "[district.d{at}]\nbooster = \"main\"\ncut = true\n\
             breaker = {{ kind = \"electronic\", trip = \"3 A\", delay = \"2 s\" }}\n\
             [[links.modbus.bench.unit]]\naddress = {}\npoll = \"{poll} ms\"\npoints = [\n\
             {{ channel = \"district/d{at}/current\", fn = 4, addr = 0, scale = 0.001 }},\n\
             {{ channel = \"district/d{at}/voltage\", fn = 4, addr = {}, scale = 0.01 }},\n]\n",
            at + 1,
            REGISTERS - 1
        );
        let _ = writeln!(
            outputs,
            "{{ channel = \"district/d{at}/power\", coil = {at}, deadman = \"board\" }},"
        );
    }
    let _ = write!(
        text,
        "[[links.modbus.bench.unit]]\naddress = {BOARD}\npoll = \"{poll} ms\"\noutputs = [{outputs}]\n"
    );
    text
}

/// Shorts one district after the other, once all are on.
fn shorts(plant: &Mutex<Plant>, round: usize) -> Vec<Duration> {
    let start = Instant::now();
    let all_on = || plant.lock().expect("whole").coils.iter().all(|on| *on);
    while !all_on() && start.elapsed() < Duration::from_secs(30) {
        thread::sleep(Duration::from_millis(20));
    }
    thread::sleep(Duration::from_secs(4));
    let mut times = Vec::new();
    for at in 0..METERS {
        // A moment of its own within the cycle.
        thread::sleep(Duration::from_millis(1200 + ((round * METERS + at) * 37 % 200) as u64));
        let shorted = Instant::now();
        {
            let mut plant = plant.lock().expect("whole");
            plant.milliamps[at] = 8000;
            plant.cut[at] = None;
        }
        let cut = || plant.lock().expect("whole").cut[at];
        while cut().is_none() && shorted.elapsed() < Duration::from_secs(5) {
            thread::sleep(Duration::from_millis(1));
        }
        times.extend(cut().map(|cut| cut - shorted));
    }
    times
}

/// The units, at the pace of the line.
fn serve(mut line: File, turnaround: Duration, plant: &Mutex<Plant>) {
    let mut question = Vec::new();
    let mut bytes = [0; 64];
    while let Ok(count) = line.read(&mut bytes) {
        let heard = Instant::now();
        question.extend_from_slice(&bytes[..count]);
        if question.len() < 8 {
            continue;
        }
        let asked = std::mem::take(&mut question);
        let there = heard + CHARACTER * 8;
        let answer = answer(&asked, there, plant);
        let length = u32::try_from(answer.len()).expect("short");
        let back = there + turnaround + CHARACTER * length;
        thread::sleep(back.saturating_duration_since(Instant::now()));
        if line.write_all(&answer).is_err() {
            return;
        }
    }
}

fn answer(asked: &[u8], at: Instant, plant: &Mutex<Plant>) -> Vec<u8> {
    let mut plant = plant.lock().expect("whole");
    let word = |at: usize| usize::from(u16::from_be_bytes([asked[at], asked[at + 1]]));
    let (first, second) = (word(2), word(4));
    let mut body = vec![asked[0], asked[1]];
    match asked[1] {
        5 => {
            let on = second == 0xFF00;
            plant.coils[first] = on;
            if !on {
                plant.cut[first] = plant.cut[first].or(Some(at));
                plant.milliamps[first] = 300;
            }
            return asked.to_vec();
        }
        // The board has no coils beyond its own, and says so.
        1 if METERS < first + second => body = vec![asked[0], 0x81, 2],
        1 => {
            let bits = plant.coils.iter().enumerate();
            let byte = bits.fold(0_u8, |byte, (at, on)| byte | (u8::from(*on) << at));
            body.extend([1, byte >> first]);
        }
        _ => {
            body.push(u8::try_from(2 * second).expect("short"));
            let meter = usize::from(asked[0] - 1);
            let amps = if plant.coils[meter] { plant.milliamps[meter] } else { 0 };
            for at in first..first + second {
                let value = if at == 0 { amps } else { 1500 };
                body.extend(value.to_be_bytes());
            }
        }
    }
    let check = links::modbus::crc::crc(&body).to_le_bytes();
    body.extend(check);
    body
}
