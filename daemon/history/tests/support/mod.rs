//! A layout of the Tamarrow Valley and faults on it.

#![allow(dead_code, reason = "each test binary uses a part of it")]

use std::sync::{Arc, mpsc};

use history::{History, Item, Names, Notice, Settings, What};
use supervision::{
    cause::Cause,
    input::{Feed, MachinePosition, MeasuredPolarity, OrderId, Value},
    output::{
        Action, Decision, Event, EventKind, ExpectedPolarity, Order, Output, PowerState,
        ProofStrength,
    },
    record::{
        Accused, Advice, ContactStress, Cut, FaultNumber, FaultRecord, Reason, Suspect, Waveform,
    },
};
use wiring::{
    channel::{ChannelTable, Object},
    index::{ChannelIx, DistrictIx, FrogIx, MachineIx, PoleIx},
    layout::{Conductor, Layout},
    units::{MicroA2s, Microamps, Micros, Millivolts, Mono},
};

/// 25 November 2026, 19:31:52.123 UTC.
pub(crate) const UTC: i64 = 1_795_635_112_123_000;

pub(crate) const LAYOUT: &str = r#"
schema = 1
[layout]
name = "Tamarrow Valley"
control = "dcc"
[booster.main]
volts = "14 V"
limit = "8 A"
[district.quarry]
booster = "main"
breaker = { kind = "electronic", trip = "3 A", delay = "30 ms" }
bus = { gauge = "14 AWG", length = "4 m" }
[block.q1]
district = "quarry"
feeder = { gauge = "20 AWG", length = "0.4 m" }
left = "A"
[trackwork.T1]
kind = "turnout"
hand = "left"
block = "q1"
normal = "right"
[trackwork.T1.frog]
poles = ["T1.1", "T1.2"]
normal = "left"
reverse = "right"
feed = { gauge = "22 AWG", length = "0.5 m" }
[defaults.machine]
poles = 2
contact-rating = "1 A"
throw-time = "2.5 s"
"#;

pub(crate) fn names() -> Names {
    let read = wiring::read(LAYOUT);
    let layout: Arc<Layout> = Arc::new(read.layout.expect("the layout is whole"));
    let channels = Arc::new(ChannelTable::new(&layout));
    Names::new(layout, channels)
}

pub(crate) fn channel(name: &str) -> ChannelIx {
    let read = wiring::read(LAYOUT);
    let layout = read.layout.expect("the layout is whole");
    ChannelTable::new(&layout).find(name).expect("a channel of the layout")
}

/// A history in `dir` and its notices.
pub(crate) fn open(dir: &std::path::Path, settings: Settings) -> (History, mpsc::Receiver<Notice>) {
    let (send, receive) = mpsc::channel();
    let notify = move |notice| {
        let _ = send.send(notice);
    };
    let history = History::open(dir, names(), settings, (Mono::START, UTC), notify);
    (history.expect("it opens"), receive)
}

pub(crate) fn item(at_ms: u64, what: What) -> Item {
    Item { at: Mono(at_ms * 1000), utc: UTC + at_ms as i64 * 1000, what }
}

pub(crate) fn event(at_ms: u64, kind: EventKind) -> Item {
    item(at_ms, What::Event(Event { kind, fault: None }))
}

pub(crate) fn opened(at_ms: u64, number: u32) -> Item {
    item(
        at_ms,
        What::FaultOpened { fault: FaultNumber(number), district: DistrictIx(0), cause: cause() },
    )
}

pub(crate) fn closed(number: u32) -> Item {
    item(13_000, What::FaultClosed(Box::new(record(number))))
}

pub(crate) fn cause() -> Cause {
    Cause::Short {
        seen: Microamps(7_900_000),
        pickup: Microamps(2_130_000),
        lasted: Micros::from_millis(20),
    }
}

const TRIGGER: u64 = 10_000;

fn mono(ms: i64) -> Mono {
    Mono((TRIGGER as i64 + ms) as u64 * 1000)
}

