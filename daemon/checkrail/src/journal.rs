//! The journal: readings as JSON Lines, and what the supervision makes of them as JSON Lines.

use serde::{Deserialize, Serialize};
use serde_json::{Value as Json, json};
use supervision::{
    alarm::{AlarmKind, Subject},
    input::{Input, Invalid, LinkReport, Quality, Reading, Value},
    output::{Decision, Output},
    record::FaultRecord,
    value::{self, Written},
    words,
};
use wiring::{channel::ChannelTable, layout::Layout, units::Mono};

/// The longest line that is read, in bytes. A longer one is reported and skipped.
pub const LINE_MAX: usize = 64 * 1024;

/// The largest time a journal may hold, in seconds: over three years.
const T_MAX: f64 = 1e8;

/// One reading of a journal.
#[derive(Debug, Deserialize, Serialize)]
struct Line {
    t: f64,
    channel: String,
    #[serde(default)]
    value: Json,
    /// Why there is no value: `over under open sensor`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    e: Option<String>,
}

/// What a line of a journal says.
#[derive(Debug)]
pub struct Parsed {
    /// The instant; none when the line has none that can be used.
    pub t: Option<Mono>,
    /// What to hand to the supervisor; none for an empty line.
    pub input: Option<Input>,
    /// What was wrong with the line, for standard error.
    pub complaint: Option<String>,
}

/// Reads one line. Never fails: what cannot be used becomes a report that names line and cause.
#[must_use]
pub fn parse(text: &str, number: u64, channels: &ChannelTable) -> Parsed {
    let text = text.trim();
    if text.is_empty() {
        return Parsed { t: None, input: None, complaint: None };
    }
    let unusable = |t: Option<Mono>, what: String| {
        let report =
            LinkReport::Unusable { source: format!("journal line {number}"), what: what.clone() };
        Parsed { t, input: Some(Input::Link(report)), complaint: Some(what) }
    };
    let line = match read_line(text) {
        Ok(line) => line,
        Err(error) => {
            return unusable(None, format!("needs {{\"t\",\"channel\",\"value\"}}: {error}"));
        }
    };
    if !line.t.is_finite() || !(0.0..=T_MAX).contains(&line.t) {
        return unusable(None, format!("`t` is {}; it needs seconds from 0 to {T_MAX}", line.t));
    }
    let t = Mono((line.t * 1e6).round() as u64);
    let Some(channel) = channels.find(&line.channel) else {
        return unusable(Some(t), format!("there is no channel `{}` in this layout", line.channel));
    };
    let quantity = channels.channel(channel).quantity;
    if !quantity.is_input() && quantity != wiring::channel::Quantity::Occupied {
        return unusable(Some(t), format!("`{}` is an output and takes no reading", line.channel));
    }
    let (value, complaint) = match read_value(quantity, &line) {
        Ok(value) => (value, None),
        Err(what) => (Value::Invalid(Invalid::Malformed), Some(what)),
    };
    let reading = Reading { channel, value, quality: Quality::Good, node_ms: None };
    Parsed { t: Some(t), input: Some(Input::Reading(reading)), complaint }
}

/// Reads the JSON of a line. Many programs write `NaN` or `Infinity` where a sensor gave no number, which is no JSON:
/// those stand for the reading that it was, not for a line without time and channel.
fn read_line(text: &str) -> Result<Line, serde_json::Error> {
    serde_json::from_str(text).or_else(|error| {
        let plain = text.replace("-Infinity", "false").replace("Infinity", "false");
        // A word where a number belongs is a malformed reading.
        serde_json::from_str(&plain.replace("NaN", "false")).map_err(|_| error)
    })
}

fn read_value(quantity: wiring::channel::Quantity, line: &Line) -> Result<Value, String> {
    let named =
        |error: value::BadValue, shown: &Json| format!("{} = {shown}: {error}", line.channel);
    match &line.value {
        Json::Number(number) => {
            let number = number.as_f64().unwrap_or(f64::NAN);
            value::from_number(quantity, number).map_err(|error| named(error, &line.value))
        }
        Json::String(word) => {
            value::from_text(quantity, word).map_err(|error| named(error, &line.value))
        }
        Json::Null => Ok(Value::Invalid(match line.e.as_deref() {
            Some("over") => Invalid::OverRange,
            Some("under") => Invalid::UnderRange,
            Some("open") => Invalid::Open,
            Some(_) | None => Invalid::Sensor,
        })),
        Json::Bool(_) | Json::Array(_) | Json::Object(_) => {
            Err(format!("{} = {}: needs a number or a word", line.channel, line.value))
        }
    }
}

