//! Invented fault records in the form that the history answers.

use std::sync::Mutex;

use dashboard::{Archive, ArchiveError, Download, FaultQuery, Form};
use serde_json::{Value, json};

/// Sampling of the invented waveform. Unit: ms.
const PERIOD: f64 = 10.0;

/// Invented faults and a ledger; notes are kept in memory.
#[derive(Debug)]
pub struct Invented {
    faults: Mutex<Vec<Value>>,
    machines: Vec<Value>,
}

/// An archive with faults 24 to 27, the newest three of one turnout, and a ledger of `machines` machines.
pub fn archive(machines: usize) -> Invented {
    let faults = vec![
        fault(27, "junction", "T6", 11.2),
        fault(26, "harbour", "T14", 14.9),
        fault(25, "junction", "T6", 19.4),
        fault(24, "junction", "T6", 12.1),
    ];
    Invented { faults: Mutex::new(faults), machines: (1..=machines).map(machine).collect() }
}

impl Invented {
    fn find<T>(&self, number: u32, with: impl FnOnce(&mut Value) -> T) -> Result<T, ArchiveError> {
        let mut faults = self.faults.lock().unwrap();
        let found = faults.iter_mut().find(|it| it["fault"] == number);
        found.map(with).ok_or(ArchiveError::Unknown)
    }
}

impl Archive for Invented {
    fn faults(&self, query: &FaultQuery) -> Result<Value, ArchiveError> {
        if query.from.as_deref().is_some_and(|it| !it.starts_with("20")) {
            return Err(ArchiveError::Question { reason: "that is no date".to_owned() });
        }
        let same = |it: &Value, key: &str, want: &Option<String>| {
            want.as_deref().is_none_or(|want| it[key] == want)
        };
        let faults = self.faults.lock().unwrap();
        let found = faults.iter().filter(|it| {
            same(it, "district", &query.district)
                && same(it, "cause", &query.cause)
                && same(it, "suspect", &query.suspect)
                && query.before.is_none_or(|before| it["fault"].as_u64() < Some(before.into()))
        });
        Ok(Value::Array(found.take(query.limit).map(summary).collect()))
    }

    fn fault(&self, number: u32) -> Result<Value, ArchiveError> {
        self.find(number, |it| it.clone())
    }

    fn fault_file(&self, number: u32, form: Form) -> Result<Download, ArchiveError> {
        let bytes = self.find(number, |it| it.to_string().into_bytes())?;
        let name = format!("fault-{number}.{}", form.word());
        Ok(Download { name, kind: "application/octet-stream", bytes })
    }

    fn note(&self, number: u32, who: &str, text: &str) -> Result<(), ArchiveError> {
        let note = json!({ "at": "2026-11-25T18:50:00.000Z", "who": who, "text": text });
        self.find(number, |it| it["notes"].as_array_mut().map(|notes| notes.push(note)))?;
        Ok(())
    }

    fn commissioned(&self, _: Option<&str>) -> Result<Value, ArchiveError> {
        Ok(Value::Array(Vec::new()))
    }

    fn machines(&self) -> Result<Value, ArchiveError> {
        Ok(Value::Array(self.machines.clone()))
    }

    fn machines_file(&self, form: Form) -> Result<Download, ArchiveError> {
        let name = format!("machines.{}", form.word());
        Ok(Download { name, kind: "text/csv; charset=utf-8", bytes: b"machine\r\n".to_vec() })
    }

    fn session(&self, _: Option<&str>, _: Option<&str>) -> Result<Value, ArchiveError> {
        Ok(session())
    }

    fn session_file(
        &self,
        _: Option<&str>,
        _: Option<&str>,
        form: Form,
        demo: bool,
    ) -> Result<Download, ArchiveError> {
        let bytes = format!("<!doctype html>{}", if demo { "DEMO" } else { "" }).into_bytes();
        let name = format!("session.{}", form.word());
        Ok(Download { name, kind: "text/html; charset=utf-8", bytes })
    }
}

