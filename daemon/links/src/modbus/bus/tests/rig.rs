//! Units that answer by the book unless told otherwise, and a line whose time is a number.

use std::{
    collections::BTreeMap,
    sync::Arc,
    time::{Duration, Instant},
};

use supervision::{input::Input, output::Action};
use wiring::channel::ChannelTable;

use super::super::Bus;
use crate::{
    driver::Talk,
    links::Delivery,
    modbus::crc::crc,
    nodes::NodeNumbers,
    testing::{order, short},
};

const LAYOUT: &str = r#"
[booster.main]
volts = "15 V"
limit = "5 A"
cut = true
[district.quarry]
booster = "main"
cut = true
[district.yard]
booster = "main"
cut = true
[block.q1]
district = "quarry"
"#;

/// Three values in three blocks of one shape. Register X of a fake unit holds X.
pub(super) const METER: &str = r#"
[links.modbus.bus]
device = "/dev/null"
baud = 115200
timeout = "100 ms"
reply-max = "350 ms"
[[links.modbus.bus.unit]]
address = 1
label = "meter"
poll = "400 ms"
points = [
  { channel = "district/quarry/voltage", fn = 4, addr = 100, scale = 0.1 },
  { channel = "district/quarry/current", fn = 4, addr = 200, scale = 0.001 },
  { channel = "district/yard/current", fn = 4, addr = 300, scale = 0.001 },
]
"#;

/// A relay board and a meter of the same district.
pub(super) const BOARD: &str = r#"
[links.modbus.bus]
device = "/dev/null"
baud = 115200
[[links.modbus.bus.unit]]
address = 1
label = "meter"
points = [{ channel = "district/quarry/current", fn = 4, addr = 200, scale = 0.001 }]
[[links.modbus.bus.unit]]
address = 2
label = "board"
outputs = [
  { channel = "district/quarry/power", coil = 3, deadman = "external", pulse = 7 },
  { channel = "district/yard/power", coil = 4, deadman = "external", pulse = 7 },
]
"#;

/// What becomes of an answer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Trouble {
    None,
    Silent,
    Late(u64),
    BadCheck,
    Short,
    Long,
    /// The same answer again, so much later.
    Copy(u64),
    WrongUnit,
    /// Another master's question is heard before it.
    Stranger,
    Noise,
    /// The answer to the question before.
    Previous,
    OwnEcho,
    Refusal(u8),
}

/// A bus, its units, and the time.
pub(super) struct Rig {
    pub(super) bus: Bus,
    pub(super) channels: Arc<ChannelTable>,
    tcp: bool,
    start: Instant,
    pub(super) ms: u64,
    /// What comes and when.
    coming: Vec<(u64, Vec<u8>)>,
    pub(super) coils: BTreeMap<(u8, u16), bool>,
    /// What each question meets: the last is for all that follow.
    pub(super) troubles: Vec<Trouble>,
    pub(super) absent: Vec<u8>,
    /// Registers that hold something else than their address.
    pub(super) registers: BTreeMap<(u8, u16), u16>,
    /// Addresses that units do not have.
    pub(super) illegal: Vec<u16>,
    /// A unit takes this long. Unit: ms.
    pub(super) turnaround: u64,
    last: Vec<u8>,
    /// A unit answers in order: not before this.
    busy: u64,
    /// Questions as asked, with their time.
    pub(super) asked: Vec<(u64, Vec<u8>)>,
    /// What the supervisor was told.
    pub(super) told: Vec<(u64, Input)>,
}

