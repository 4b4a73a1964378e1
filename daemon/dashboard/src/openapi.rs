//! The description of the API, made from one table. A test holds the table against the router, path by path.

mod state;

use axum::Json;
use serde_json::{Map, Value, json};

use crate::archive::Form;

/// What a request carries.
#[derive(Clone, Copy)]
enum Body {
    /// Nothing.
    None,
    /// A schema by name.
    Json(&'static str),
}

/// One operation.
struct Row {
    path: &'static str,
    method: &'static str,
    summary: &'static str,
    body: Body,
    /// Schema of the answer; none: not JSON.
    answer: Option<&'static str>,
    /// It needs the operator token.
    acts: bool,
}

const fn read(path: &'static str, summary: &'static str, answer: &'static str) -> Row {
    Row { path, method: "get", summary, body: Body::None, answer: Some(answer), acts: false }
}

const fn act(path: &'static str, summary: &'static str, body: &'static str) -> Row {
    let (body, answer) = (Body::Json(body), Some("Done"));
    Row { path, method: "post", summary, body, answer, acts: true }
}

/// Every operation.
const ROWS: [Row; 35] = [
    read("/api/v1/state", "The whole state at this instant", "State"),
    read("/api/v1/alarms", "Alarms that are not normal", "Alarms"),
    read("/api/v1/turnouts", "Turnouts with position, polarity and contact load", "Turnouts"),
    read("/api/v1/faults", "Recorded faults, newest first", "Faults"),
    read("/api/v1/faults/{number}", "One fault in full", "Fault"),
    Row {
        path: "/api/v1/faults/{number}/export",
        method: "get",
        summary: "One fault as a file, by `as`",
        body: Body::None,
        answer: None,
        acts: false,
    },
    read("/api/v1/report", "What a span of time was like; `as=html` for one page", "Any"),
    read("/api/v1/machines", "The ledger of the machines", "Machines"),
    read("/api/v1/commission", "What commissioning proved, and what is in hand", "Commission"),
    read(
        "/api/v1/commission/{name}",
        "One machine: proof, session, and what was done before",
        "Proof",
    ),
    read("/api/v1/commission/{name}/coins", "Places for the coin test, with forecasts", "Places"),
    read("/api/v1/wiring", "Switch machines by district", "Wiring"),
    read("/api/v1/wiring/{name}", "Terminals and wires of a district or a machine", "Sheets"),
    Row {
        path: "/api/v1/stream",
        method: "get",
        summary: "Live updates as Server-Sent Events: snap, d, bye",
        body: Body::None,
        answer: None,
        acts: false,
    },
    Row {
        path: "/metrics",
        method: "get",
        summary: "Metrics in the text format of Prometheus",
        body: Body::None,
        answer: None,
        acts: false,
    },
    read("/health", "Ready while the supervisor shows itself", "Health"),
    read("/api/v1/openapi.json", "This description", "Any"),
    read("/api/v1/session", "Who is signed in", "Session"),
    Row {
        path: "/api/v1/session",
        method: "post",
        summary: "Sign in: a token for a cookie",
        body: Body::Json("SignIn"),
        answer: Some("Session"),
        acts: false,
    },
    Row {
        path: "/api/v1/session",
        method: "delete",
        summary: "Sign out",
        body: Body::None,
        answer: Some("Session"),
        acts: false,
    },
    act("/api/v1/acknowledge", "Acknowledge an alarm", "Alarm"),
    act("/api/v1/reset", "Reset a latched alarm that is acknowledged and gone", "Alarm"),
    act(
        "/api/v1/reset-first-out",
        "Take the first-out mark from an acknowledged alarm (ISA-18.1)",
        "Alarm",
    ),
    act("/api/v1/shelve", "Shelve an alarm for a time, or until the session ends", "Shelve"),
    act("/api/v1/unshelve", "End a shelving", "Alarm"),
    act("/api/v1/out-of-service", "Take an alarm's subject out of service", "Alarm"),
    act("/api/v1/in-service", "Return it to service", "Alarm"),
    act("/api/v1/cut", "Cut a district or booster", "Feed"),
    act("/api/v1/restore", "Restore a district or booster; `confirm` must be true", "Feed"),
    act("/api/v1/hold", "Nobody restores while a hold stands", "Feed"),
    act("/api/v1/release", "End one's hold", "Feed"),
    act("/api/v1/faults/{number}/note", "Keep a note on a fault", "Note"),
    act("/api/v1/silence", "Stop the sound of every screen for two minutes", "Nothing"),
    act("/api/v1/commission", "A step of commissioning a machine", "CommissionStep"),
    act("/api/v1/culprit", "After a fault: which suspect it was", "Culprit"),
];

/// The description.
pub(crate) async fn serve() -> Json<Value> {
    Json(document())
}

fn document() -> Value {
    let mut paths = Map::new();
    for row in &ROWS {
        let path = paths.entry(row.path).or_insert_with(|| json!({}));
        path[row.method] = operation(row);
    }
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "Checkrail",
            "version": env!("CARGO_PKG_VERSION"),
            "description": "State, alarms, faults and operators' requests. Currents in the state are whole mA, \
                            voltages mV, times ms since 1970-01-01 UTC. Acting needs the operator token, as a \
                            bearer token or as the cookie that /api/v1/session gives.",
        },
        "paths": paths,
        "components": { "schemas": schemas(), "securitySchemes": {
            "token": { "type": "http", "scheme": "bearer" },
            "session": { "type": "apiKey", "in": "cookie", "name": crate::auth::COOKIE },
        } },
    })
}

