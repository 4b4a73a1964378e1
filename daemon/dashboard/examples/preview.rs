//! Serves the page with invented data, for looking at it and for the browser tests.
//!
//! `preview [STATE]` with STATE one of `quiet alarm flood stale empty script busy`; `DISTRICTS TURNOUTS DEMO PORT` in the
//! environment. `script` is quiet for four seconds and then has a fault; in `busy` 60 turnouts change with
//! each message. It prints what `checkrail demo` prints.

#![allow(clippy::print_stdout, reason = "a program to look at the page with")]

#[path = "../tests/valley/mod.rs"]
mod valley;

use std::{env, error::Error, net::SocketAddr, sync::Arc, time::Duration};

use dashboard::{Archive, Command, Metrics, NoArchive, Parts, Settings, Window, new_token, serve};
use supervision::snapshot::DistrictLoad;
use tokio::{
    sync::{mpsc, watch},
    time::{MissedTickBehavior, interval},
};
use valley::{layout::valley, plant::Plant};

#[tokio::main(flavor = "current_thread")]
async fn main() -> Result<(), Box<dyn Error>> {
    let state = env::args().nth(1).unwrap_or_else(|| "quiet".to_owned());
    let (districts, turnouts) =
        if state == "empty" { (0, 0) } else { (number("DISTRICTS", 4), number("TURNOUTS", 18)) };
    let layout = valley(districts.max(usize::from(state == "empty")), turnouts);
    let mut layout = layout;
    if state == "empty" {
        layout.districts.clear();
        layout.blocks.clear();
    }
    let plant = Plant::new(layout.clone(), wall_ms());
    let window = Arc::new(Window::new(plant.view()));
    let (commands, requests) = mpsc::channel(16);
    let (stop, shutdown) = watch::channel(false);
    let token = new_token()?;
    let settings = Settings {
        listen: SocketAddr::from(([127, 0, 0, 1], u16::try_from(number("PORT", 0))?)),
        hosts: Vec::new(),
        operator_token: token.clone(),
        read_token: None,
        revision: "5e0a11c3".to_owned(),
        demo: env::var_os("DEMO").is_some(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
    };
    let parts = Parts {
        layout: Arc::new(layout),
        window: Arc::clone(&window),
        commands,
        archive: archive(&state, turnouts),
        metrics: Arc::new(Metrics::new()),
        shutdown,
    };
    let server = serve(settings, parts).await?;
    println!("http://{}/", server.address());
    println!("operator token: {token}");
    tokio::spawn(play(state, plant, window, requests));
    tokio::signal::ctrl_c().await?;
    stop.send_replace(true);
    server.stopped().await;
    Ok(())
}

fn archive(state: &str, turnouts: usize) -> Arc<dyn Archive> {
    if state == "empty" { Arc::new(NoArchive) } else { Arc::new(valley::faults::archive(turnouts)) }
}

async fn play(
    state: String,
    mut plant: Plant,
    window: Arc<Window>,
    mut requests: mpsc::Receiver<Command>,
) {
    let mut beat = interval(Duration::from_millis(100));
    beat.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut beats = 0_u32;
    loop {
        tokio::select! {
            _ = beat.tick() => {
                plant.step(100);
                beats += 1;
                happen(&state, beats, &mut plant);
                window.note(plant.snapshot.districts.iter().map(DistrictLoad::from));
            }
            Some(command) = requests.recv() => {
                let _ = command.answer.send(plant.answer(&command.request.act));
            }
        }
        window.show(plant.view());
    }
}

fn happen(state: &str, beats: u32, plant: &mut Plant) {
    match (state, beats) {
        ("script", 40) | ("alarm", 5) => {
            plant.short();
            plant.hot(2);
        }
        ("flood", 5) => {
            plant.short();
            plant.flood();
        }
        ("stale", 5) => plant.silence(0),
        ("busy", _) => plant.busy(beats as usize),
        _ => {}
    }
}

fn number(name: &str, default: usize) -> usize {
    env::var(name).ok().and_then(|it| it.parse().ok()).unwrap_or(default)
}

fn wall_ms() -> i64 {
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    now.ok().and_then(|it| i64::try_from(it.as_millis()).ok()).unwrap_or(0)
}