impl Rig {
    pub(super) fn new(links: &str) -> Self {
        let read = wiring::read(&format!("{LAYOUT}{links}"));
        let told: Vec<String> = read.errors.iter().map(wiring::FileError::message).collect();
        let layout = read.layout.unwrap_or_else(|| panic!("a good layout file: {told:?}"));
        let channels = Arc::new(ChannelTable::new(&layout));
        let settings = &layout.links.modbus[0];
        let (numbers, start) = (NodeNumbers::default(), Instant::now());
        let points = settings.units.iter().flat_map(|unit| &unit.points);
        let supplied = points.map(|it| it.channel.clone()).collect();
        let mut bus = Bus::new(settings, Arc::clone(&channels), &numbers, &supplied, start)
            .expect("the layout has it all");
        bus.opened(start);
        bus.handle_supervised(true, start);
        Self {
            bus,
            channels,
            tcp: settings.tcp,
            start,
            ms: 0,
            coming: Vec::new(),
            coils: BTreeMap::new(),
            troubles: vec![Trouble::None],
            absent: Vec::new(),
            registers: BTreeMap::new(),
            illegal: Vec::new(),
            turnaround: 5,
            last: Vec::new(),
            busy: 0,
            asked: Vec::new(),
            told: Vec::new(),
        }
    }

    pub(super) fn with(links: &str, troubles: &[Trouble]) -> Self {
        Self { troubles: troubles.to_vec(), ..Self::new(links) }
    }

    pub(super) fn now(&self) -> Instant {
        self.start + Duration::from_millis(self.ms)
    }

    /// Lets time pass, a millisecond a step.
    pub(super) fn run(&mut self, ms: u64) {
        let until = self.ms + ms;
        while self.ms < until {
            self.ms += 1;
            self.step();
        }
    }

    fn step(&mut self) {
        let (now, at) = (self.now(), self.ms);
        self.coming.sort_by_key(|(when, _)| *when);
        let (due, later): (Vec<_>, Vec<_>) =
            std::mem::take(&mut self.coming).into_iter().partition(|(when, _)| *when <= at);
        self.coming = later;
        for (_, bytes) in due {
            self.bus.handle_bytes(&bytes, now);
        }
        self.bus.handle_timeout(now);
        while let Some(question) = self.bus.poll_bytes(now) {
            self.asked.push((at, question.clone()));
            if self.tcp {
                self.answer_tcp(&question);
            } else {
                self.answer(&question);
            }
        }
        self.step_told();
    }

    /// Takes what the supervisor is told without letting time pass.
    pub(super) fn step_told(&mut self) {
        let at = self.ms;
        let told = self.bus.take_ready();
        self.told.extend(told.into_iter().map(|it| (at, it)));
    }

    /// Over TCP: the same units behind a header.
    fn answer_tcp(&mut self, question: &[u8]) {
        let (header, body) = question.split_at(6);
        let before = self.coming.len();
        self.answer(&whole(body));
        for (_, frame) in self.coming.iter_mut().skip(before) {
            frame.truncate(frame.len() - 2);
            let length = u16::try_from(frame.len()).expect("short").to_be_bytes();
            frame.splice(0..0, [&header[..4], &length].concat());
        }
    }

    fn answer(&mut self, question: &[u8]) {
        let Some(plain) = self.by_the_book(question) else { return };
        let trouble =
            if self.troubles.len() > 1 { self.troubles.remove(0) } else { self.troubles[0] };
        let before = std::mem::replace(&mut self.last, plain.clone());
        let usual = self.ms + self.turnaround;
        let mut answer = plain;
        let mut when = usual;
        match trouble {
            Trouble::None => {}
            Trouble::Silent => return,
            Trouble::Late(ms) => when = self.ms + ms,
            Trouble::BadCheck => answer[3] ^= 0x10,
            Trouble::Short => answer.truncate(4),
            Trouble::Long => answer.extend([0, 0]),
            Trouble::Copy(ms) => self.coming.push((usual + ms, answer.clone())),
            Trouble::WrongUnit => answer = whole(&[&[9], &answer[1..answer.len() - 2]].concat()),
            Trouble::Stranger => {
                self.coming.push((self.ms + 1, whole(&[1, 4, 0, 100, 0, 1])));
                when += 5;
            }
            Trouble::Noise => self.coming.push((self.ms + 1, vec![0xF7])),
            Trouble::Previous => answer = before,
            Trouble::OwnEcho => self.coming.push((self.ms + 1, question.to_vec())),
            Trouble::Refusal(code) => answer = whole(&[question[0], question[1] | 0x80, code]),
        }
        // A unit does one thing after the other, whatever it is asked meanwhile.
        when = when.max(self.busy + 1);
        self.busy = when;
        self.coming.push((when, answer));
    }

