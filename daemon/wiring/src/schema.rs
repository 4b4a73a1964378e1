//! The grammar of the layout file in two other forms: a JSON Schema for editors, and a reference of all keys to read.

mod json;
mod reference;

pub use reference::key_reference;

use json::Json;

use crate::{
    grammar::{ALL_PORTS, ID_LENGTH_MAX, Key, Need, ROOT, TEXT_LENGTH_MAX, Table, Value},
    quantity::Dimension,
};

/// JSON Schema (draft 2020-12) of the layout file, as `config/checkrail.schema.json` holds it.
#[must_use]
pub fn json_schema() -> String {
    let mut schema = vec![
        ("$schema", Json::text("https://json-schema.org/draft/2020-12/schema")),
        ("title", Json::text("Layout file of Checkrail")),
    ];
    schema.extend(object(&ROOT));
    let tables = tables();
    let inner = tables.iter().filter(|table| !table.header.is_empty());
    let defs = inner.map(|table| (table.header.to_owned(), Json::object(object(table))));
    schema.push(("$defs", Json::Object(defs.collect())));
    let mut text = Json::object(schema).pretty();
    text.push('\n');
    text
}

/// All tables that can stand in a file, in the order of the grammar, each once.
fn tables() -> Vec<&'static Table> {
    let mut found = Vec::new();
    gather(&ROOT, &mut found);
    found
}

fn gather(table: &'static Table, found: &mut Vec<&'static Table>) {
    if found.iter().any(|known| known.header == table.header) {
        return;
    }
    found.push(table);
    for key in table.keys {
        gather_from(&key.value, found);
    }
}

fn gather_from(value: &'static Value, found: &mut Vec<&'static Table>) {
    match value {
        Value::Table(table) | Value::ById(table) | Value::Rows(table) => gather(table, found),
        Value::List { of, .. } | Value::Map(of) => gather_from(of, found),
        Value::OneOf(kinds) => kinds.iter().for_each(|kind| gather_from(kind, found)),
        Value::Text
        | Value::AnyText
        | Value::Word(_)
        | Value::Flag
        | Value::Amount { .. }
        | Value::Wire
        | Value::Rail
        | Value::Count { .. }
        | Value::Factor { .. }
        | Value::Number
        | Value::Id(_)
        | Value::Pole
        | Value::End
        | Value::Tie => {}
    }
}

fn object(table: &'static Table) -> Vec<(&'static str, Json)> {
    let properties = table.keys.iter().map(|key| (key.name.to_owned(), property(key)));
    let required: Vec<Json> = table
        .keys
        .iter()
        .filter(|key| key.need == Need::Required)
        .map(|key| Json::text(key.name))
        .collect();
    let mut schema = vec![
        ("description", Json::text(table.doc)),
        ("type", Json::text("object")),
        ("properties", Json::Object(properties.collect())),
    ];
    if !required.is_empty() {
        schema.push(("required", Json::List(required)));
    }
    schema.push(("additionalProperties", Json::Flag(table.open)));
    schema
}

fn property(key: &'static Key) -> Json {
    let mut parts = vec![("description", Json::text(&description(key)))];
    parts.extend(kind(&key.value));
    if let Need::Default(text) = key.need {
        parts.push(("default", default(&key.value, text)));
    }
    Json::object(parts)
}

fn description(key: &Key) -> String {
    match key.need {
        Need::Depends(on) => format!("{} Default: {on}.", key.doc),
        Need::Required | Need::Default(_) | Need::Optional => key.doc.to_owned(),
    }
}

fn default(value: &Value, text: &str) -> Json {
    if matches!(value, Value::Flag) {
        return Json::Flag(text == "true");
    }
    if matches!(value, Value::Count { .. } | Value::Factor { .. } | Value::Number) {
        return Json::Number(text.to_owned());
    }
    let Some(items) = text.strip_prefix('[').and_then(|text| text.strip_suffix(']')) else {
        return Json::text(text);
    };
    Json::List(items.split(", ").map(|item| Json::text(item.trim_matches('"'))).collect())
}

