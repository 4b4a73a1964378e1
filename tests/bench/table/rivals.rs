//! The general-purpose tools that would be used instead: installed on demand, each with what it needs and no more.

use std::{
    env, fs,
    path::{Path, PathBuf},
    process::Command,
};

use crate::support::{broker::free_port, process::Process};

const NODE_RED: &str = "node-red@4.1.2";

/// Where they are kept, beside what else is built.
fn folder() -> PathBuf {
    let exe = env::current_exe().expect("its own path");
    // target/release/deps/table-…
    exe.ancestors().nth(3).expect("a folder of the build").join("tests/bench")
}

fn source(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/bench/rivals").join(name)
}

fn succeeds(command: &mut Command) -> bool {
    command.output().is_ok_and(|it| it.status.success())
}

/// The script in Python; none where Python or its package cannot be had.
pub(crate) fn script(port: u16, root: &str) -> Option<Process> {
    let python = folder().join("python/bin/python");
    let has =
        |python: &Path| succeeds(Command::new(python).args(["-c", "import paho.mqtt.client"]));
    if !has(&python) {
        fs::create_dir_all(folder()).ok()?;
        let venv = folder().join("python");
        let made = succeeds(Command::new("python3").args(["-m", "venv"]).arg(venv));
        let mut pip = Command::new(&python);
        pip.args(["-m", "pip", "install", "--quiet", "-r"]).arg(source("requirements.txt"));
        if !made || !succeeds(&mut pip) {
            return None;
        }
    }
    let mut command = Command::new(python);
    command.arg(source("threshold.py")).arg(port.to_string()).arg(root);
    Process::start(command).ok()
}

/// The flow in Node-RED; none where Node or the package cannot be had.
pub(crate) fn flow(port: u16, work: &Path) -> Option<Process> {
    let home = folder().join("node-red");
    let program = home.join("node_modules/node-red/red.js");
    if !program.exists() {
        fs::create_dir_all(&home).ok()?;
        let mut npm = Command::new("npm");
        npm.args(["install", "--no-audit", "--no-fund", "--omit=optional", "--silent", "--prefix"]);
        if !succeeds(npm.arg(&home).arg(NODE_RED)) {
            return None;
        }
    }
    let user = work.join("flow");
    fs::create_dir_all(&user).ok()?;
    fs::copy(source("threshold-flow.json"), user.join("flow.json")).ok()?;
    let mut command = Command::new("node");
    command.arg(program).arg("--userDir").arg(&user).arg("--settings").arg(source("settings.js"));
    command.arg(user.join("flow.json"));
    command.env("BENCH_PORT", port.to_string()).env("BENCH_UI_PORT", free_port().to_string());
    Process::start(command).ok()
}