    /// The answer of a well-behaved unit.
    fn by_the_book(&mut self, question: &[u8]) -> Option<Vec<u8>> {
        let (unit, function) = (question[0], question[1]);
        let word = |at: usize| u16::from_be_bytes([question[at], question[at + 1]]);
        let (first, second) = (word(2), word(4));
        if unit == 0 {
            let off = |it: &mut bool| *it = false;
            self.coils.values_mut().for_each(off);
            return None;
        }
        if self.absent.contains(&unit) {
            return None;
        }
        let range = first..first.saturating_add(second);
        let is_read = (1..=4).contains(&function);
        if is_read && range.clone().any(|at| self.illegal.contains(&at)) {
            return Some(whole(&[unit, function | 0x80, 2]));
        }
        let mut answer = vec![unit, function];
        match function {
            1 | 2 => {
                let bytes = second.div_ceil(8);
                answer.push(u8::try_from(bytes).expect("short"));
                for byte in 0..bytes {
                    let bit = |nth: u16| {
                        let on = self.coils.get(&(unit, first + 8 * byte + nth));
                        u8::from(*on.unwrap_or(&false)) << nth
                    };
                    answer.push((0..8).map(bit).sum());
                }
            }
            3 | 4 => {
                answer.push(u8::try_from(2 * second).expect("short"));
                for at in range {
                    let held = self.registers.get(&(unit, at)).copied().unwrap_or(at);
                    answer.extend(held.to_be_bytes());
                }
            }
            _ => {
                self.coils.insert((unit, first), second == 0xFF00);
                return Some(question.to_vec());
            }
        }
        Some(whole(&answer))
    }

    pub(super) fn order(&mut self, id: u32, channel: &str, action: Action) -> Delivery {
        let order = order(id, &self.channels, channel, action);
        let now = self.now();
        self.bus.order(&order, now)
    }

    /// What was told, in short, with its time.
    pub(super) fn said(&self) -> Vec<String> {
        let one = |(at, input): &(u64, Input)| {
            format!("{at} {}", short(std::slice::from_ref(input), &self.channels)[0])
        };
        self.told.iter().map(one).collect()
    }

    /// What was told that holds one of some words, without times.
    pub(super) fn of(&self, words: &[&str]) -> Vec<String> {
        let all = self.said();
        let plain = all.iter().filter_map(|it| it.split_once(' ')).map(|(_, it)| it.to_owned());
        plain.filter(|it| words.iter().any(|word| it.contains(word))).collect()
    }

    /// Times of what was told that holds a word.
    pub(super) fn times(&self, word: &str) -> Vec<u64> {
        let all = self.said();
        let found = all.iter().filter(|it| it.contains(word));
        found.filter_map(|it| it.split_once(' ')?.0.parse().ok()).collect()
    }

    /// Times at which a unit was asked by a function.
    pub(super) fn asked_at(&self, unit: u8, function: u8) -> Vec<u64> {
        let of_it = |it: &&(u64, Vec<u8>)| it.1[0] == unit && it.1[1] == function;
        self.asked.iter().filter(of_it).map(|(at, _)| *at).collect()
    }

    /// No reading carries the value of a register that is not its own.
    #[track_caller]
    pub(super) fn assert_no_strange_value(&self, what: &str) {
        let own = [
            ("district/quarry/voltage", "10"),
            ("district/quarry/current", "0.2"),
            ("district/yard/current", "0.3"),
        ];
        for line in self.said() {
            for (channel, value) in own {
                if let Some(rest) = line.split_once(&format!("{channel} ")) {
                    let got = rest.1.split(' ').next().unwrap_or_default();
                    assert!(got == value || got.starts_with('('), "{what}: {line}");
                }
            }
        }
    }
}

/// A frame with its check.
pub(super) fn whole(body: &[u8]) -> Vec<u8> {
    let mut frame = body.to_vec();
    frame.extend(crc(body).to_le_bytes());
    frame
}