fn session() -> Value {
    let at = |minutes: i64| 1_795_630_000_000_000_i64 + minutes * 60_000_000;
    let district = |id: &str, off: i64| {
        json!({ "district": id, "on_s": 7200.0 - 60.0 * off as f64, "off_s": 60.0 * off as f64, "unknown_s": 12.0,
            "uptime": 100.0 - 60.0 * off as f64 / 72.0, "cuts": i64::from(off > 0), "faults": i64::from(off > 0),
            "stretches": [{ "from_us": at(0), "to_us": at(40), "state": "on" },
                { "from_us": at(40), "to_us": at(40 + off), "state": "off" },
                { "from_us": at(40 + off), "to_us": at(120), "state": "on" }] })
    };
    json!({
        "layout": "Tamarrow Valley", "from": "2026-11-25T18:06:40.000Z", "from_us": at(0), "to": "2026-11-25T20:06:40.000Z",
        "to_us": at(120), "watched_s": 7200.0, "runs": 1,
        "districts": [district("quarry", 0), district("junction", 4), district("millbrook", 0), district("harbour", 2)],
        "faults": [summary(&fault(26, "harbour", "T14", 14.9)), summary(&fault(27, "junction", "T6", 11.2))],
        "alarms": { "shown": 9, "gathered": 4, "per_ten_minutes": 0.75, "most_in_ten_minutes": 4, "in_flood": 0.0,
            "by_priority": [2, 3, 4], "chattering": [], "stale": [],
            "kinds": [{ "kind": "frog-mismatch", "priority": "high", "count": 5, "most": "frog/T6" }] },
        "busiest": [{ "machine": "machine/T6", "throws": 31 }, { "machine": "machine/T2", "throws": 12 }],
        "due": [machine(6)],
        "actions": [{ "at": "2026-11-25T18:49:00.000Z", "who": "Ines", "what": "restore district/junction", "refused": null }],
    })
}

fn summary(fault: &Value) -> Value {
    let mut summary = fault.clone();
    if let Some(object) = summary.as_object_mut() {
        for key in ["waveforms", "events", "suspects", "contacts", "cuts", "advice", "story"] {
            object.remove(key);
        }
    }
    summary
}

fn fault(number: u32, district: &str, turnout: &str, cleared: f64) -> Value {
    json!({
        "fault": number, "district": district, "cause": "short-circuit",
        "text": "short circuit, 4.62 A above the pick-up of 2.31 A for 20 ms",
        "trigger": format!("2026-11-{}T18:42:07.318Z", number - 2), "trigger_us": 1_795_632_127_318_000_i64,
        "peak": 4.62, "cleared_ms": 22.0 + cleared, "suspect": format!("frog/{turnout}"), "share": 0.86,
        "named": null, "complete": true, "samples": "kept",
        "story": "A train ran through a turnout set against it.", "onset_ms": -22.0, "closed_ms": 3000.0, "cut_short": false,
        "cuts": [{ "feed": format!("district/{district}"), "cause": "short-circuit", "ordered_ms": 0.3, "proved_ms": cleared, "proof": "strong", "attempts": 1 }],
        "events": events(turnout, district, cleared),
        "positions": [{ "machine": format!("machine/{turnout}"), "position": "reverse" }],
        "polarity": [{ "frog": format!("frog/{turnout}"), "expected": "B", "measured": "A" }],
        "contacts": [
            { "pole": format!("pole/{turnout}.1"), "before": 4.0, "after": 33.0, "energy": 0.65, "amps": 4.62, "estimated": true, "softening": true, "melting": false, "hits": 1 },
            { "pole": format!("pole/{turnout}.2"), "before": 4.0, "after": 28.0, "energy": 0.52, "amps": 4.1, "estimated": true, "softening": true, "melting": false, "hits": 1 }],
        "suspects": suspects(turnout),
        "inseparable": null,
        "advice": [format!("throw {turnout} to normal or back the train"), format!("measure contact 1 of {turnout}"), format!("restore {district}")],
        "advice_done": 0,
        "waveforms": waveforms(district, turnout, cleared, number == 27),
        "notes": [],
    })
}

fn events(turnout: &str, district: &str, cleared: f64) -> Value {
    json!([
        { "ms": -416.0, "kind": "position", "subject": format!("machine/{turnout}"), "text": format!("machine {turnout} asked to reverse") },
        { "ms": -60.0, "kind": "position", "subject": format!("machine/{turnout}"), "text": format!("machine {turnout} reverse") },
        { "ms": -39.0, "kind": "alarm", "subject": format!("frog/{turnout}"), "text": format!("frog {turnout} on conductor A, expected B"), "first_out": true },
        { "ms": 0.0, "kind": "order", "subject": format!("district/{district}"), "text": format!("cut district {district}: short circuit") },
        { "ms": cleared, "kind": "cut-proved", "subject": format!("district/{district}"), "text": format!("district {district} proved off") },
        { "ms": cleared + 0.4, "kind": "locked-out", "subject": format!("district/{district}"), "text": format!("district {district} locked out") },
    ])
}