/// A reading as a journal line, without the line's end.
#[must_use]
pub fn reading_line(at: Mono, name: &str, value: Value) -> String {
    let t = at.seconds();
    match value.written() {
        Written::Number(number) => json!({"t": t, "channel": name, "value": number}),
        Written::Word(word) => json!({"t": t, "channel": name, "value": word}),
        Written::Nothing(why) => json!({"t": t, "channel": name, "value": null, "e": why}),
    }
    .to_string()
}

/// `district/quarry`, `node/yard-east`: the subject of an alarm.
#[must_use]
pub fn subject(layout: &Layout, nodes: &[String], subject: Subject) -> String {
    let node = match subject {
        Subject::Node(node) => nodes.get(usize::from(node.0)).map(String::as_str),
        Subject::Object(_) | Subject::Checkrail => None,
    };
    words::subject_name(layout, subject, node)
}

/// An output as a JSON line; none for what a journal does not carry.
#[must_use]
pub fn output_line(
    output: &Output,
    layout: &Layout,
    channels: &ChannelTable,
    nodes: &[String],
) -> Option<Json> {
    let t = output.at.seconds();
    match &output.what {
        Decision::Order(order) => Some(json!({
            "t": t,
            "order": channels.name(order.channel),
            "value": order.action.word(),
            "cause": order.cause.word(),
            "fault": order.fault.map(|fault| fault.0),
            "attempt": order.attempt,
        })),
        Decision::Alarm(change) => Some(json!({
            "t": t,
            "alarm": AlarmKind::word(change.alarm.kind),
            "subject": subject(layout, nodes, change.alarm.subject),
            "state": change.transition.word(),
            "priority": change.priority.word(),
            "first_out": change.first_out,
            "text": &*change.text,
        })),
        Decision::State { channel, value } => {
            let mut line = json!({"t": t, "state": channels.name(*channel), "value": written(value.written())});
            match value {
                supervision::output::StateValue::Occupancy(occupancy) if occupancy.is_held() => {
                    line["held"] = json!(true);
                }
                supervision::output::StateValue::Load { estimated: true, .. } => {
                    line["estimated"] = json!(true);
                }
                supervision::output::StateValue::Occupancy(_)
                | supervision::output::StateValue::Load { .. }
                | supervision::output::StateValue::Power(_)
                | supervision::output::StateValue::Expected(_) => {}
            }
            Some(line)
        }
        Decision::FaultClosed(record) => Some(fault_line(output.at, record, layout)),
        Decision::Event(_)
        | Decision::FaultOpened { .. }
        | Decision::Commissioned(_)
        | Decision::Answer { .. } => None,
    }
}

fn fault_line(at: Mono, record: &FaultRecord, layout: &Layout) -> Json {
    let suspects: Vec<Json> = record
        .suspects
        .iter()
        .map(|suspect| {
            json!({
                "subject": words::accused_name(layout, suspect.accused),
                "share": f64::from(suspect.share) / 1000.0,
                "reasons": suspect.reasons.iter().map(|reason| reason.text.as_str()).collect::<Vec<_>>(),
            })
        })
        .collect();
    json!({
        "t": at.seconds(),
        "fault": record.number.0,
        "district": layout.districts[record.district.at()].id,
        "cause": record.cause.word(),
        "onset": record.onset.seconds(),
        "trigger": record.trigger.seconds(),
        "peak": record.peak.amps(),
        "cleared_after": record.cleared_after.map(wiring::units::Micros::seconds),
        "suspects": suspects,
        "inseparable": record.inseparable,
        "advice": record.advice.steps,
    })
}

fn written(value: Written) -> Json {
    match value {
        Written::Number(number) if number.fract() == 0.0 => json!(number as i64),
        Written::Number(number) => json!(number),
        Written::Word(word) => json!(word),
        Written::Nothing(_) => Json::Null,
    }
}
