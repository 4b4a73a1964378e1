//! A fault record as its JSON form: indices become names, instants become milliseconds from the trigger.

use supervision::{
    alarm::Subject,
    input::Value,
    output::{Decision, Output},
    record::{FaultRecord, Waveform},
    value::Written,
    words,
};
use wiring::{
    channel::Object,
    units::{Microamps, Mono},
};

use crate::{codec::Sample, json, names::Names, report};

/// The record without its samples. `trigger_us` is the wall clock at its trigger.
pub(crate) fn fault(record: &FaultRecord, trigger_us: i64, names: &Names) -> json::Fault {
    let mut fault = json::Fault {
        summary: summary(record, trigger_us, names),
        story: String::new(),
        onset_ms: ms(record.onset, record.trigger),
        closed_ms: ms(record.closed, record.trigger),
        cut_short: record.cut_short,
        cuts: cuts(record, names),
        events: record.events.iter().filter_map(|it| event(it, record.trigger, names)).collect(),
        positions: positions(record, names),
        polarity: polarity(record, names),
        contacts: contacts(record, names),
        suspects: suspects(record, names),
        inseparable: record.inseparable.clone(),
        advice: record.advice.steps.clone(),
        advice_done: record.advice.done,
        beside: beside(record, names),
        waveforms: Vec::new(),
        notes: Vec::new(),
        naming: None,
    };
    fault.story = report::story(&fault);
    fault
}

fn summary(record: &FaultRecord, trigger_us: i64, names: &Names) -> json::Summary {
    let first = record.suspects.first();
    json::Summary {
        fault: record.number.0,
        district: names.layout().districts[record.district.at()].id.clone(),
        cause: record.cause.word().to_owned(),
        text: words::cause_text(record.cause, names.layout()),
        trigger: report::time::utc(trigger_us),
        trigger_us,
        peak: Some(record.peak.amps()),
        cleared_ms: record.cleared_after.map(|span| span.0 as f64 / 1e3),
        suspect: first.map(|it| names.accused(it.accused)),
        share: first.map(|it| thousandths(it.share)),
        named: None,
        complete: true,
        samples: if record.waveforms.is_empty() {
            json::Samples::None
        } else {
            json::Samples::Kept
        },
    }
}

fn beside(record: &FaultRecord, names: &Names) -> Vec<json::Beside> {
    let layout = names.layout();
    let one = |it: &supervision::record::Beside| json::Beside {
        district: layout.districts[it.district.at()].id.clone(),
        fault: it.fault.0,
        cause: it.cause.word().to_owned(),
        text: words::cause_text(it.cause, layout),
        after_ms: ms(it.trigger, record.trigger),
    };
    record.beside.iter().map(one).collect()
}

fn cuts(record: &FaultRecord, names: &Names) -> Vec<json::Cut> {
    let cut = |it: &supervision::record::Cut| json::Cut {
        feed: names.feed(it.feed),
        cause: it.order.cause.word().to_owned(),
        ordered_ms: ms(it.ordered, record.trigger),
        proved_ms: it.proved.map(|(at, _)| ms(at, record.trigger)),
        proof: it.proved.map(|(_, strength)| strength.word().to_owned()),
        attempts: it.order.attempt,
    };
    record.cuts.iter().map(cut).collect()
}

/// One output of the window as a line; answers to requests are no events.
fn event(output: &Output, trigger: Mono, names: &Names) -> Option<json::Event> {
    let line = |kind: &str, subject: Option<String>, text: String| json::Event {
        ms: ms(output.at, trigger),
        kind: kind.to_owned(),
        subject,
        text,
        first_out: false,
    };
    Some(match &output.what {
        Decision::Order(order) => {
            line("order", Some(order_subject(order, names)), order_text(order, names))
        }
        Decision::Alarm(change) => json::Event {
            first_out: change.first_out,
            ..line("alarm", alarm_subject(change.alarm.subject, names), alarm_text(change))
        },
        Decision::State { channel, value } => {
            let name = names.channel(*channel);
            let written = match value.written() {
                Written::Number(number) => number.to_string(),
                Written::Word(word) | Written::Nothing(word) => word.to_owned(),
            };
            line("state", Some(object_of(name).to_owned()), format!("{name} {written}"))
        }
        Decision::Event(event) => line(
            event.kind.word(),
            event_subject(&event.kind, names),
            words::event_text(event, names.layout()),
        ),
        Decision::FaultOpened { district, cause, .. } => line(
            "trigger",
            Some(names.object(Object::District(*district))),
            words::sentence(&words::cause_text(*cause, names.layout())),
        ),
        Decision::FaultClosed(_) | Decision::Commissioned(_) | Decision::Answer { .. } => {
            return None;
        }
    })
}

/// `cut district/quarry: short-circuit`.
pub(crate) fn order_text(order: &supervision::output::Order, names: &Names) -> String {
    let again = if order.attempt > 1 { format!(", time {}", order.attempt) } else { String::new() };
    format!(
        "order {} to {}: {}{again}",
        order.action.word(),
        order_subject(order, names),
        words::cause_text(order.cause, names.layout())
    )
}

pub(crate) fn order_subject(order: &supervision::output::Order, names: &Names) -> String {
    object_of(names.channel(order.channel)).to_owned()
}

/// `raised, high: Frog T14: on the wrong rail …`.
pub(crate) fn alarm_text(change: &supervision::alarm::AlarmChange) -> String {
    format!(
        "{} {} ({}): {}",
        change.alarm.kind.word(),
        change.transition.word(),
        change.priority.word(),
        change.text
    )
}

