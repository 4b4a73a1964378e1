//! The line protocol over a pseudo-terminal: a node played by hand on its other end.

#[path = "support/bench.rs"]
mod bench;
#[path = "support/layout.rs"]
mod layout;

use std::{collections::VecDeque, fs::File, os::unix::fs::symlink, path::Path, time::Duration};

use bench::{Bench, PATIENCE};
use links::clp::{
    crc::crc,
    format::encode,
    framer::Framer,
    line::{Answer, Body, Down, Line, Up},
    parse::parse,
};
use supervision::{
    input::{Input, LinkReport, Quality},
    output::{Action, PowerState, StateValue},
};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio_serial::{SerialPort, SerialStream};
use wiring::links::{LinkSettings, SerialSettings};

const POWER: &str = "district/quarry/power";
const TABLE: [&str; 3] = [
    "CH 0 cur A 0.001 50 district/quarry",
    "CH 3 pos - 1 0 machine/T14",
    "CH 5 out - 1 0 district/quarry",
];

/// A node on the far end of a pseudo-terminal. Its `device` is a link, so that it can be unplugged and plugged again.
struct Node {
    wire: SerialStream,
    framer: Framer,
    heard: VecDeque<Line>,
    /// Keeps the near end open between two openings by the program.
    _near: File,
    seq: u16,
}

impl Node {
    fn plug(device: &Path) -> Self {
        let (wire, mut near) = SerialStream::pair().expect("a pseudo-terminal");
        near.set_exclusive(false).expect("open for the program too");
        let name = near.name().expect("its name");
        let held = File::options().read(true).write(true).open(&name).expect("held open");
        // It would keep the program from locking the device for itself.
        drop(near);
        // The first time there is nothing to remove.
        let _ = std::fs::remove_file(device);
        symlink(name, device).expect("a link");
        Self { wire, framer: Framer::default(), heard: VecDeque::new(), _near: held, seq: 0 }
    }

    async fn writes(&mut self, bytes: &[u8]) {
        self.wire.write_all(bytes).await.expect("written");
    }

    async fn says(&mut self, body: &str) {
        let text = format!("@01:{:04X} {body}", self.seq);
        let line = format!("{text}*{:04X}\r\n", crc(text.as_bytes()));
        self.writes(line.as_bytes()).await;
        self.seq = self.seq.wrapping_add(1);
    }

    async fn reads(&mut self) {
        let mut bytes = [0; 512];
        let count = self.wire.read(&mut bytes).await.expect("the line is open");
        let heard = &mut self.heard;
        self.framer.feed(&bytes[..count], |text| heard.extend(parse(text)));
    }

    /// The next line of which `found` makes something.
    async fn hears<T>(&mut self, found: impl Fn(&Down) -> Option<T>) -> (u16, T) {
        let heard = async {
            loop {
                let Some(line) = self.heard.pop_front() else {
                    self.reads().await;
                    continue;
                };
                if let Body::Down(down) = &line.body
                    && let Some(it) = found(down)
                {
                    return (line.seq, it);
                }
            }
        };
        tokio::time::timeout(PATIENCE, heard).await.expect("the awaited line")
    }

    async fn acknowledges<T>(&mut self, found: impl Fn(&Down) -> Option<T>) -> T {
        let (seq, it) = self.hears(found).await;
        self.says(&format!("AK {seq:04X} OK")).await;
        it
    }

    /// Everything up to the session.
    async fn introduces_itself(&mut self, boot: &str) {
        self.hears(|it| matches!(it, Down::Hello { .. }).then_some(())).await;
        self.says(&format!("HI clp=1-1 id=quarry-node boot={boot} ch=3 cmd=4 deadman=1000")).await;
        for row in TABLE {
            self.says(row).await;
        }
        let check = crc(TABLE.join("\n").as_bytes());
        self.says(&format!("CE 3 {check:04X}")).await;
        self.acknowledges(|it| matches!(it, Down::Go { .. }).then_some(())).await;
    }
}

fn settings(device: &Path) -> LinkSettings {
    let (name, device) = ("bus".to_owned(), device.to_string_lossy().into_owned());
    let serial = vec![SerialSettings { name, device, baud: 115_200 }];
    LinkSettings { serial, ..LinkSettings::default() }
}

fn is_cut(down: &Down) -> Option<u16> {
    match down {
        Down::Cut { channel, .. } => *channel,
        _ => None,
    }
}

