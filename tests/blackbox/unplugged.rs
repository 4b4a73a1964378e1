//! The built daemon whose only node is unplugged in the middle of a fault: the cut is owed until it is proved.

mod support;

use std::{
    collections::VecDeque,
    fs::File,
    io::{Read, Write},
    os::{fd::AsFd, unix::fs::symlink},
    path::Path,
    time::{Duration, Instant},
};

use links::clp::{
    crc::crc,
    framer::Framer,
    line::{Body, Down, Line},
    parse::parse,
};
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use serde_json::{Value, json};
use support::{daemon::Daemon, fixture, node::PATIENCE};

const TABLE: [&str; 3] = [
    "CH 0 cur A 0.001 50 district/east",
    "CH 1 cur A 0.001 50 booster/main",
    "CH 2 out - 1 0 district/east",
];
const STEP: Duration = Duration::from_millis(20);

/// A node on the far end of a pseudo-terminal. Its device is a link, so that it can be plugged in again.
struct Node {
    wire: File,
    framer: Framer,
    heard: VecDeque<Line>,
    seq: u16,
    boot: u16,
    started: Instant,
    /// Unit: mA.
    east: u32,
    on: bool,
}

impl Node {
    fn plug(device: &Path, boot: u16, on: bool) -> Self {
        let pair = nix::pty::openpty(None, None).expect("a pseudo-terminal");
        let mut settings = nix::sys::termios::tcgetattr(pair.slave.as_fd()).expect("its settings");
        nix::sys::termios::cfmakeraw(&mut settings);
        let now = nix::sys::termios::SetArg::TCSANOW;
        nix::sys::termios::tcsetattr(pair.slave.as_fd(), now, &settings).expect("set");
        // The daemon is a child: were it to inherit this end, nobody could unplug it.
        let own = nix::fcntl::FcntlArg::F_SETFD(nix::fcntl::FdFlag::FD_CLOEXEC);
        nix::fcntl::fcntl(&pair.master, own).expect("set");
        let name = nix::unistd::ttyname(&pair.slave).expect("its name");
        // The first time there is nothing to remove.
        let _ = std::fs::remove_file(device);
        symlink(name, device).expect("a link");
        Self {
            wire: File::from(pair.master),
            framer: Framer::default(),
            heard: VecDeque::new(),
            seq: 0,
            boot,
            started: Instant::now(),
            east: 400,
            on,
        }
    }

    fn says(&mut self, body: &str) {
        let text = format!("@01:{:04X} {body}", self.seq);
        self.seq = self.seq.wrapping_add(1);
        // Nobody may have the other end open at this moment: then it is lost, as on a wire.
        let _ = self.wire.write_all(format!("{text}*{:04X}\r\n", crc(text.as_bytes())).as_bytes());
    }

    /// What the daemon says within a step.
    fn listen(&mut self) {
        let mut ends = [PollFd::new(self.wire.as_fd(), PollFlags::POLLIN)];
        let step = PollTimeout::try_from(STEP).expect("short");
        let ready = poll(&mut ends, step).expect("a line") > 0;
        let closed = ends[0].revents().is_some_and(|it| it.contains(PollFlags::POLLHUP));
        if closed {
            // The daemon has not opened it yet: the poll does not wait.
            std::thread::sleep(STEP);
        }
        let mut bytes = [0; 1024];
        if !ready || closed {
            return;
        }
        let count = self.wire.read(&mut bytes).unwrap_or(0);
        let heard = &mut self.heard;
        self.framer.feed(&bytes[..count], |text| heard.extend(parse(text)));
    }

    fn measures(&mut self) {
        let ms = self.started.elapsed().as_millis();
        let amps = if self.on { self.east } else { 0 };
        self.says(&format!("RD {ms} 0 {amps} {amps}"));
    }

    /// Goes on measuring, answers everything, and obeys where it `obeys`; until a line is what is wanted.
    fn until<T>(&mut self, what: &str, obeys: bool, found: impl Fn(&Down) -> Option<T>) -> T {
        let limit = Instant::now() + PATIENCE;
        while Instant::now() < limit {
            self.listen();
            self.measures();
            while let Some(line) = self.heard.pop_front() {
                let Body::Down(down) = &line.body else { continue };
                let wanted = found(down);
                self.answers(&line, obeys);
                if let Some(it) = wanted {
                    return it;
                }
            }
        }
        panic!("never heard: {what}");
    }

