//! The state as it is served, held against its own description: no field more and none less, each of its type.

mod client;
mod valley;

use std::collections::BTreeSet;

use client::Server;
use serde_json::Value;
use supervision::{
    commission::{
        Ask, Mood, Offer, Outcome, Proved, SessionView, Step, StepResult, Verdict, Wants, When,
    },
    snapshot::Proof,
};
use wiring::index::MachineIx;

/// Everything that a state can hold, held.
fn full(view: &mut dashboard::View) {
    let at = view.snapshot.at;
    let last = dashboard::UnusableView { at: 5, text: "crew: no number".into() };
    (view.links[0].unusable, view.links[0].last_unusable) = (1, Some(last));
    let proved = Proved { wiring: "a1".into(), who: "IN".into(), when: When::Run(at) };
    let proof = Proof { wiring: "a1".into(), proved: Some(proved) };
    view.snapshot.proofs = vec![proof; view.snapshot.machines.len()].into();
    view.snapshot.sessions.push(SessionView {
        machine: MachineIx::new(0),
        who: "Ines".into(),
        since: at,
        step: Step::Normal,
        heading: "Throw it to normal.".into(),
        note: String::new(),
        readings: ["a", "b", "c", "d"].map(|it| (it, "1".to_owned())),
        verdict: Verdict { mood: Mood::Open, text: "not thrown yet".into() },
        offers: vec![Offer {
            act: "throw",
            with: "normal",
            label: "Throw".into(),
            ask: Ask::Nothing,
        }],
        wants: Wants::Nothing,
        results: vec![StepResult {
            step: Step::Name,
            outcome: Outcome::Passed,
            detail: "it moved".into(),
            who: "Ines".into(),
        }],
    });
}

#[tokio::test]
async fn every_field_of_the_state_is_described_and_no_other() {
    let server = Server::start(None).await;
    server.with_plant(valley::plant::Plant::short).await;
    server.publish(full).await;
    let client = server.client();
    let document = client.get("/api/v1/openapi.json").await.json();
    let schemas = &document["components"]["schemas"];
    let mut seen = BTreeSet::new();
    for (path, schema) in [
        ("/api/v1/state?trends=true", "State"),
        ("/api/v1/alarms", "Alarms"),
        ("/api/v1/turnouts", "Turnouts"),
    ] {
        fits(&schemas[schema], &client.get(path).await.json(), schemas, &mut seen, path);
    }
    let rows = "AlarmRow Block Booster CommissionRow District Layout Link Node Offer ProofRow StepResult Turnout Unusable";
    assert_eq!(seen.into_iter().collect::<Vec<_>>().join(" "), rows);
}

/// The part of JSON Schema that the description of the state uses. `seen`: the rows that were met.
fn fits(schema: &Value, value: &Value, all: &Value, seen: &mut BTreeSet<String>, at: &str) {
    if let Some(name) = schema["$ref"].as_str().and_then(|it| it.rsplit('/').next()) {
        seen.insert(name.to_owned());
        return fits(&all[name], value, all, seen, at);
    }
    if let Some(forms) = schema["anyOf"].as_array() {
        let form = if value.is_null() { forms.last() } else { forms.first() };
        return fits(form.expect("two forms"), value, all, seen, at);
    }
    let types = match &schema["type"] {
        Value::Array(types) => types.clone(),
        one => vec![one.clone()],
    };
    assert!(types.iter().any(|it| it == kind(value)), "{at}: {value} is none of {types:?}");
    for (nth, item) in value.as_array().into_iter().flatten().enumerate() {
        fits(&schema["items"], item, all, seen, &format!("{at}/{nth}"));
    }
    let Some(object) = value.as_object() else { return };
    for name in schema["required"].as_array().into_iter().flatten() {
        assert!(object.contains_key(name.as_str().expect("a name")), "{at} has no {name}");
    }
    for (name, value) in object {
        let described = schema["properties"].get(name);
        let described = described.unwrap_or_else(|| panic!("{at}/{name} is not described"));
        fits(described, value, all, seen, &format!("{at}/{name}"));
    }
}

fn kind(value: &Value) -> &'static str {
    match value {
        Value::Null => "null",
        Value::Bool(_) => "boolean",
        Value::Number(it) if it.is_i64() || it.is_u64() => "integer",
        Value::Number(_) => "number",
        Value::String(_) => "string",
        Value::Array(_) => "array",
        Value::Object(_) => "object",
    }
}