/// The record does not know the names of nodes; its text does.
fn alarm_subject(it: Subject, names: &Names) -> Option<String> {
    match it {
        Subject::Object(_) | Subject::Checkrail => Some(names.subject(it, None)),
        Subject::Node(_) => None,
    }
}

fn object_of(channel: &str) -> &str {
    channel.rsplit_once('/').map_or(channel, |(object, _)| object)
}

/// What an event is about.
pub(crate) fn event_subject(
    kind: &supervision::output::EventKind,
    names: &Names,
) -> Option<String> {
    use supervision::output::EventKind as Kind;
    let object = match kind {
        Kind::PowerChanged(feed, _) | Kind::CutProved(feed, ..) => return Some(names.feed(*feed)),
        Kind::PickedUp(it, _)
        | Kind::DroppedOut(it, _)
        | Kind::LockedOut(it)
        | Kind::LockOutOpened(it) => Object::District(*it),
        Kind::PositionChanged(it, _) => Object::Machine(*it),
        Kind::PolarityChanged(it, _) => Object::Frog(*it),
        Kind::OccupancyChanged(it, _) => Object::Block(*it),
        Kind::ReverserChanged(it, _) => Object::Reverser(*it),
        Kind::Hit { pole, .. } => Object::Pole(*pole),
        Kind::Node { name, .. } => return Some(format!("node/{name}")),
        Kind::ReadingBad { source, .. } => return Some(source.clone()),
        Kind::Started | Kind::Stopping | Kind::Operated { .. } => return None,
    };
    Some(names.object(object))
}

fn positions(record: &FaultRecord, names: &Names) -> Vec<json::Position> {
    let one = |(machine, position): &(_, supervision::input::MachinePosition)| json::Position {
        machine: names.object(Object::Machine(*machine)),
        position: position.word().to_owned(),
    };
    record.positions.iter().map(one).collect()
}

fn polarity(record: &FaultRecord, names: &Names) -> Vec<json::Polarity> {
    record
        .polarity
        .iter()
        .map(|(frog, expected, measured)| json::Polarity {
            frog: names.object(Object::Frog(*frog)),
            expected: expected.word().to_owned(),
            measured: measured.map(|it| it.word().to_owned()),
        })
        .collect()
}

fn contacts(record: &FaultRecord, names: &Names) -> Vec<json::Contact> {
    let one = |it: &supervision::record::ContactStress| json::Contact {
        pole: names.object(Object::Pole(it.pole)),
        before: f64::from(it.before) / 10.0,
        after: f64::from(it.after) / 10.0,
        energy: it.energy.0 as f64 / 1e6,
        amps: it.amps.amps(),
        estimated: it.estimated,
        softening: it.softening,
        melting: it.melting,
        hits: it.hits,
    };
    record.contacts.iter().map(one).collect()
}

fn suspects(record: &FaultRecord, names: &Names) -> Vec<json::Suspect> {
    let one = |it: &supervision::record::Suspect| json::Suspect {
        subject: names.accused(it.accused),
        text: words::accused_text(names.layout(), it.accused),
        share: thousandths(it.share),
        reasons: it
            .reasons
            .iter()
            .map(|reason| json::Reason {
                text: reason.text.clone(),
                ratio: f64::from(reason.ratio) / 100.0,
            })
            .collect(),
    };
    record.suspects.iter().map(one).collect()
}

fn thousandths(share: u32) -> f64 {
    f64::from(share) / 1e3
}

/// Milliseconds from `trigger` to `at`, negative before it.
fn ms(at: Mono, trigger: Mono) -> f64 {
    micros(at, trigger) as f64 / 1e3
}

/// Microseconds from `trigger` to `at`, negative before it.
pub(crate) fn micros(at: Mono, trigger: Mono) -> i64 {
    let after = i64::try_from(at.since(trigger).0).unwrap_or(i64::MAX);
    let before = i64::try_from(trigger.since(at).0).unwrap_or(i64::MAX);
    after - before
}

/// The samples of a channel, timed from the trigger.
pub(crate) fn samples(waveform: &Waveform, trigger: Mono) -> Vec<Sample> {
    waveform.samples.iter().map(|&(at, value)| (micros(at, trigger), value)).collect()
}

/// Samples as the API writes them.
pub(crate) fn waveform(channel: String, samples: &[Sample]) -> json::Waveform {
    let unit = samples.iter().find_map(|(_, value)| match value {
        Value::Current(Microamps(_)) => Some("A".to_owned()),
        Value::Voltage(_) => Some("V".to_owned()),
        Value::Position(_)
        | Value::Asked(_)
        | Value::Polarity(_)
        | Value::Occupied(_)
        | Value::Feedback(_)
        | Value::Reverser(_)
        | Value::Invalid(_) => None,
    });
    let value = |value: Value| match value.written() {
        Written::Number(number) => serde_json::Number::from_f64(number)
            .map_or(serde_json::Value::Null, serde_json::Value::Number),
        Written::Word(word) => serde_json::Value::String(word.to_owned()),
        Written::Nothing(_) => serde_json::Value::Null,
    };
    json::Waveform {
        channel,
        unit,
        ms: samples.iter().map(|(at, _)| *at as f64 / 1e3).collect(),
        values: samples.iter().map(|(_, it)| value(*it)).collect(),
    }
}