    fn answers(&mut self, line: &Line, obeys: bool) {
        let Body::Down(down) = &line.body else { return };
        match down {
            Down::Hello { .. } => self.introduces_itself(),
            Down::Cut { .. } if obeys => {
                self.on = false;
                self.says(&format!("AK {:04X} OK", line.seq));
                let ms = self.started.elapsed().as_millis();
                self.says(&format!("ST {ms} 2=0"));
            }
            Down::Cut { .. } | Down::Permit { .. } => {}
            Down::Go { .. } => {
                self.says(&format!("AK {:04X} OK", line.seq));
                let (ms, on) = (self.started.elapsed().as_millis(), u8::from(self.on));
                self.says(&format!("ST {ms} 2={on}"));
            }
            Down::Arm { .. } | Down::On { .. } => panic!("nobody restores: {down:?}"),
            Down::Ping | Down::Rate { .. } | Down::Throw { .. } => {
                self.says(&format!("AK {:04X} OK", line.seq));
            }
        }
    }

    fn introduces_itself(&mut self) {
        let boot = self.boot;
        self.says(&format!("HI clp=1-1 id=east-node boot={boot:04X} ch=3 cmd=4 deadman=1000"));
        TABLE.iter().for_each(|row| self.says(row));
        let check = crc(TABLE.join("\n").as_bytes());
        self.says(&format!("CE 3 {check:04X}"));
    }

    /// Measures until the page shows what is wanted.
    fn until_shown(&mut self, what: &str, daemon: &Daemon, shows: impl Fn(&Value) -> bool) {
        let limit = Instant::now() + PATIENCE;
        while Instant::now() < limit {
            self.listen();
            self.measures();
            while let Some(line) = self.heard.pop_front() {
                self.answers(&line, true);
            }
            if shows(&east(daemon)) {
                return;
            }
        }
        panic!("never shown: {what}: {}", east(daemon));
    }
}

fn east(daemon: &Daemon) -> Value {
    daemon.json("/api/v1/state")["districts"][0].clone()
}

fn until_shown(what: &str, mut shows: impl FnMut() -> bool) {
    let limit = Instant::now() + PATIENCE;
    while Instant::now() < limit {
        if shows() {
            return;
        }
        std::thread::sleep(STEP);
    }
    panic!("never shown: {what}");
}

#[test]
fn unplugged_during_a_fault_it_is_cut_when_it_comes_back() {
    let folder = tempfile::tempdir().expect("a folder");
    let device = folder.path().join("node");
    let mut node = Node::plug(&device, 0x9C41, true);
    let layout = std::fs::read_to_string(fixture("layouts/two-districts.toml")).expect("fixture");
    let serial = format!("\n[links.serial.bench]\ndevice = \"{}\"\n", device.display());
    let daemon = Daemon::run(folder.path(), &format!("{layout}{serial}"));
    node.until_shown("power in the east", &daemon, |it| it["power"] == json!("on"));
    node.until("a permit", true, |it| matches!(it, Down::Permit { .. }).then_some(()));
    node.east = 5000;
    // It hears the order and is pulled out before it obeys.
    node.until("the cut", false, |it| matches!(it, Down::Cut { .. }).then_some(()));
    drop(node);
    until_shown("that the cut is not proved", || {
        let east = east(&daemon);
        east["locked_out"] == json!(true)
            && east["power"] != json!("on")
            && east["power"] != json!("cut")
    });
    let (status, health) = daemon.http("GET", "/health", None, "");
    assert_eq!(status, 200, "it lives: {health}");
    // Back with a new boot and, as a node must not be, still on: the cut comes before anything else.
    let mut node = Node::plug(&device, 0x9C42, true);
    let first = node.until("an order", true, |it| match it {
        Down::Cut { .. } => Some("cut"),
        Down::Arm { .. } | Down::On { .. } => Some("on"),
        _ => None,
    });
    assert_eq!(first, "cut");
    node.until_shown("the proved cut", &daemon, |it| it["power"] == json!("cut"));
    until_shown("the record", || {
        daemon.json("/api/v1/faults")["faults"][0]["complete"] == json!(true)
    });
    assert_eq!(east(&daemon)["locked_out"], json!(true));
    daemon.kill();
}
