//! The matrix of communication failures (links page, section 5.6; the failures are those that IEC 61784-3 names, from
//! public descriptions of it), cell by cell for the line protocol and MQTT. One seeded injector spoils what a node says;
//! the link must react as the matrix says.
//!
//! | failure | line protocol and MQTT, here | and elsewhere |
//! | --- | --- | --- |
//! | corruption | [`damaged_messages_are_counted_and_never_believed`] | `tests/clp_lines.rs`, `payload.rs`, `framer.rs` |
//! | repetition | [`what_comes_twice_counts_once`] | orders: `a_cut_is_repeated_with_the_same_number_until_it_is_answered`, `an_answer_ends_the_repeating_and_counts_once` |
//! | loss | [`lost_messages_are_counted_and_a_silent_node_is_lost`] | all `AK`: `an_unanswered_cut_is_repeated_with_the_same_id_twice`; permits: `permits_end_when_the_supervisor_stops_ticking`; broker gone: `tests/mqtt.rs`; unplugged: `tests/serial.rs` |
//! | delay | [`a_backlog_is_late_and_what_follows_is_not`] | a real broker that pauses: not tested |
//! | insertion | [`what_others_say_changes_nothing`] | [`a_frame_of_another_link_is_noise`] |
//! | masquerade | [`a_boot_of_before_proves_nothing`] | another's branch, certificates: `tests/mqtts.rs`, `tests/peers/mosquitto.sh`; retained: `a_retained_last_will_is_believed`, `quality_says_what_is_known_of_order_and_age`; tables: `a_table_that_differs_from_the_layout_is_listed_and_not_used` |
//! | wrong order | [`of_two_messages_in_the_wrong_order_the_newer_stands`] | wrap: `a_wrapping_number_is_no_loss_and_a_gap_is_counted`, `order_check.rs` |
//! | addressing | [`what_others_say_changes_nothing`] | `an_echo_an_unknown_node_and_another_nodes_channels_change_nothing`; common name: `tests/peers/mosquitto.sh` |
//! | and ours | clock wrap: `delay.rs`; new boot: `a_restarted_node_goes_through_everything_again` | daemon killed: `tests/blackbox/crash.rs`; broker without memory: `daemon.rs`; clock steps: `tests/system/`; daemon stopped (SIGSTOP): not tested |

use std::{
    collections::BTreeMap,
    sync::Arc,
    time::{Duration, Instant},
};

use supervision::input::{Input, LinkReport, Quality, Value};
use wiring::units::Microamps;

use crate::{
    clp::{crc::crc, port::Port},
    driver::Talk,
    mqtt::intake::{Incoming, Intake},
    nodes::NodeNumbers,
    testing::channels,
};

/// Messages of one run, one every ten milliseconds.
const MESSAGES: u32 = 400;
/// The node's clock at the first of them. Unit: ms.
const FIRST_MS: u64 = 5000;

/// Spoils messages, the same way for the same seed.
struct Injector(u64);

