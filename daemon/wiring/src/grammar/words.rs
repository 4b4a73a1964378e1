//! What a kind of value is in words, and an example of it as it would be written.

use super::{Need, Referent, Table, Value};
use crate::quantity::Dimension;

impl Value {
    /// What the value must be, with its article: `a current such as "5 A"`.
    #[must_use]
    pub fn wanted(&self) -> String {
        match self {
            Self::Text => "a text in quotes".to_owned(),
            Self::AnyText => "a text in quotes, perhaps empty".to_owned(),
            Self::Word(words) => one_of(words),
            Self::Flag => "true or false".to_owned(),
            Self::Amount { dimension, .. } => {
                format!("{} such as {}", dimension.words(), self.example())
            }
            Self::Wire => "a wire size such as \"14 AWG\" or \"1.5 mm2\"".to_owned(),
            Self::Rail => "a rail code such as \"code 83\"".to_owned(),
            Self::Count { least, most } if least == most => format!("the bare number {least}"),
            Self::Count { least, most } => format!("a bare whole number from {least} to {most}"),
            Self::Factor { least, most } => {
                format!("a bare number from {} to {}", thousandths(*least), thousandths(*most))
            }
            Self::Number => "a bare number".to_owned(),
            Self::Id(referent) => format!("the id of a {} in quotes", referent.word()),
            Self::Pole => "a pole such as \"T1.1\": machine, point, number".to_owned(),
            Self::End => "an end such as \"T1.left\" or \"buffer-3\"".to_owned(),
            Self::Tie => "left, right, A, B, none, a port's rail such as \"a-left.right\", or \
                          \"DISTRICT/A\", in quotes"
                .to_owned(),
            Self::List { of, least, most } => list_words(of, *least, *most),
            Self::OneOf(kinds) => kinds.iter().map(Self::wanted).collect::<Vec<_>>().join(", or "),
            Self::Table(table) => format!("a table such as {}", table_example(table)),
            Self::ById(table) => format!("tables with ids: [{}]", table.header),
            Self::Rows(table) => format!("tables in a row: [[{}]]", table.header),
            Self::Map(of) => format!("a table of which each value is {}", of.wanted()),
        }
    }

    /// An example as it would be written.
    #[must_use]
    pub fn example(&self) -> String {
        match self {
            Self::Text | Self::AnyText => "\"…\"".to_owned(),
            Self::Word(words) => format!("\"{}\"", words.first().copied().unwrap_or_default()),
            Self::Flag => "true".to_owned(),
            Self::Amount { dimension, .. } => example_amount(*dimension).to_owned(),
            Self::Wire => "\"14 AWG\"".to_owned(),
            Self::Rail => "\"code 83\"".to_owned(),
            Self::Count { least, .. } => (*least.max(&1)).to_string(),
            Self::Factor { least, most } => thousandths(i64::midpoint(*least, *most)),
            Self::Number => "1".to_owned(),
            Self::Id(referent) => example_id(*referent).to_owned(),
            Self::Pole => "\"T1.1\"".to_owned(),
            Self::End => "\"T1.left\"".to_owned(),
            Self::Tie => "\"right\"".to_owned(),
            Self::List { of, least, .. } => {
                let one = of.example();
                format!("[{}]", vec![one; (*least).max(1)].join(", "))
            }
            Self::OneOf(kinds) => kinds.first().map(Self::example).unwrap_or_default(),
            Self::Table(table) => table_example(table),
            Self::ById(table) => format!("[{}]", table.header),
            Self::Rows(table) => format!("[[{}]]", table.header),
            Self::Map(of) => format!("{{ NAME = {} }}", of.example()),
        }
    }
}

const fn example_amount(dimension: Dimension) -> &'static str {
    match dimension {
        Dimension::Current => "\"5 A\"",
        Dimension::Voltage => "\"15 V\"",
        Dimension::Resistance => "\"0.05 ohm\"",
        Dimension::Length => "\"6 m\"",
        Dimension::Time => "\"150 ms\"",
        Dimension::Temperature => "\"22 C\"",
        Dimension::Energy => "\"2 A2s\"",
        Dimension::Share => "\"80 %\"",
        Dimension::Wire => "\"14 AWG\"",
    }
}

const fn example_id(referent: Referent) -> &'static str {
    match referent {
        Referent::Booster => "\"main\"",
        Referent::District => "\"quarry\"",
        Referent::Block => "\"q1\"",
        Referent::Machine | Referent::Trackwork => "\"T1\"",
        Referent::Port => "\"T1.left\"",
        Referent::Channel => "\"block/q1/current\"",
    }
}

/// The first keys of an inline table; required ones in any case.
fn table_example(table: &Table) -> String {
    let is_shown = |at: usize, need: Need| at < 2 || need == Need::Required;
    let keys: Vec<String> = table
        .keys
        .iter()
        .enumerate()
        .filter(|(at, key)| is_shown(*at, key.need))
        .map(|(_, key)| format!("{} = {}", key.name, key.value.example()))
        .collect();
    format!("{{ {} }}", keys.join(", "))
}

fn list_words(of: &Value, least: usize, most: usize) -> String {
    let count = match (least, most) {
        (least, most) if least == most => format!("exactly {least}"),
        (0, most) => format!("at most {most}"),
        (least, most) => format!("{least} to {most}"),
    };
    format!("a list in square brackets of {count}, each {}", of.wanted())
}

/// `"left", "right" or "wye"`.
#[must_use]
pub fn one_of(words: &[&str]) -> String {
    let quoted: Vec<String> = words.iter().map(|word| format!("\"{word}\"")).collect();
    match quoted.split_last() {
        None => String::new(),
        Some((only, [])) => only.clone(),
        Some((last, rest)) => format!("{} or {last}", rest.join(", ")),
    }
}

/// A number of thousandths as a bare number.
#[must_use]
pub fn thousandths(value: i64) -> String {
    let text = format!("{:.3}", value as f64 / 1e3);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
