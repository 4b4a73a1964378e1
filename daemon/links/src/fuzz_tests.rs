//! Damaged messages of every transport: none panics, none gives more trust than it earns, and what comes out stays in
//! proportion to what went in.
//!
//! A line of a corpus file is a message. One that begins with `~` lets so many milliseconds pass; in the line protocol a
//! line without a check gets the right one, so that damage reaches what stands behind the check.

use std::{
    collections::BTreeSet,
    sync::Arc,
    time::{Duration, Instant},
};

use supervision::input::{Input, LinkReport, Quality};

use crate::{
    clp::{self, format::encode, parse::parse, port::Port},
    driver::Talk,
    fuzz,
    lcc::{frame::Framer, node::Node},
    mqtt::fuzzing::Receiver,
    nodes::NodeNumbers,
    testing::channels,
};

/// Reports and readings that one message may cause: each channel of the layout, and a few words beside.
const MOST_OF_ONE: usize = 64;

/// What became of it, in kinds.
fn kinds(told: &[Input], seen: &mut BTreeSet<String>) {
    for input in told {
        seen.insert(match input {
            Input::Reading(it) => format!("{:?} {:?}", it.channel, it.quality),
            Input::Link(LinkReport::Unusable { what, .. }) => what
                .split(|it: char| !it.is_ascii_alphabetic() && it != ' ')
                .next()
                .unwrap_or_default()
                .to_owned(),
            Input::Link(report) => {
                let text = format!("{report:?}");
                text.split(' ').next().unwrap_or_default().to_owned()
            }
            Input::Operator(request) => format!("{:?}", request.act),
            Input::Tick => "tick".to_owned(),
        });
    }
}

/// A pause, where the line is one.
fn pause(line: &[u8]) -> Option<Duration> {
    let text = std::str::from_utf8(line.strip_prefix(b"~")?).ok()?;
    Some(Duration::from_millis(text.trim().parse::<u64>().ok()?.min(10_000)))
}

fn joined(seen: BTreeSet<String>) -> String {
    seen.into_iter().collect::<Vec<_>>().join(" ")
}

const PAYLOAD_WORDS: [&str; 40] = [
    "checkrail/yard/reading/district/quarry/current ",
    "checkrail/yard/set ",
    "checkrail/yard/birth ",
    "checkrail/yard/health ",
    "checkrail/yard/ack/district/quarry/power ",
    "checkrail/-/ask/cut/yard ",
    "checkrail/-/state/district/quarry/power ",
    "sensors/quarry/telemetry ",
    "points/T14 ",
    "{",
    "}",
    "[",
    "]",
    ":",
    ",",
    "\"v\":",
    "\"n\":",
    "\"ms\":",
    "\"b\":",
    "\"e\":",
    "\"over\"",
    "\"sensor\"",
    "\"boot\":",
    "\"hz\":",
    "\"avg_ms\":",
    "\"out\":true",
    "\"arm\":",
    "\"up\":",
    "\"id\":",
    "\"r\":\"tok\"",
    "\"tok\":",
    "null",
    "true",
    "NaN",
    "\\u0000",
    "\\ud800",
    "normal",
    "moving",
    "+",
    "#",
];

/// A message is `[!]TOPIC PAYLOAD`; `!` for a retained one.
#[test]
fn no_mqtt_message_is_too_much() {
    fuzz::Target { name: "payload", words: &PAYLOAD_WORDS, more: &[], weight: 1 }.run(|bytes| {
        let (mut now, mut seen) = (Instant::now(), BTreeSet::new());
        let mut receiver = Receiver::new(now);
        for line in bytes.split(|it| *it == b'\n') {
            if let Some(pause) = pause(line) {
                now += pause;
                kinds(&receiver.wait(now), &mut seen);
                continue;
            }
            let retained = line.starts_with(b"!");
            let line = line.strip_prefix(b"!").unwrap_or(line);
            let space = line.iter().position(|it| *it == b' ').unwrap_or(line.len());
            // The client hands on topics that are text, as the standard demands of the broker.
            let topic = String::from_utf8_lossy(&line[..space]);
            let payload = line.get(space + 1..).unwrap_or_default();
            let told = receiver.hear(&topic, payload, retained, now);
            assert!(told.len() <= MOST_OF_ONE, "{} from one message", told.len());
            for input in &told {
                let Input::Reading(reading) = input else { continue };
                let numbered =
                    payload.windows(3).any(|it| it == b"\"n\"" || it == b"006") && !retained;
                assert!(reading.quality != Quality::Good || numbered, "trusts {reading:?}");
            }
            kinds(&told, &mut seen);
        }
        joined(seen)
    });
}

const LINE_WORDS: [&str; 36] = [
    "@01:",
    "#01:",
    "@FF:",
    "HI ",
    "CH ",
    "CE ",
    "RD ",
    "RP ",
    "ST ",
    "EV ",
    "HB ",
    "AK ",
    "OK",
    "TOK ",
    "NO ",
    "DONE",
    "clp=1-1",
    "id=",
    "boot=",
    "ch=",
    "cmd=",
    "deadman=",
    "cur A",
    "volt V",
    "pos -",
    "pol -",
    "out -",
    "0.001",
    "district/quarry",
    "3=N",
    "4=B",
    "~",
    "*----",
    "\r",
    "FFFF",
    "~1000",
];

