//! The C library for nodes, compiled with the system's compiler and its sanitizers, against the built daemon over two
//! pseudo-terminals with the test between them: it sees every line, and can spoil them.

mod support;

use std::{
    fmt::Write as _,
    fs::File,
    io::{BufRead, BufReader, Read, Write},
    path::{Path, PathBuf},
    process::{Child, ChildStdin, Command, Stdio},
    sync::{Arc, Mutex},
    time::{Duration, Instant},
};

use serde_json::json;
use support::{daemon::Daemon, fixture, project, pty::Pty};

const PATIENCE: Duration = Duration::from_secs(20);
const STRICT: [&str; 6] = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-O1"];
const SANITIZED: [&str; 2] = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all"];

/// Waits until something is so.
fn until<T>(what: &str, mut found: impl FnMut() -> Option<T>) -> T {
    let limit = Instant::now() + PATIENCE;
    while Instant::now() < limit {
        if let Some(it) = found() {
            return it;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("never came: {what}");
}

/// The example node, compiled. Sanitizers are used where the compiler has them.
fn compile(folder: &Path) -> PathBuf {
    let program = folder.join("node");
    let source = project("deploy/node");
    let build = |flags: &[&str]| {
        let mut command = Command::new("cc");
        command.args(STRICT).args(flags).arg("-o").arg(&program);
        command.args([source.join("example.c"), source.join("checkrail_node.c")]);
        command.output().expect("a C compiler")
    };
    if !build(&SANITIZED).status.success() {
        let plain = build(&[]);
        assert!(plain.status.success(), "{}", String::from_utf8_lossy(&plain.stderr));
    }
    program
}

/// The line, and all that was said on it.
struct Wire {
    host: Pty,
    node: Pty,
    said: Arc<Mutex<String>>,
}

impl Wire {
    fn lay() -> Self {
        let (host, node) = (Pty::open(), Pty::open());
        let said = Arc::new(Mutex::new(String::new()));
        for (from, to) in [(host.copy(), node.copy()), (node.copy(), host.copy())] {
            let said = Arc::clone(&said);
            std::thread::spawn(move || carry(from, to, &said));
        }
        Self { host, node, said }
    }

    /// Lines since the last look, whole or in pieces.
    fn heard(&self, what: &str) -> bool {
        self.said.lock().expect("not poisoned").contains(what)
    }

    fn forget(&self) {
        self.said.lock().expect("not poisoned").clear();
    }

    fn until(&self, what: &str) {
        until(what, || self.heard(what).then_some(()));
    }

    /// Rubbish to both ends.
    fn spoil(&self, bytes: &[u8]) {
        self.host.copy().write_all(bytes).expect("written");
        self.node.copy().write_all(bytes).expect("written");
    }
}

/// Carries bytes one way. While the far end is closed there is nothing to read.
fn carry(mut from: File, mut to: File, said: &Mutex<String>) {
    let mut bytes = [0; 256];
    loop {
        match from.read(&mut bytes) {
            Ok(count) => {
                let text = String::from_utf8_lossy(&bytes[..count]);
                said.lock().expect("not poisoned").push_str(&text);
                // What is written to a closed end is lost, as on a wire.
                let _ = to.write_all(&bytes[..count]);
            }
            Err(_) => std::thread::sleep(Duration::from_millis(5)),
        }
    }
}

/// The node's program.
struct Node {
    child: Child,
    world: ChildStdin,
    said: Arc<Mutex<Vec<String>>>,
}

impl Node {
    fn start(program: &Path, device: &str) -> Self {
        let mut child = Command::new(program)
            .arg(device)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the node starts");
        let world = child.stdin.take().expect("piped");
        let lines = BufReader::new(child.stdout.take().expect("piped")).lines();
        let said = Arc::new(Mutex::new(Vec::new()));
        let log = Arc::clone(&said);
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                log.lock().expect("not poisoned").push(line);
            }
        });
        Self { child, world, said }
    }

    fn count(&self, what: &str) -> usize {
        self.said.lock().expect("not poisoned").iter().filter(|line| *line == what).count()
    }

    fn until(&self, what: &str, times: usize) {
        until(what, || (self.count(what) >= times).then_some(()));
    }

    fn world(&mut self, text: &str) {
        writeln!(self.world, "{text}").expect("it listens");
    }

    /// Ends it; a finding of the sanitizers shows in its status.
    fn quit(mut self) {
        self.world("quit");
        let status = self.child.wait().expect("it ends");
        assert!(status.success(), "{status}");
    }
}