fn operation(row: &Row) -> Value {
    let id = format!("{}{}", row.method, row.path.replace(['/', '{', '}', '.'], "-"));
    let mut operation = json!({
        "operationId": id,
        "summary": row.summary,
        "responses": answers(row),
    });
    let parameters = parameters(row);
    if !parameters.is_empty() {
        operation["parameters"] = Value::Array(parameters);
    }
    if let Body::Json(name) = row.body {
        operation["requestBody"] = json!({ "required": true, "content": content(name) });
    }
    if row.acts {
        operation["security"] = json!([{ "token": [] }, { "session": [] }]);
    }
    operation
}

/// Names of parameters in the query, by path.
const QUERIES: [(&str, &[&str]); 6] = [
    ("/api/v1/state", &["trends"]),
    ("/api/v1/stream", &["after"]),
    ("/api/v1/faults", &["limit", "district", "cause", "suspect", "before", "from", "to"]),
    ("/api/v1/machines", &["limit", "as"]),
    ("/api/v1/report", &["from", "to", "as"]),
    ("/api/v1/faults/{number}/export", &["as"]),
];

/// Media types besides JSON that `as` can ask for, by path.
const FILES: [(&str, &[&str]); 3] = [
    ("/api/v1/machines", &["text/csv", "text/plain"]),
    ("/api/v1/report", &["text/html"]),
    (
        "/api/v1/faults/{number}/export",
        &["application/json", "text/csv", "text/plain", "application/octet-stream"],
    ),
];

fn parameters(row: &Row) -> Vec<Value> {
    let mut all = Vec::new();
    if row.acts {
        all.push(json!({ "name": "Idempotency-Key", "in": "header", "required": false,
            "description": "A request that comes again with the same key gets the first one's answer",
            "schema": { "type": "string", "minLength": 1, "maxLength": 64, "pattern": "^[A-Za-z0-9_-]+$" } }));
    }
    if row.path.contains("{number}") {
        all.push(json!({ "name": "number", "in": "path", "required": true,
            "schema": { "type": "integer", "minimum": 1, "maximum": u32::MAX } }));
    }
    if row.path.contains("{name}") {
        all.push(json!({ "name": "name", "in": "path", "required": true,
            "schema": { "type": "string", "minLength": 1 } }));
    }
    let names = QUERIES.iter().filter(|(path, _)| *path == row.path).flat_map(|(_, names)| *names);
    all.extend(names.map(|name| {
        let required = *name == "as" && row.path.ends_with("export");
        json!({ "name": name, "in": "query", "required": required, "schema": query_schema(name) })
    }));
    all
}