fn suspects(turnout: &str) -> Value {
    json!([
        { "subject": format!("frog/{turnout}"), "text": format!("frog {turnout}"), "share": 0.86, "reasons": [
            { "text": "frog on conductor A, expected B, 39 ms before", "ratio": 40.0 },
            { "text": "thrown 356 ms before", "ratio": 4.0 }] },
        { "subject": "object", "text": "an object on the track or a derailment", "share": 0.08, "reasons": [
            { "text": "nothing speaks for it but how often it happens", "ratio": 1.0 }] },
        { "subject": "vehicle", "text": "a vehicle", "share": 0.04, "reasons": [
            { "text": "no other fault of this train", "ratio": 0.5 }] },
        { "subject": "not-explained", "text": "not explained", "share": 0.02, "reasons": [] },
    ])
}

fn waveforms(district: &str, turnout: &str, cleared: f64, again: bool) -> Value {
    let times: Vec<f64> = (-200..300).map(|n| f64::from(n) * PERIOD + 1.5).collect();
    let amps: Vec<f64> = times.iter().map(|&ms| current(ms, cleared) + retry(ms, again)).collect();
    let volts: Vec<f64> =
        times.iter().map(|&ms| 14.6 - 2.1 * current(ms, cleared).min(5.0)).collect();
    let volts: Vec<f64> =
        volts.iter().zip(&times).map(|(v, ms)| if *ms > cleared { 0.0 } else { *v }).collect();
    json!([
        { "channel": format!("district/{district}/current"), "unit": "A", "ms": times, "values": amps },
        { "channel": format!("district/{district}/voltage"), "unit": "V", "ms": times, "values": volts },
        { "channel": format!("district/{district}/feedback"), "unit": null, "ms": [-2000.0, cleared - 1.0], "values": ["on", "off"] },
        { "channel": format!("machine/{turnout}/position"), "unit": null, "ms": [-2000.0, -416.0, -60.0], "values": ["normal", "moving", "reverse"] },
        { "channel": format!("frog/{turnout}/polarity"), "unit": null, "ms": [-2000.0], "values": ["A"] },
    ])
}

/// A try after one second and one after two that meet the same fault.
fn retry(ms: f64, again: bool) -> f64 {
    let closed = [1000.0, 2000.0].iter().any(|at| (*at..at + 35.0).contains(&ms));
    if again && closed { 4.55 } else { 0.0 }
}

fn current(ms: f64, cleared: f64) -> f64 {
    let ripple = (ms / 7.0).sin() * 0.03;
    if ms < -22.0 {
        0.92 + ripple
    } else if ms < cleared {
        0.92 + 3.7 * (1.0 - (-(ms + 22.0) / 5.0).exp()) + ripple
    } else {
        0.0
    }
}

fn machine(n: usize) -> Value {
    let verdict = if n == 6 {
        "replace"
    } else if n.is_multiple_of(7) {
        "watch"
    } else {
        "good"
    };
    let stress = if n == 6 { 410.0 } else { 12.0 * n as f64 };
    json!({
        "machine": format!("machine/T{n}"), "throws": 40 + 3 * n, "throw_times": (0..20).map(|it| 2.3 + f64::from(it * 7 % 5) * 0.03).collect::<Vec<_>>(),
        "throw_first": 2.38, "throw_latest": 2.41, "change_over_ms": if n.is_multiple_of(3) { Value::Null } else { json!(310.0) },
        "mismatches": n % 2,
        "poles": [{ "pole": format!("pole/T{n}.1"), "hits": n % 3, "energy": 0.2, "stress": stress, "amps": 3.1 }, { "pole": format!("pole/T{n}.2"), "hits": 0, "energy": 0.0, "stress": 0.0, "amps": 0.0 }],
        "proved": if n.is_multiple_of(4) { Value::Null } else { json!("2026-05-04T10:00:00Z") },
        "verdict": verdict, "because": if verdict == "good" { "no rule says otherwise" } else { "one pole has used most of its image" },
    })
}