fn layout(device: &str) -> String {
    let path = fixture("layouts/two-districts.toml");
    let mut layout = std::fs::read_to_string(path).expect("fixture");
    let more =
        format!("[links.serial.bench]\ndevice = \"{device}\"\n[protection]\npower-on = \"auto\"\n");
    write!(layout, "\n{more}").expect("text");
    layout
}

fn act(daemon: &Daemon, act: &str, body: &str) -> u16 {
    daemon.http("POST", &format!("/api/v1/{act}"), Some(&daemon.token), body).0
}

#[test]
fn the_c_node_is_switched_on_held_cut_and_falls_without_permits() {
    let folder = tempfile::tempdir().expect("a folder");
    let wire = Wire::lay();
    let mut node = Node::start(&compile(folder.path()), &wire.node.device);
    let daemon = Daemon::run(folder.path(), &layout(&wire.host.device));
    node.until("session on", 1);
    // Found off at the start, it is switched on by token, and permits hold it.
    node.until("output on", 1);
    until("the reading", || {
        (daemon.json("/api/v1/state")["districts"][0]["ma"] == json!(400)).then_some(())
    });
    wire.forget();
    until("permits", || {
        let said = wire.said.lock().expect("not poisoned").clone();
        (said.matches(" PM ").count() > 8).then_some(())
    });
    assert_eq!(node.count("output off"), 1, "the off of the start alone");
    cut_and_restored(&daemon, &wire, &node);
    spoilt(&daemon, &wire, &node);
    // The daemon is gone: power falls by itself, and stays off when it is back.
    wire.forget();
    daemon.kill();
    node.until("output off", 3);
    wire.until(" WDT*");
    let daemon = Daemon::run(folder.path(), &layout(&wire.host.device));
    wire.until(" GO clp=1 ");
    node.until("session on", 2);
    tripped(&daemon, &wire, &mut node);
    drop(daemon);
    node.quit();
}

fn cut_and_restored(daemon: &Daemon, wire: &Wire, node: &Node) {
    wire.forget();
    assert!(matches!(act(daemon, "cut", r#"{"district":"east"}"#), 200 | 204));
    node.until("output off", 2);
    wire.until(" CUT 3 ");
    wire.until(" OK*");
    until("the proved cut", || {
        (daemon.json("/api/v1/state")["districts"][0]["power"] == json!("cut")).then_some(())
    });
    until("the restore", || {
        let status = act(daemon, "restore", r#"{"district":"east","confirm":true}"#);
        matches!(status, 200 | 204).then_some(())
    });
    node.until("output on", 2);
}

/// Rubbish between and within lines: the session and the output stay.
fn spoilt(daemon: &Daemon, wire: &Wire, node: &Node) {
    let mut dice = 0x5EED_0002_u64;
    for _ in 0..200 {
        let rubbish: Vec<u8> = (0..40)
            .map(|_| {
                dice = dice.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                u8::try_from(dice >> 56).unwrap_or(0)
            })
            .collect();
        wire.spoil(&rubbish);
        wire.spoil(b"#01:0001 ON 3 0000*FFFF\r\n@01:0");
        std::thread::sleep(Duration::from_millis(2));
    }
    wire.forget();
    wire.until(" RD ");
    wire.until(" HB ");
    let state = daemon.json("/api/v1/state");
    assert_eq!(state["districts"][0]["power"], json!("on"), "{}", state["districts"][0]);
    assert_eq!((node.count("output off"), node.count("output on")), (2, 2));
}

fn tripped(daemon: &Daemon, wire: &Wire, node: &mut Node) {
    node.until("output on", 3);
    until("power", || {
        (daemon.json("/api/v1/state")["districts"][0]["power"] == json!("on")).then_some(())
    });
    wire.forget();
    node.world("current 6500");
    node.until("output off", 4);
    wire.until(" TRIP 6500*");
    let fault = until("the fault", || {
        let faults = daemon.json("/api/v1/faults");
        let first = faults["faults"][0].clone();
        (first["complete"] == json!(true)).then_some(first)
    });
    assert_eq!(fault["district"], "east", "{fault}");
    assert_eq!(fault["cause"], "power-cut", "a breaker that opens unasked: {fault}");
    assert_eq!(
        fault["fault"], 1,
        "nothing before it was a fault, and it was not switched on again"
    );
}