fn query_schema(name: &str) -> Value {
    match name {
        "limit" => json!({ "type": "integer", "minimum": 0, "maximum": 1000 }),
        "before" => json!({ "type": "integer", "minimum": 0, "maximum": u32::MAX }),
        "trends" => json!({ "enum": ["true", "false"] }),
        "as" => json!({ "enum": Form::ALL.map(Form::word) }),
        _ => json!({ "type": "string" }),
    }
}

fn content(schema: &str) -> Value {
    let schema = json!({ "$ref": format!("#/components/schemas/{schema}") });
    json!({ "application/json": { "schema": schema } })
}

fn answers(row: &Row) -> Value {
    let mut answers = Map::new();
    let mut good = match row.answer {
        Some(name) => json!({ "description": "done", "content": content(name) }),
        None => json!({ "description": "done" }),
    };
    for kind in FILES.iter().filter(|(path, _)| *path == row.path).flat_map(|(_, kinds)| *kinds) {
        good["content"][*kind] = json!({ "schema": {} });
    }
    answers.insert("200".to_owned(), good);
    for &(status, why) in refusals(row) {
        let answer = json!({ "description": why, "content": content("Error") });
        answers.insert(status.to_owned(), answer);
    }
    if row.path == "/health" {
        let answer =
            json!({ "description": "the supervisor is silent", "content": content("Health") });
        answers.insert("503".to_owned(), answer);
    }
    Value::Object(answers)
}

/// Answers that are not what was asked for, by kind of operation.
const fn refusals(row: &Row) -> &'static [(&'static str, &'static str)] {
    match (row.acts, row.body) {
        (true, _) => &[
            ("400", "the body is not what is asked for"),
            ("401", "no token, or a wrong one"),
            ("403", "from another site, or the read token"),
            ("404", "no such alarm, district or booster"),
            ("409", "refused by the supervisor; says why and what to do"),
            ("413", "the body is too large"),
            ("415", "the body is not declared as JSON"),
            ("421", "asked under an unknown host name"),
            ("422", "the `Idempotency-Key` was used for another request"),
            ("429", "too many wrong tokens"),
            ("431", "the headers are too large"),
            ("503", "the supervisor does not answer"),
        ],
        (false, Body::Json(_)) => &[
            ("400", "the body is not what is asked for"),
            ("401", "a wrong token"),
            ("403", "from another site"),
            ("413", "the body is too large"),
            ("415", "the body is not declared as JSON"),
            ("421", "asked under an unknown host name"),
            ("429", "too many wrong tokens"),
        ],
        (false, Body::None) => &[
            ("400", "a parameter is not what is asked for"),
            ("401", "the read token is needed"),
            ("403", "from another site"),
            ("404", "there is no such record"),
            ("421", "asked under an unknown host name"),
            ("429", "too many wrong tokens"),
            ("503", "the history cannot be read"),
        ],
    }
}

