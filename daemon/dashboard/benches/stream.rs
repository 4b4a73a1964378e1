//! What following costs: pages that follow 400 turnouts at ten messages a second, beside one that does not read.
//!
//! `cargo bench -p dashboard --bench stream`; `SECONDS` and `CLIENTS` in the environment. CPU is that of this process,
//! the followers in it: above what the dashboard alone takes.

#![allow(clippy::print_stdout, reason = "a bench that prints its figures")]

#[path = "../tests/valley/mod.rs"]
mod valley;

use std::{
    env, fs,
    net::SocketAddr,
    sync::{
        Arc,
        atomic::{AtomicU64, Ordering},
    },
    time::{Duration, Instant},
};

use dashboard::{Metrics, NoArchive, Parts, Settings, Window, serve};
use supervision::snapshot::DistrictLoad;
use tokio::{
    io::{AsyncBufReadExt, AsyncWriteExt, BufReader},
    net::TcpStream,
    sync::{mpsc, watch},
    time::{MissedTickBehavior, interval, sleep},
};
use valley::{layout::valley, plant::Plant};

#[derive(Default)]
struct Seen {
    bytes: AtomicU64,
    messages: AtomicU64,
    snapshots: AtomicU64,
    longest_us: AtomicU64,
}

#[tokio::main(flavor = "current_thread")]
async fn main() {
    let seconds = number("SECONDS", 10);
    let clients = number("CLIENTS", 20);
    println!("400 turnouts, 60 of them changing, 10 messages a second, {seconds} s each:");
    let (window, address, stop) = start().await;
    let mut base = None;
    for (followers, sleepers) in [(0, 0), (1, 0), (clients, 0), (clients, 1), (clients, 5)] {
        let seen = Arc::new(Seen::default());
        let tasks: Vec<_> = (0..followers)
            .map(|_| tokio::spawn(follow(address, Arc::clone(&seen))))
            .chain((0..sleepers).map(|_| tokio::spawn(sleep_on(address))))
            .collect();
        sleep(Duration::from_secs(1)).await;
        for counter in [&seen.bytes, &seen.messages, &seen.snapshots, &seen.longest_us] {
            counter.store(0, Ordering::Relaxed);
        }
        let (cpu, begun) = (cpu_seconds(), Instant::now());
        sleep(Duration::from_secs(seconds)).await;
        let (cpu, took) = (cpu_seconds() - cpu, begun.elapsed().as_secs_f64());
        let base = *base.get_or_insert(cpu / took);
        report(&seen, (followers, sleepers), (cpu / took, base), took);
        tasks.iter().for_each(tokio::task::JoinHandle::abort);
    }
    stop.send_replace(true);
    drop(window);
}

fn report(seen: &Seen, (followers, sleepers): (u64, u64), (cpu, base): (f64, f64), took: f64) {
    let get = |counter: &AtomicU64| counter.load(Ordering::Relaxed) as f64;
    let each = (followers as f64).max(1.0);
    println!(
        "{followers:>3} follow, {sleepers} do not read: {:>6.2} % of a core ({:>5.2} above none), {:>6.1} kB/s each, \
         {:>5.2} messages/s each, longest gap {:>4.0} ms, {} snapshots again, {:.1} MB resident",
        cpu * 100.0,
        (cpu - base) * 100.0,
        get(&seen.bytes) / each / took / 1e3,
        get(&seen.messages) / each / took,
        get(&seen.longest_us) / 1e3,
        get(&seen.snapshots),
        resident_mb(),
    );
}

async fn start() -> (Arc<Window>, SocketAddr, watch::Sender<bool>) {
    let layout = valley(10, 400);
    let plant = Plant::new(layout.clone(), 1_795_600_000_000);
    let window = Arc::new(Window::new(plant.view()));
    let (commands, _requests) = mpsc::channel(1);
    let (stop, shutdown) = watch::channel(false);
    let settings = Settings {
        listen: SocketAddr::from(([127, 0, 0, 1], 0)),
        hosts: Vec::new(),
        operator_token: "bench".to_owned(),
        read_token: None,
        revision: String::new(),
        demo: false,
        version: "0.0.0".to_owned(),
    };
    let parts = Parts {
        layout: Arc::new(layout),
        window: Arc::clone(&window),
        commands,
        archive: Arc::new(NoArchive),
        metrics: Arc::new(Metrics::new()),
        shutdown,
    };
    let server = serve(settings, parts).await.expect("a free port");
    tokio::spawn(play(plant, Arc::clone(&window)));
    (window, server.address(), stop)
}

/// Every beat other turnouts carry another current.
async fn play(mut plant: Plant, window: Arc<Window>) {
    let mut beat = interval(Duration::from_millis(100));
    beat.set_missed_tick_behavior(MissedTickBehavior::Delay);
    for round in 0_usize.. {
        beat.tick().await;
        plant.step(100);
        plant.busy(round);
        window.note(plant.snapshot.districts.iter().map(DistrictLoad::from));
        window.show(plant.view());
    }
}

async fn open(address: SocketAddr) -> TcpStream {
    let mut stream = TcpStream::connect(address).await.expect("it listens");
    let ask = format!("GET /api/v1/stream HTTP/1.1\r\nHost: {address}\r\n\r\n");
    stream.write_all(ask.as_bytes()).await.expect("it listens");
    stream
}

async fn follow(address: SocketAddr, seen: Arc<Seen>) {
    let mut lines = BufReader::new(open(address).await);
    let mut line = Vec::new();
    let mut last = Instant::now();
    loop {
        line.clear();
        let count = lines.read_until(b'\n', &mut line).await.unwrap_or(0);
        if count == 0 {
            return;
        }
        seen.bytes.fetch_add(count as u64, Ordering::Relaxed);
        if line.starts_with(b"event: snap") {
            seen.snapshots.fetch_add(1, Ordering::Relaxed);
        }
        if line.starts_with(b"data: ") {
            seen.messages.fetch_add(1, Ordering::Relaxed);
            let gap = u64::try_from(last.elapsed().as_micros()).unwrap_or(u64::MAX);
            seen.longest_us.fetch_max(gap, Ordering::Relaxed);
            last = Instant::now();
        }
    }
}

/// Follows and never reads: its queues fill up and stay full.
async fn sleep_on(address: SocketAddr) {
    let _held = open(address).await;
    std::future::pending::<()>().await;
}

/// Time that the one thread of the runtime has run.
fn cpu_seconds() -> f64 {
    let text = fs::read_to_string("/proc/self/schedstat").unwrap_or_default();
    let nanos = text.split(' ').next().and_then(|it| it.parse::<f64>().ok());
    nanos.unwrap_or(0.0) / 1e9
}

fn resident_mb() -> f64 {
    let text = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = text.lines().find_map(|it| it.strip_prefix("VmRSS:"));
    let kilo = line.and_then(|it| it.trim().split(' ').next()?.parse::<f64>().ok());
    kilo.unwrap_or(0.0) / 1e3
}

fn number(name: &str, default: u64) -> u64 {
    env::var(name).ok().and_then(|it| it.parse().ok()).unwrap_or(default)
}