#[tokio::test]
async fn a_node_on_a_serial_line_reads_obeys_and_is_permitted() {
    let directory = tempfile::tempdir().expect("a directory");
    let device = directory.path().join("tty");
    let mut node = Node::plug(&device);
    let mut bench = Bench::start(&settings(&device)).await;
    node.introduces_itself("9C41").await;
    bench.until_report(|it| matches!(it, LinkReport::Born { permit: true, .. })).await;
    node.writes(b"\x00noise\xff@01:0009 RD 1 0 81").await;
    node.says("RD 15230 0 812").await;
    let quality = bench
        .until(|input| match input {
            Input::Reading(reading) => Some(reading.quality),
            _ => None,
        })
        .await;
    assert_eq!(quality, Quality::Good);
    let power = bench.channels.find(POWER).expect("power");
    bench.links.power_wanted(power, true);
    let tick = bench.tick.clone();
    let beating = async {
        loop {
            tick.beat();
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    };
    let permit = |it: &Down| matches!(it, Down::Permit { boot: 0x9C41, ms: 1000 }).then_some(());
    tokio::select! { () = beating => {}, _ = node.hears(permit) => {} }
    bench.order(7, POWER, Action::Cut);
    assert_eq!(node.acknowledges(is_cut).await, 5);
    bench.until_report(|it| matches!(it, LinkReport::Acknowledged { order } if order.0 == 7)).await;
    bench.order(8, POWER, Action::On);
    let (seq, ()) = node.hears(|it| matches!(it, Down::Arm { channel: 5 }).then_some(())).await;
    node.says(&format!("AK {seq:04X} TOK 7C21 2000")).await;
    node.acknowledges(|it| matches!(it, Down::On { token: 0x7C21, .. }).then_some(())).await;
    bench.until_report(|it| matches!(it, LinkReport::Acknowledged { order } if order.0 == 8)).await;
    bench.links.stop().await;
    node.hears(|it| matches!(it, Down::Cut { channel: None, .. }).then_some(())).await;
}

#[tokio::test]
async fn an_unplugged_node_comes_back_to_its_cut() {
    let directory = tempfile::tempdir().expect("a directory");
    let device = directory.path().join("tty");
    let mut node = Node::plug(&device);
    let mut bench = Bench::start(&settings(&device)).await;
    node.introduces_itself("9C41").await;
    bench.until_report(|it| matches!(it, LinkReport::Born { .. })).await;
    bench.order(7, POWER, Action::Cut);
    node.hears(is_cut).await;
    drop(node);
    std::fs::remove_file(&device).expect("the link");
    bench.until_report(|it| matches!(it, LinkReport::Lost { .. })).await;
    let mut node = Node::plug(&device);
    node.introduces_itself("AAAA").await;
    bench.until_report(|it| matches!(it, LinkReport::Born { restarted: true, .. })).await;
    assert_eq!(node.acknowledges(is_cut).await, 5);
    let power = bench.channels.find(POWER).expect("power");
    bench.links.publish_state(power, StateValue::Power(PowerState::Cut));
    bench.links.stop().await;
}

#[tokio::test]
async fn a_missing_device_is_said_and_awaited_and_takes_no_order() {
    let directory = tempfile::tempdir().expect("a directory");
    let device = directory.path().join("tty");
    let mut bench = Bench::start(&settings(&device)).await;
    bench.order(8, POWER, Action::On);
    bench.until_report(|it| matches!(it, LinkReport::NotSent { order } if order.0 == 8)).await;
    let said = async {
        while bench.links.status()[0].trouble == "not opened yet" {
            tokio::task::yield_now().await;
        }
    };
    tokio::time::timeout(PATIENCE, said).await.expect("what is wrong");
    let mut node = Node::plug(&device);
    node.introduces_itself("9C41").await;
    bench.until_report(|it| matches!(it, LinkReport::Born { .. })).await;
    bench.until_up(true).await;
    bench.links.stop().await;
}

#[tokio::test]
async fn the_same_lines_run_over_tcp() {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let address = listener.local_addr().expect("its address");
    let mut bench = Bench::start(&settings(Path::new(&format!("tcp://{address}")))).await;
    let (mut stream, _) = listener.accept().await.expect("connected");
    let mut bytes = [0; 200];
    let count = stream.read(&mut bytes).await.expect("a line");
    let mut heard = Vec::new();
    Framer::default().feed(&bytes[..count], |text| heard.extend(parse(text)));
    assert!(matches!(heard[0].body, Body::Down(Down::Hello { version: 1 })));
    let answer = Answer::No("busy".to_owned());
    let stray = Up::Ack { seq: 0, answer, words: Vec::new() };
    let damaged = encode(&Line { addr: 1, seq: 0, body: Body::Up(stray) }).replace("busy", "bust");
    stream.write_all(damaged.as_bytes()).await.expect("written");
    bench.until_report(|it| matches!(it, LinkReport::Unusable { .. })).await;
    drop(stream);
    let again = tokio::time::timeout(Duration::from_secs(10), listener.accept()).await;
    again.expect("in time").expect("connected again");
    bench.links.stop().await;
}