fn schemas() -> Value {
    let text = json!({ "type": "string" });
    let list = |key: &str| {
        json!({ "type": "object", "required": [key],
                "properties": { key: { "type": "array", "items": { "type": "object" } } } })
    };
    let mut schemas = json!({
        "Any": { "type": "object" },
        "Faults": list("faults"),
        "Machines": { "anyOf": [list("machines"), { "type": "array", "items": { "type": "object" } }] },
        "Wiring": { "type": "object", "required": ["revision", "errors", "districts", "homeless"] },
        "Sheets": { "type": "object", "required": ["kind", "name", "revision", "errors", "machines"] },
        "Fault": { "type": "object", "required": ["fault", "district", "cause"] },
        "Health": { "type": "object", "required": ["status", "supervisor_age_ms", "history", "links"], "properties": {
            "not_protected": { "type": "integer", "description": "districts that are not cut and have no fresh current" },
            "silent": { "type": "integer", "description": "sensors and nodes of which an alarm says that nothing comes" } } },
        "Session": { "type": "object", "required": ["role"], "properties": {
            "role": { "enum": ["none", "reader", "operator"] } } },
        "Done": { "type": "object", "required": ["done"], "properties": { "done": { "const": true } } },
        "Error": { "type": "object", "required": ["error", "message", "remedy"], "properties": {
            "error": text, "message": text, "remedy": text } },
        "SignIn": { "type": "object", "required": ["token"], "additionalProperties": false, "properties": {
            "token": text, "name": text } },
        "Alarm": { "type": "object", "required": ["alarm", "subject"], "additionalProperties": false,
            "properties": { "alarm": text, "subject": text } },
        "Shelve": { "type": "object", "required": ["alarm", "subject", "reason"],
            "additionalProperties": false, "properties": { "alarm": text, "subject": text,
                "minutes": { "type": "integer", "minimum": 1, "maximum": 720 },
                "session": { "type": "boolean", "description": "instead of `minutes`: until the session ends" },
                "reason": { "type": "string", "minLength": 1 } } },
        "Feed": { "type": "object", "additionalProperties": false, "properties": {
            "subject": text, "district": text, "booster": text,
            "confirm": { "type": "boolean" }, "blind": { "type": "boolean" },
            "seen": { "type": "string", "description": "`EPOCH.Q` of the state looked at; restore only" } } },
        "Nothing": { "type": "object", "additionalProperties": false },
        "Note": { "type": "object", "required": ["text"], "additionalProperties": false, "properties": {
            "text": { "type": "string", "minLength": 1 } } },
        "Commission": list("machines"),
        "Proof": { "type": "object", "required": ["machine", "state", "history"], "properties": {
            "machine": text, "state": { "enum": ["proved", "rewired", "due"] },
            "history": { "type": "array", "items": { "type": "object" } } } },
        "Places": list("places"),
        "CommissionStep": { "type": "object", "required": ["machine", "do"], "additionalProperties": false,
            "properties": { "machine": text,
                "do": { "enum": ["begin", "stay", "next", "throw", "stands", "frog", "meter", "cut", "coin", "again",
                    "back", "skip", "sign", "leave"] },
                "with": text, "reason": text, "initials": text, "place": text,
                "millivolts": { "type": "integer", "minimum": 0, "maximum": 20_000 },
                "milliamps": { "type": "integer", "minimum": 1, "maximum": 20_000 },
                "confirm": { "type": "boolean" } } },
        "Culprit": { "type": "object", "required": ["fault", "suspect"], "additionalProperties": false,
            "properties": { "fault": { "type": "integer", "minimum": 0, "maximum": u32::MAX },
                "suspect": { "type": "integer", "minimum": 0, "maximum": 1000 } } },
    });
    schemas.as_object_mut().expect("an object").extend(state::schemas());
    schemas
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::api;

    #[test]
    fn every_path_of_the_router_is_described_and_no_other() {
        let served = [api::open(), api::reading(), api::acting()];
        let served: BTreeSet<_> = served.iter().flatten().map(|(path, _)| *path).collect();
        let described: BTreeSet<_> = ROWS.iter().map(|row| row.path).collect();
        assert_eq!(described, served);
    }

    #[test]
    fn every_schema_that_is_named_exists() {
        let document = document();
        let text = document.to_string();
        for name in text.split("#/components/schemas/").skip(1) {
            let name: String = name.chars().take_while(char::is_ascii_alphanumeric).collect();
            assert!(document["components"]["schemas"].get(&name).is_some(), "{name}");
        }
    }
}
