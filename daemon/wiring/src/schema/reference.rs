//! All keys of the layout file as a page to read.

use std::fmt::Write as _;

use super::tables;
use crate::{
    grammar::{Key, Need, PROTECTION_KEYS, Table, Value},
    quantity::Dimension,
};

const HEAD: &str = "\
# All keys of the layout file

Written from the grammar of the reader; do not edit. Tables in the order in which a file usually has them. A key
without a default may be left out unless it is marked **required**. What a file leaves to defaults,
`checkrail check --verbose LAYOUT` lists as assumed.

Quantities stand in quotes with their unit: `\"5 A\"`, `\"40 ms\"`, `\"14 AWG\"`. The space is optional. Counts and
factors are bare numbers. Ids are letters, digits, `-` and `_`, 1 to 32 of them.
";

/// A reference of all keys in Markdown, as `config/KEYS.md` holds it.
#[must_use]
pub fn key_reference() -> String {
    let mut page = HEAD.to_owned();
    units(&mut page);
    for table in tables() {
        describe(&mut page, table);
    }
    page
}

fn units(page: &mut String) {
    page.push_str("\n## Units\n\n| of | units |\n| --- | --- |\n");
    let all = [
        Dimension::Current,
        Dimension::Voltage,
        Dimension::Resistance,
        Dimension::Length,
        Dimension::Time,
        Dimension::Temperature,
        Dimension::Energy,
        Dimension::Share,
        Dimension::Wire,
    ];
    for dimension in all {
        let units: Vec<String> = dimension.units().map(|unit| format!("`{unit}`")).collect();
        let _ = writeln!(page, "| {} | {} |", dimension.words(), units.join(" "));
    }
}

fn describe(page: &mut String, table: &Table) {
    let title = match table.header {
        "" => "The top of the file".to_owned(),
        header => format!("`[{header}]`"),
    };
    let _ = write!(page, "\n## {title}\n\n{}\n", table.doc);
    if table.open {
        page.push_str("\nFurther keys are read by the link itself.\n");
    }
    if is_override(table) {
        page.push_str("\nThe keys of `[protection]`.\n");
        return;
    }
    page.push_str("\n| key | value | default | meaning |\n| --- | --- | --- | --- |\n");
    for key in table.keys {
        let _ = writeln!(
            page,
            "| `{}` | {} | {} | {} |",
            key.name,
            cell(&short(&key.value)),
            cell(&default(key)),
            cell(key.doc)
        );
    }
}

/// A table that takes the keys of another one, which describes them.
fn is_override(table: &Table) -> bool {
    std::ptr::eq(table.keys, PROTECTION_KEYS) && table.header != "protection"
}

fn default(key: &Key) -> String {
    match key.need {
        Need::Required => "**required**".to_owned(),
        Need::Default(text) if is_bare(&key.value) || text.starts_with('[') => format!("`{text}`"),
        Need::Default(text) => format!("`\"{text}\"`"),
        Need::Depends(words) => words.to_owned(),
        Need::Optional => String::new(),
    }
}

/// Values that stand without quotes.
const fn is_bare(value: &Value) -> bool {
    matches!(value, Value::Flag | Value::Count { .. } | Value::Factor { .. } | Value::Number)
}

fn short(value: &Value) -> String {
    match value {
        Value::Table(table) => format!("table, see `[{}]`", table.header),
        Value::ById(table) => format!("tables, see `[{}]`", table.header),
        Value::Rows(table) => format!("rows, see `[[{}]]`", table.header),
        Value::OneOf(kinds) => kinds.iter().map(short).collect::<Vec<_>>().join("; or "),
        other => other.wanted(),
    }
}

/// A bar would end the cell.
fn cell(text: &str) -> String {
    text.replace('|', "\\|")
}