#[test]
fn no_line_of_a_node_is_too_much() {
    fuzz::Target { name: "line", words: &LINE_WORDS, more: &[], weight: 1 }.run(|bytes| {
        let mut now = Instant::now();
        let numbers = Arc::new(NodeNumbers::default());
        let mut port = Port::new("bus", channels(), numbers, 0x51E7, now);
        port.opened(now);
        let (mut seen, mut born) = (BTreeSet::new(), false);
        for line in bytes.split(|it| *it == b'\n') {
            if let Some(pause) = pause(line) {
                now += pause;
                port.handle_timeout(now);
            } else {
                let whole = checked(line);
                // What is believed can be said again, in the usual spelling.
                if let Ok(read) = parse(whole.trim_ascii_end()) {
                    let usual = encode(&read);
                    let again = parse(usual.trim_end().as_bytes());
                    assert_eq!(again.map(|it| encode(&it)), Ok(usual));
                }
                // In two parts, as a device may hand it over.
                let (first, second) = whole.split_at(whole.len() / 2);
                port.handle_bytes(first, now);
                port.handle_bytes(second, now);
            }
            let told = port.take_ready();
            assert!(told.len() <= MOST_OF_ONE, "{} from one line", told.len());
            born |= told.iter().any(|it| matches!(it, Input::Link(LinkReport::Born { .. })));
            let reads = told.iter().any(|it| matches!(it, Input::Reading(_)));
            assert!(born || !reads, "readings of a node that is not in session");
            kinds(&told, &mut seen);
            let mut written = 0;
            while let Some(bytes) = port.poll_bytes(now) {
                written += 1;
                assert!(written <= MOST_OF_ONE, "answers without end");
                for text in bytes.split(|it| *it == b'\n').filter(|it| !it.is_empty()) {
                    let said = parse(text.trim_ascii_end());
                    assert!(said.is_ok(), "writes {}: {said:?}", text.escape_ascii());
                }
            }
        }
        joined(seen)
    });
}

/// The line with its right check, where it has none.
fn checked(line: &[u8]) -> Vec<u8> {
    let mut whole = line.to_vec();
    if !line.contains(&b'*') {
        whole.extend(format!("*{:04X}", clp::crc::crc(line)).bytes());
    }
    whole.extend(b"\r\n");
    whole
}

const LCC_WORDS: [&str; 30] = [
    ":X",
    ":S",
    "N",
    ";",
    "R",
    ":X195B4566N",
    ":X19490",
    ":X19488",
    ":X10700",
    ":X10701",
    ":X10702",
    ":X10703",
    ":X17",
    ":X194C7",
    ":X19544",
    ":X19914",
    ":X19970",
    ":X19968",
    ":X19DE8",
    ":X1A",
    ":X198282",
    "0566",
    "02C5",
    "030012345601",
    "050101012200",
    "010000000000FFFF",
    "010000000000FFFE",
    "0101000000000201",
    "0501010122000012",
    "~",
];

const LCC: &str = r#"
[links.lcc.club]
tcp = "127.0.0.1:12021"
node-id = "03.00.12.34.56.01"
own = { "machine/T14" = 14, "block/q1" = 7, "district/quarry" = 3, "frog/T14" = 5, "node/yard" = 1 }
in = [
  { event = "05.01.01.01.22.00.00.10", channel = "machine/T14/position", value = "normal" },
  { event = "05.01.01.01.22.00.00.11", channel = "machine/T14/position", value = "reverse" },
  { event = "05.01.01.01.22.00.00.12", channel = "district/yard/power", value = "cut" },
]
out = [{ channel = "district/yard/power", off = "05.01.01.01.22.00.00.20", on = "05.01.01.01.22.00.00.21" }]
"#;

#[test]
fn no_frame_of_a_bus_is_too_much() {
    let text = concat!(include_str!("../tests/support/layout.toml"), "\n");
    let layout = wiring::read(&format!("{text}{LCC}")).layout.expect("a good layout file");
    fuzz::Target { name: "lcc", words: &LCC_WORDS, more: &[], weight: 1 }.run(|bytes| {
        let mut now = Instant::now();
        let numbers = Arc::new(NodeNumbers::default());
        let mut node = Node::new(&layout.links.lcc[0], channels(), numbers, now);
        node.opened(now);
        let mut seen = BTreeSet::new();
        for line in bytes.split(|it| *it == b'\n') {
            match pause(line) {
                Some(pause) => {
                    now += pause;
                    node.handle_timeout(now);
                }
                None => node.handle_bytes(line, now),
            }
            let told = node.take_ready();
            assert!(told.len() <= MOST_OF_ONE + line.len() / 4, "{} from one line", told.len());
            for input in &told {
                // The text has no check and an event no time: nothing that comes this way proves anything.
                let Input::Reading(reading) = input else { continue };
                assert!(matches!(reading.quality, Quality::Bare | Quality::Late), "{reading:?}");
            }
            kinds(&told, &mut seen);
            let mut framer = Framer::default();
            let mut written = 0;
            while let Some(bytes) = node.poll_bytes(now) {
                written += 1;
                assert!(written <= MOST_OF_ONE, "answers without end");
                framer.feed(&bytes, |frame| assert!(frame.is_ok(), "{}", bytes.escape_ascii()));
            }
        }
        joined(seen)
    });
}