fn kind(value: &'static Value) -> Vec<(&'static str, Json)> {
    let id = id_pattern();
    match value {
        Value::Text => vec![
            ("type", Json::text("string")),
            ("minLength", Json::number(1)),
            ("maxLength", Json::number(TEXT_LENGTH_MAX as i64)),
        ],
        Value::AnyText => vec![
            ("type", Json::text("string")),
            ("maxLength", Json::number(TEXT_LENGTH_MAX as i64)),
        ],
        Value::Word(words) => {
            vec![("enum", Json::List(words.iter().map(|word| Json::text(word)).collect()))]
        }
        Value::Flag => vec![("type", Json::text("boolean"))],
        Value::Amount { dimension, .. } => {
            pattern(&amount_pattern(*dimension), Some(&value.example()))
        }
        Value::Wire => {
            pattern(r"^(([0-9]+|[1-4]/0) *AWG|[0-9]*\.?[0-9]+ *mm2)$", Some(&value.example()))
        }
        Value::Rail => pattern("^code *[0-9]{2,3}$", Some(&value.example())),
        Value::Count { least, most } => bounded("integer", least.to_string(), most.to_string()),
        Value::Factor { least, most } => {
            let bound = |value| crate::grammar::thousandths(value);
            bounded("number", bound(*least), bound(*most))
        }
        Value::Number => vec![("type", Json::text("number"))],
        Value::Id(_) => pattern(&format!("^{id}$"), None),
        Value::Pole => pattern(&format!(r"^{id}\.[1-9][0-9]*$"), Some(&value.example())),
        Value::End => pattern(&format!(r"^{id}(\.({}))?$", ports()), Some(&value.example())),
        Value::Tie => {
            let ports = ports();
            let all = format!(r"^(left|right|A|B|none|({ports})\.(left|right)|{id}/[AB])$");
            pattern(&all, Some(&value.example()))
        }
        Value::List { of, least, most } => vec![
            ("type", Json::text("array")),
            ("items", Json::object(kind(of))),
            ("minItems", Json::number(*least as i64)),
            ("maxItems", Json::number(*most as i64)),
        ],
        Value::OneOf(kinds) => {
            let all = kinds.iter().map(|one| Json::object(kind(one)));
            vec![("anyOf", Json::List(all.collect()))]
        }
        Value::Table(table) => vec![("$ref", reference(table))],
        Value::ById(table) => by_id(table),
        Value::Rows(table) => vec![
            ("type", Json::text("array")),
            ("items", Json::object(vec![("$ref", reference(table))])),
        ],
        Value::Map(of) => {
            vec![("type", Json::text("object")), ("additionalProperties", Json::object(kind(of)))]
        }
    }
}

fn by_id(table: &Table) -> Vec<(&'static str, Json)> {
    let each = Json::object(vec![("$ref", reference(table))]);
    vec![
        ("type", Json::text("object")),
        ("patternProperties", Json::Object(vec![(format!("^{}$", id_pattern()), each)])),
        ("additionalProperties", Json::Flag(false)),
    ]
}

fn reference(table: &Table) -> Json {
    Json::text(&format!("#/$defs/{}", table.header))
}

fn pattern(pattern: &str, example: Option<&str>) -> Vec<(&'static str, Json)> {
    let mut parts = vec![("type", Json::text("string")), ("pattern", Json::text(pattern))];
    if let Some(example) = example {
        parts.push(("examples", Json::List(vec![Json::text(example.trim_matches('"'))])));
    }
    parts
}

fn bounded(kind: &str, least: String, most: String) -> Vec<(&'static str, Json)> {
    vec![
        ("type", Json::text(kind)),
        ("minimum", Json::Number(least)),
        ("maximum", Json::Number(most)),
    ]
}

fn id_pattern() -> String {
    format!("[A-Za-z0-9_-]{{1,{ID_LENGTH_MAX}}}")
}

/// Only a temperature may be below nothing.
fn amount_pattern(dimension: Dimension) -> String {
    let sign = if dimension == Dimension::Temperature { "[+-]?" } else { r"\+?" };
    let units: Vec<&str> = dimension.units().collect();
    format!(r"^{sign}[0-9]*\.?[0-9]+ *({})$", units.join("|"))
}

fn ports() -> String {
    ALL_PORTS.map(|port| port.word()).join("|")
}