/// A run-through at T1 as a record: 50 Hz from 2 s before to 3 s after the trigger.
pub(crate) fn record(number: u32) -> FaultRecord {
    let order = Order {
        id: OrderId(7),
        channel: channel("district/quarry/power"),
        action: Action::Cut,
        cause: cause(),
        fault: Some(FaultNumber(number)),
        attempt: 1,
    };
    let feed = Feed::District(DistrictIx(0));
    FaultRecord {
        number: FaultNumber(number),
        district: DistrictIx(0),
        cause: cause(),
        onset: mono(-20),
        trigger: mono(0),
        closed: mono(3000),
        cut_short: false,
        peak: Microamps(7_900_000),
        cleared_after: Some(Micros::from_millis(52)),
        cuts: vec![Cut {
            feed,
            order: order.clone(),
            ordered: mono(0),
            proved: Some((mono(60), ProofStrength::Strong)),
        }],
        waveforms: waveforms(),
        events: events(order, feed, number),
        positions: vec![(MachineIx(0), MachinePosition::Normal)],
        polarity: vec![(
            FrogIx(0),
            ExpectedPolarity::On(Conductor::B),
            Some(MeasuredPolarity::On(Conductor::B)),
        )],
        contacts: vec![ContactStress {
            pole: PoleIx(0),
            before: 120,
            after: 830,
            energy: MicroA2s(1_900_000),
            amps: Microamps(7_900_000),
            estimated: true,
            softening: true,
            melting: false,
            hits: 1,
        }],
        evidence: supervision::locate::Evidence::of(DistrictIx(0)),
        suspects: suspects(),
        inseparable: None,
        advice: Advice {
            steps: vec![
                "District quarry is cut and proved off.".to_owned(),
                "Throw T1 to reverse with no wheel on its points, or back the train off T1."
                    .to_owned(),
                "Then restore district quarry.".to_owned(),
            ],
            done: 1,
        },
        beside: Vec::new(),
    }
}

fn events(order: Order, feed: Feed, number: u32) -> Vec<Output> {
    let event = |kind| Decision::Event(Event { kind, fault: Some(FaultNumber(number)) });
    vec![
        Output { at: mono(0), what: Decision::Order(order) },
        Output {
            at: mono(0),
            what: Decision::FaultOpened {
                fault: FaultNumber(number),
                district: DistrictIx(0),
                cause: cause(),
            },
        },
        Output { at: mono(0), what: event(EventKind::PowerChanged(feed, PowerState::Cutting)) },
        Output {
            at: mono(60),
            what: event(EventKind::CutProved(feed, Micros::from_millis(60), ProofStrength::Strong)),
        },
        Output { at: mono(60), what: event(EventKind::LockedOut(DistrictIx(0))) },
    ]
}

fn suspects() -> Vec<Suspect> {
    vec![
        Suspect {
            accused: Accused::Object(Object::Frog(FrogIx(0))),
            share: 912,
            reasons: vec![
                Reason {
                    text: "a train moved on its left leg (block q1) 300 ms before, not set for it"
                        .to_owned(),
                    ratio: 3200,
                },
                Reason { text: "stood so before without a fault".to_owned(), ratio: 50 },
            ],
        },
        Suspect { accused: Accused::ObjectOnTrack, share: 60, reasons: Vec::new() },
        Suspect { accused: Accused::NotExplained, share: 28, reasons: Vec::new() },
    ]
}

fn waveforms() -> Vec<Waveform> {
    let amps = |ms: i64| match ms {
        ..-20 => 412_000 + (ms * 37) % 9000,
        -20..40 => 7_900_000 - (ms.abs() * 113) % 20_000,
        _ => 0,
    };
    let volts = |ms: i64| if (-20..40).contains(&ms) { 1800 } else { 14_000 };
    let at_50_hz = || (-100..150).map(|step| step * 20);
    let current = at_50_hz().map(|ms| (mono(ms), Value::Current(Microamps(amps(ms))))).collect();
    let voltage = at_50_hz().map(|ms| (mono(ms), Value::Voltage(Millivolts(volts(ms))))).collect();
    let polarity = vec![
        (mono(-1500), Value::Polarity(MeasuredPolarity::On(Conductor::B))),
        (mono(80), Value::Polarity(MeasuredPolarity::Dead)),
    ];
    vec![
        Waveform { channel: channel("district/quarry/current"), samples: current },
        Waveform { channel: channel("district/quarry/voltage"), samples: voltage },
        Waveform { channel: channel("frog/T1/polarity"), samples: polarity },
    ]
}
