//! Parts of the file that other crates read: kept as they are.

use toml::{
    Spanned,
    de::{DeTable, DeValue},
};

/// The same value without places. The parser bounds its depth.
pub(super) fn value(source: &Spanned<DeValue<'_>>) -> toml::Value {
    match source.get_ref() {
        DeValue::String(text) => toml::Value::String(text.to_string()),
        DeValue::Integer(number) => i64::from_str_radix(number.as_str(), number.radix())
            .map_or_else(|_| toml::Value::String(number.to_string()), toml::Value::Integer),
        DeValue::Float(number) => number
            .as_str()
            .parse()
            .map_or_else(|_| toml::Value::String(number.to_string()), toml::Value::Float),
        DeValue::Boolean(flag) => toml::Value::Boolean(*flag),
        DeValue::Datetime(datetime) => toml::Value::Datetime(*datetime),
        DeValue::Array(items) => toml::Value::Array(items.iter().map(value).collect()),
        DeValue::Table(inner) => toml::Value::Table(table(inner)),
    }
}

fn table(source: &DeTable<'_>) -> toml::Table {
    source.iter().map(|(name, inner)| (name.get_ref().to_string(), value(inner))).collect()
}