impl Injector {
    /// A number below `sides` (splitmix64).
    fn roll(&mut self, sides: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut x = self.0;
        x = (x ^ (x >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        x = (x ^ (x >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        (x ^ (x >> 31)) % sides
    }

    fn percent(&mut self, percent: u64) -> bool {
        self.roll(100) < percent
    }

    /// A bit turned, a byte dropped, or the end cut off, anywhere from `from` on. A broker delivers whole messages or
    /// none: over MQTT it is the sender that fails half-way.
    fn damage(&mut self, bytes: &mut Vec<u8>, from: usize, transport_checks: bool) {
        let at = from + self.roll((bytes.len() - from) as u64) as usize;
        match if transport_checks { 2 } else { self.roll(3) } {
            0 => bytes[at] ^= 1 << self.roll(8),
            1 => drop(bytes.remove(at)),
            _ => bytes.truncate(at.max(from)),
        }
    }
}

/// A link with one node in session.
enum Link {
    Line(Box<Port>),
    Mqtt(Box<Intake>),
}

struct Rig {
    link: Link,
    start: Instant,
    told: Vec<Input>,
}

#[derive(Debug, Default, PartialEq)]
struct Counts {
    lost: u64,
    out_of_order: u64,
    unusable: u64,
}

/// A message: when it arrives, in ms, and its bytes; over MQTT `TOPIC PAYLOAD`.
type Message = (u64, Vec<u8>);

const TABLE: [&str; 2] = ["CH 0 cur A 0.001 50 district/quarry", "CH 1 pos - 1 0 machine/T14"];
/// Number of the node's last line before the first message: hello, table, its end, acknowledgement.
const BEFORE: u32 = 4;

impl Rig {
    fn both() -> [Self; 2] {
        [Self::line(), Self::mqtt()]
    }

    fn line() -> Self {
        let (numbers, now) = (Arc::new(NodeNumbers::default()), Instant::now());
        let port = Port::new("bus", channels(), numbers, 0x51E7, now);
        let mut rig = Self::of(Link::Line(Box::new(port)));
        let Link::Line(port) = &mut rig.link else { unreachable!("made above") };
        port.opened(rig.start);
        let check = crc(TABLE.join("\n").as_bytes());
        let (end, ack) = (format!("CE 2 {check:04X}"), "AK 0001 OK");
        let hello = "HI clp=1-1 id=yard boot=9C41 ch=2 cmd=4 deadman=1000";
        for (seq, body) in [hello, TABLE[0], TABLE[1], &*end, ack].into_iter().enumerate() {
            rig.hears(0, &line(1, seq as u16, body));
        }
        rig.told.clear();
        rig
    }

    fn mqtt() -> Self {
        let intake = Intake::for_tests(channels());
        let mut rig = Self::of(Link::Mqtt(Box::new(intake)));
        let birth = r#"checkrail/yard/birth {"boot":"9c41","channels":{"district/quarry/current":{"hz":100}}}"#;
        rig.hears(0, birth.as_bytes());
        rig.told.clear();
        rig
    }

    fn of(link: Link) -> Self {
        Self { link, start: Instant::now(), told: Vec::new() }
    }

    const fn is_mqtt(&self) -> bool {
        matches!(self.link, Link::Mqtt(_))
    }

    /// Message `n`: a current of `n` milliamperes, measured at ten times `n` milliseconds.
    fn current(&self, n: u32) -> Message {
        let ms = FIRST_MS + u64::from(n) * 10;
        let bytes = match self.link {
            Link::Line(_) => line(1, (BEFORE + n) as u16, &format!("RD {ms} 0 {n}")),
            Link::Mqtt(_) => {
                let amps = f64::from(n) / 1e3;
                let body = format!(r#"{{"v":{amps},"n":{n},"ms":{ms},"b":"9c41"}}"#);
                format!("checkrail/yard/reading/district/quarry/current {body}").into_bytes()
            }
        };
        (ms, bytes)
    }

    fn currents(&self) -> Vec<Message> {
        (1..=MESSAGES).map(|n| self.current(n)).collect()
    }

    /// First byte that may be spoiled: a topic is the broker's.
    fn spoilable(&self, bytes: &[u8]) -> usize {
        let space = bytes.iter().position(|byte| *byte == b' ');
        if self.is_mqtt() { space.map_or(0, |at| at + 1) } else { 0 }
    }

    fn hears(&mut self, ms: u64, bytes: &[u8]) {
        let at = self.start + Duration::from_millis(ms);
        match &mut self.link {
            Link::Line(port) => {
                port.handle_bytes(bytes, at);
                while port.poll_bytes(at).is_some() {}
                self.told.extend(port.take_ready());
            }
            Link::Mqtt(intake) => {
                let space = bytes.iter().position(|byte| *byte == b' ').unwrap_or(bytes.len());
                let (topic, payload) = bytes.split_at(space);
                let topic = std::str::from_utf8(topic).expect("a topic");
                let payload = payload.strip_prefix(b" ").unwrap_or(payload);
                intake.handle(Incoming { topic, payload, retained: false, at });
                self.told.extend(intake.drain_ready());
            }
        }
    }

    fn hears_all(&mut self, messages: &[Message]) {
        messages.iter().for_each(|(ms, bytes)| self.hears(*ms, bytes));
    }

    fn silence(&mut self, ms: u64) {
        let at = self.start + Duration::from_millis(ms);
        match &mut self.link {
            Link::Line(port) => {
                port.handle_timeout(at);
                self.told.extend(port.take_ready());
            }
            Link::Mqtt(intake) => {
                intake.handle_timeout(at);
                self.told.extend(intake.drain_ready());
            }
        }
    }

    /// Currents told, by their number, with their quality.
    fn readings(&self) -> Vec<(u32, Quality)> {
        let one = |input: &Input| match input {
            Input::Reading(it) => match it.value {
                Value::Current(Microamps(amps)) => Some(((amps / 1000) as u32, it.quality)),
                _ => None,
            },
            _ => None,
        };
        self.told.iter().filter_map(one).collect()
    }

    fn good(&self) -> Vec<u32> {
        let readings = self.readings();
        readings.iter().filter(|(_, it)| *it == Quality::Good).map(|(n, _)| *n).collect()
    }

    fn counts(&self) -> Counts {
        match &self.link {
            Link::Line(port) => {
                let it = port.figures();
                Counts { lost: it.lost, out_of_order: it.out_of_order, unusable: it.unusable }
            }
            Link::Mqtt(intake) => Counts {
                lost: intake.lost(),
                out_of_order: intake.out_of_order(),
                unusable: intake.unusables().0,
            },
        }
    }
}

fn line(addr: u8, seq: u16, body: &str) -> Vec<u8> {
    let text = format!("@{addr:02X}:{seq:04X} {body}");
    format!("{text}*{:04X}\r\n", crc(text.as_bytes())).into_bytes()
}

#[test]
fn damaged_messages_are_counted_and_never_believed() {
    for seed in 0..20 {
        for mut rig in Rig::both() {
            let mut injector = Injector(seed);
            let mut messages = rig.currents();
            let mut damaged = Vec::new();
            for (n, (_, bytes)) in (1..).zip(&mut messages) {
                if injector.percent(10) && n != 1 && n != MESSAGES {
                    let from = rig.spoilable(bytes);
                    injector.damage(bytes, from, rig.is_mqtt());
                    damaged.push(n);
                }
            }
            rig.hears_all(&messages);
            let good = rig.good();
            assert!(good.iter().all(|n| (1..=MESSAGES).contains(n)), "seed {seed}: invented");
            let intact: Vec<u32> = (1..=MESSAGES).filter(|n| !damaged.contains(n)).collect();
            let missing: Vec<&u32> = intact.iter().filter(|n| !good.contains(n)).collect();
            assert_eq!(missing, Vec::<&u32>::new(), "seed {seed}: an intact one was lost");
            let believed: Vec<&u32> = damaged.iter().filter(|n| good.contains(n)).collect();
            // Dropping or turning a byte of the line's end leaves the line itself whole.
            let most = if rig.is_mqtt() { 0 } else { damaged.len() / 4 };
            assert!(believed.len() <= most, "seed {seed}: {believed:?}");
            let counts = rig.counts();
            let least = (damaged.len() - believed.len()) as u64;
            if rig.is_mqtt() {
                assert_eq!(counts.unusable, least, "seed {seed}");
                assert_eq!(counts.lost, least, "seed {seed}: their numbers are missing");
            } else {
                assert_eq!(counts.lost, least, "seed {seed}: their numbers are missing");
                assert!(counts.unusable > 0, "seed {seed}");
            }
            let suspect =
                rig.told.iter().any(|it| matches!(it, Input::Link(LinkReport::Unusable { .. })));
            assert!(suspect, "seed {seed}: damage is named");
        }
    }
}

#[test]
fn what_comes_twice_counts_once() {
    for mut rig in Rig::both() {
        for message in rig.currents() {
            rig.hears_all(&[message.clone(), message]);
        }
        assert_eq!(rig.good(), (1..=MESSAGES).collect::<Vec<_>>());
        assert!(rig.readings().iter().all(|(_, it)| matches!(it, Quality::Good | Quality::Resent)));
        assert_eq!(rig.counts().out_of_order, u64::from(MESSAGES));
    }
}

#[test]
fn lost_messages_are_counted_and_a_silent_node_is_lost() {
    for percent in [1, 10] {
        for mut rig in Rig::both() {
            let mut injector = Injector(percent);
            let mut sent = Vec::new();
            for (n, message) in (1..).zip(rig.currents()) {
                if n == 1 || n == MESSAGES || !injector.percent(percent) {
                    rig.hears_all(&[message]);
                    sent.push(n);
                }
            }
            assert_eq!(rig.good(), sent);
            assert_eq!(rig.counts().lost, u64::from(MESSAGES) - sent.len() as u64);
            let last = FIRST_MS + u64::from(MESSAGES) * 10;
            let (alive, lost) = if rig.is_mqtt() { (3499, 3500) } else { (1499, 1500) };
            let is_lost = |rig: &Rig| {
                rig.told.iter().any(|it| matches!(it, Input::Link(LinkReport::Lost { .. })))
            };
            rig.silence(last + alive);
            assert!(!is_lost(&rig));
            rig.silence(last + lost);
            assert!(is_lost(&rig));
        }
    }
}

#[test]
fn a_backlog_is_late_and_what_follows_is_not() {
    for held in [300, 1000, 5000] {
        for mut rig in Rig::both() {
            let late_after = if rig.is_mqtt() { 500 } else { 200 };
            let mut measured = BTreeMap::new();
            for (n, (ms, bytes)) in (1..).zip(rig.currents()) {
                // From the hundredth on everything is held, and comes at once.
                let held_until = FIRST_MS + 1000 + held;
                let at = if ms >= FIRST_MS + 1000 { ms.max(held_until) } else { ms };
                measured.insert(n, at - ms);
                rig.hears(at, &bytes);
            }
            for (n, quality) in rig.readings() {
                let extra = measured[&n];
                let want = if extra > late_after { Quality::Late } else { Quality::Good };
                assert_eq!(quality, want, "held {held} ms, message {n}, {extra} ms late");
            }
            assert_eq!(rig.readings().len(), MESSAGES as usize, "late is not lost");
        }
    }
}

#[test]
fn what_others_say_changes_nothing() {
    let noise: [&[Vec<u8>]; 2] = [
        &[
            b"ets Jun  8 2016 00:22:57\r\nrst:0x1 (POWERON_RESET),boot:0x13\r\n".to_vec(),
            line(2, 7, "RD 6000 0 9999"),
            line(2, 8, "ST 6000 1=R"),
            b"#01:0001 GO clp=1 boot=9C41 host=51E7*7BD4\r\n".to_vec(),
            vec![0xFF, 0xFE, 0x00, b'@', b'0', b'1'],
            b"@01:0007 RD 6000 0 9999*----\r\n".to_vec(),
        ],
        &[
            b"sensors/3 9.9".to_vec(),
            b"checkrail/ghost/reading/district/nowhere/current 9.9".to_vec(),
            b"checkrail/YARD/reading/district/quarry/current 9.9".to_vec(),
            b"checkrail/yard/order/district/quarry/power {\"id\":\"1\",\"op\":\"on\"}".to_vec(),
            b"checkrail/-/set {\"v\":{\"district/quarry/current\":9.9}}".to_vec(),
            b"checkrail/yard/reading/district/quarry/power on".to_vec(),
        ],
    ];
    for (mut rig, noise) in Rig::both().into_iter().zip(noise) {
        let mut injector = Injector(7);
        for (ms, bytes) in rig.currents() {
            if injector.percent(30) {
                let other = &noise[injector.roll(noise.len() as u64) as usize];
                rig.hears(ms, other);
            }
            rig.hears(ms, &bytes);
        }
        assert_eq!(rig.good(), (1..=MESSAGES).collect::<Vec<_>>());
        assert_eq!(rig.readings().len(), MESSAGES as usize, "nothing was invented");
        assert_eq!(rig.counts().lost, 0);
        let moved = rig
            .told
            .iter()
            .any(|it| matches!(it, Input::Reading(it) if !matches!(it.value, Value::Current(_))));
        assert!(!moved, "somebody else's state was believed");
    }
}

#[test]
fn a_frame_of_another_link_is_noise() {
    let mut rig = Rig::line();
    for (ms, bytes) in rig.currents() {
        rig.hears(ms, b":X195B4566N0300123456011071;\x01\x04\x00\x00\x00\x04\xf1\xc9");
        rig.hears(ms, &bytes);
    }
    assert_eq!(rig.good().len(), MESSAGES as usize);
}

#[test]
fn of_two_messages_in_the_wrong_order_the_newer_stands() {
    for mut rig in Rig::both() {
        let mut injector = Injector(3);
        let mut messages = rig.currents();
        let mut swapped = Vec::new();
        let mut at = 1;
        while at + 2 < messages.len() {
            if injector.percent(20) {
                let (first, second) = (messages[at].0, messages[at + 1].0);
                messages.swap(at, at + 1);
                (messages[at].0, messages[at + 1].0) = (first, second);
                swapped.push(at as u32 + 1);
                at += 1;
            }
            at += 1;
        }
        rig.hears_all(&messages);
        let good: Vec<u32> = (1..=MESSAGES).filter(|n| !swapped.contains(n)).collect();
        assert_eq!(rig.good(), good, "the older of two is never good news");
        assert!(rig.good().is_sorted());
        assert_eq!(rig.counts().out_of_order, swapped.len() as u64);
    }
}

#[test]
fn a_boot_of_before_proves_nothing() {
    let mut rig = Rig::mqtt();
    rig.hears_all(&rig.currents());
    let body = |boot: &str, n: u32| {
        format!(
            r#"checkrail/yard/reading/district/quarry/current {{"v":0,"n":{n},"ms":{n},"b":"{boot}"}}"#
        )
    };
    rig.hears(9500, body("aaaa", 1).as_bytes());
    rig.told.clear();
    rig.hears(9510, body("9c41", 5000).as_bytes());
    assert_eq!(rig.readings(), [(0, Quality::Late)]);
}
