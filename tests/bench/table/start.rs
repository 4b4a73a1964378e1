//! From the start of the program to its word that it watches, and its memory, at 400 turnouts.

use std::{
    fs,
    os::unix::net::UnixDatagram,
    path::Path,
    time::{Duration, Instant},
};

use tokio::time::sleep;

use crate::{
    Plan, latency, roles,
    support::{
        broker::mosquitto,
        client::connect,
        figures::{Row, judged, number, row},
        process::{Process, program},
    },
    yard,
};

/// Memory is measured as the service has it: with what it sets for the allocator.
const SERVICE: &str = include_str!("../../../deploy/checkrail.service");

const PATIENCE: Duration = Duration::from_secs(20);

/// Time to ready, and memory after a time under load.
pub(crate) fn rows(plan: &Plan) -> Vec<Row> {
    let work = tempfile::tempdir().expect("a folder");
    let Some((_broker, port)) = mosquitto(work.path()) else { return Vec::new() };
    let layout = work.path().join("layout.toml");
    let links = format!("[links.mqtt]\nbroker = \"mqtt://127.0.0.1:{port}\"");
    fs::write(&layout, yard::text(0, &links)).expect("layout written");
    let mut times: Vec<Duration> = (0..plan.starts)
        .filter_map(|nth| begin(&layout, &work.path().join(format!("run-{nth}"))).map(|it| it.1))
        .collect();
    times.sort();
    let ms = |at: usize| times.get(at).map(|it| it.as_secs_f64() * 1e3);
    let (median, most) = (ms(times.len() / 2), ms(times.len().saturating_sub(1)));
    let mut rows = vec![row(
        &format!("start to ready, 400 turnouts, {} starts", times.len()),
        &format!("median {} ms", number(median)),
        &format!("longest {} ms", number(most)),
        "",
        &judged("below 200 ms", median.map(|it| it < 200.0)),
    )];
    if let Some((process, _)) = begin(&layout, &work.path().join("run-last")) {
        rows.push(memory(&process, port, plan));
    }
    rows
}

/// Starts it and waits for its word, as the service manager does.
fn begin(layout: &Path, run: &Path) -> Option<(Process, Duration)> {
    fs::create_dir_all(run).expect("a folder");
    let socket = run.join("notify");
    let manager = UnixDatagram::bind(&socket).expect("a socket");
    manager.set_read_timeout(Some(PATIENCE)).expect("a limit");
    let mut command = program();
    command
        .arg("run")
        .arg(layout)
        .args(["--listen", "127.0.0.1:0", "--data"])
        .arg(run.join("data"));
    command.env("NOTIFY_SOCKET", &socket).env("CHECKRAIL_LOG", "warn");
    let set = SERVICE.lines().filter_map(|line| line.strip_prefix("Environment="));
    command.envs(set.flat_map(str::split_whitespace).filter_map(|it| it.split_once('=')));
    let began = Instant::now();
    let process = Process::start(command).expect("the program starts");
    let mut word = [0; 256];
    while let Ok(length) = manager.recv(&mut word) {
        if word[..length].windows(7).any(|it| it == b"READY=1") {
            return Some((process, began.elapsed()));
        }
    }
    None
}

/// Memory at rest, and after all currents were heard for a while.
fn memory(process: &Process, port: u16, plan: &Plan) -> Row {
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build();
    let (rest, after) = runtime.expect("a runtime").block_on(async {
        let (client, eventloop) = connect("bench", port, &[], true).await;
        let _heard = crate::support::client::listen(eventloop);
        latency::announce(&client, "checkrail", 0).await;
        sleep(Duration::from_secs(2)).await;
        let rest = process.resident();
        let _others = roles::start("load", &[&port.to_string(), "checkrail"]);
        sleep(plan.fill).await;
        (rest, process.resident())
    });
    row(
        &format!(
            "resident as a service, 400 turnouts, {} s of 5,000 readings/s",
            plan.fill.as_secs()
        ),
        &format!("{after:.1} MB"),
        &format!("at rest {rest:.1} MB"),
        "",
        &judged("below 30 MB", Some(after < 30.0)),
    )
}
