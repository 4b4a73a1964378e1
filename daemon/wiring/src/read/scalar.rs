//! One value without parts, checked against its kind.

use toml::de::DeValue;

use super::{
    error::{FileErrorKind, IdProblem},
    fields::Data,
};
use crate::{
    grammar::{ID_LENGTH_MAX, TEXT_LENGTH_MAX, Value, thousandths},
    quantity::{self, Dimension, QuantityError},
    suggest,
    units::{MicroA2s, Microamps, Micrometres, Microohms, Micros, Millicelsius, Millivolts},
};

/// Reads `source` as `kind`, which has no parts.
pub(super) fn scalar(
    kind: &Value,
    key: &str,
    source: &DeValue<'_>,
    default: Option<&str>,
) -> Result<Data, FileErrorKind> {
    let wrong = |write: Option<String>| wrong(kind, key, source, write);
    match kind {
        Value::Text => text(source).map(Data::Text).ok_or_else(|| wrong(text_meant(source))),
        Value::AnyText => any_text(source).map(Data::Text).ok_or_else(|| wrong(text_meant(source))),
        Value::Word(words) => word(words, key, source, kind),
        Value::Flag => source.as_bool().map(Data::Flag).ok_or_else(|| wrong(flag_meant(source))),
        Value::Amount { dimension, least, most } => {
            let value = amount(*dimension, key, source, kind, default)?;
            within(value, (*least, *most), key, source, |bound| written(*dimension, bound))?;
            Ok(Data::Amount(*dimension, value))
        }
        Value::Wire => gauge(key, source, kind),
        Value::Rail => rail(source).map(Data::Count).ok_or_else(|| wrong(rail_meant(source))),
        Value::Count { least, most } => {
            let value = whole(source).ok_or_else(|| wrong(count_meant(source)))?;
            within(value, (*least, *most), key, source, |bound| bound.to_string())?;
            Ok(Data::Count(value))
        }
        Value::Factor { least, most } => {
            let value = number(source).ok_or_else(|| wrong(number_meant(source)))?;
            let value = (value.clamp(-1e9, 1e9) * 1e3).round() as i64;
            within(value, (*least, *most), key, source, thousandths)?;
            Ok(Data::Amount(Dimension::Share, value))
        }
        Value::Number => {
            number(source).map(Data::Number).ok_or_else(|| wrong(number_meant(source)))
        }
        Value::Id(_) => {
            let text = text(source).ok_or_else(|| wrong(None))?;
            check_id(&text)?;
            Ok(Data::Text(text))
        }
        Value::Pole | Value::End | Value::Tie => {
            text(source).map(Data::Text).ok_or_else(|| wrong(None))
        }
        Value::List { .. } => {
            let one = source.as_str().filter(|one| !one.is_empty());
            Err(wrong(one.map(|one| format!("[\"{}\"]", shortened(one)))))
        }
        Value::OneOf(_) | Value::Table(_) | Value::ById(_) | Value::Rows(_) | Value::Map(_) => {
            Err(wrong(None))
        }
    }
}

/// The value is of another kind than wanted.
pub(super) fn wrong(
    kind: &Value,
    key: &str,
    source: &DeValue<'_>,
    write: Option<String>,
) -> FileErrorKind {
    FileErrorKind::ValueWrong {
        key: key.to_owned(),
        found: found(source),
        wanted: kind.wanted(),
        write,
    }
}

/// The rules of ids.
pub(super) fn check_id(id: &str) -> Result<(), FileErrorKind> {
    let is_allowed =
        |character: &char| character.is_ascii_alphanumeric() || matches!(character, '-' | '_');
    let why = if id.is_empty() {
        IdProblem::Empty
    } else if let Some(character) = id.chars().find(|character| !is_allowed(character)) {
        IdProblem::Character(character)
    } else if ID_LENGTH_MAX < id.len() {
        IdProblem::Long
    } else {
        return Ok(());
    };
    Err(FileErrorKind::IdBad { id: shortened(id), why })
}

/// What stands in the file, short enough for a message.
pub(super) fn found(source: &DeValue<'_>) -> String {
    match source {
        DeValue::String(text) => format!("\"{}\"", shortened(text)),
        DeValue::Integer(number) => shortened(&number.to_string()),
        DeValue::Float(number) => shortened(&number.to_string()),
        DeValue::Boolean(flag) => flag.to_string(),
        DeValue::Datetime(_) => "a date".to_owned(),
        DeValue::Array(_) => "a list".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
    }
}

/// At most this many characters of what was found are repeated.
const SHOWN_MAX: usize = 40;

fn shortened(text: &str) -> String {
    let clean = text.chars().map(|character| if character.is_control() { ' ' } else { character });
    let mut shown: String = clean.clone().take(SHOWN_MAX).collect();
    if SHOWN_MAX < clean.count() {
        shown.push('…');
    }
    shown
}

fn text(source: &DeValue<'_>) -> Option<String> {
    any_text(source).filter(|text| !text.is_empty())
}

fn any_text(source: &DeValue<'_>) -> Option<String> {
    let text = source.as_str().filter(|text| text.len() <= TEXT_LENGTH_MAX)?;
    (!text.chars().any(char::is_control)).then(|| text.to_owned())
}

fn word(
    words: &'static [&'static str],
    key: &str,
    source: &DeValue<'_>,
    kind: &Value,
) -> Result<Data, FileErrorKind> {
    let text = source.as_str();
    if let Some(word) = words.iter().find(|word| Some(**word) == text) {
        return Ok(Data::Word(word));
    }
    let meant = text.and_then(|text| suggest::nearest(text, words.iter().copied()));
    Err(wrong(kind, key, source, meant.map(|word| format!("\"{word}\""))))
}

/// The number of a bare value as it stands.
fn bare_number(source: &DeValue<'_>) -> Option<String> {
    match source {
        DeValue::Integer(number) => Some(number.to_string()),
        DeValue::Float(number) => Some(number.to_string()),
        _ => None,
    }
}

fn amount(
    dimension: Dimension,
    key: &str,
    source: &DeValue<'_>,
    kind: &Value,
    default: Option<&str>,
) -> Result<i64, FileErrorKind> {
    if let Some(number) = bare_number(source) {
        return Err(unit_missing(key, shortened(&number), likely_unit(dimension, default)));
    }
    let Some(text) = source.as_str() else {
        return Err(wrong(kind, key, source, None));
    };
    quantity::amount(text, dimension)
        .map_err(|error| quantity_error(error, dimension, key, source, kind, default))
}

fn gauge(key: &str, source: &DeValue<'_>, kind: &Value) -> Result<Data, FileErrorKind> {
    if let Some(number) = bare_number(source) {
        return Err(FileErrorKind::UnitMissing {
            key: key.to_owned(),
            number: shortened(&number),
            units: vec!["AWG", "mm2"],
        });
    }
    let Some(text) = source.as_str() else {
        return Err(wrong(kind, key, source, None));
    };
    quantity::gauge(text)
        .map(Data::Gauge)
        .map_err(|error| quantity_error(error, Dimension::Wire, key, source, kind, None))
}

fn quantity_error(
    error: QuantityError,
    dimension: Dimension,
    key: &str,
    source: &DeValue<'_>,
    kind: &Value,
    default: Option<&str>,
) -> FileErrorKind {
    match error {
        QuantityError::UnitMissing { number } => {
            unit_missing(key, shortened(&number), likely_unit(dimension, default))
        }
        QuantityError::UnitWrong { number, unit, is, meant } => FileErrorKind::UnitWrong {
            key: key.to_owned(),
            number: shortened(&number),
            unit: shortened(&unit),
            is,
            wanted: dimension,
            meant,
        },
        QuantityError::NumberBad => wrong(kind, key, source, None),
        QuantityError::Comma { with_point } => {
            wrong(kind, key, source, Some(format!("\"{}\"", shortened(&with_point))))
        }
    }
}

fn unit_missing(key: &str, number: String, unit: &'static str) -> FileErrorKind {
    let units = if unit == "AWG" { vec!["AWG", "mm2"] } else { vec![unit] };
    FileErrorKind::UnitMissing { key: key.to_owned(), number, units }
}

/// The unit of the key's own default tells best what a bare number means.
fn likely_unit(dimension: Dimension, default: Option<&str>) -> &'static str {
    let unit = default.and_then(|text| text.rsplit_once(' ')).map(|(_, unit)| unit);
    dimension.units().find(|own| Some(*own) == unit).unwrap_or(dimension.usual_unit())
}

fn within(
    value: i64,
    (least, most): (i64, i64),
    key: &str,
    source: &DeValue<'_>,
    write: impl Fn(i64) -> String,
) -> Result<(), FileErrorKind> {
    if (least..=most).contains(&value) {
        return Ok(());
    }
    Err(FileErrorKind::OutOfBounds {
        key: key.to_owned(),
        found: found(source),
        least: write(least),
        most: write(most),
    })
}

/// A value in base units as a person writes it.
pub(super) fn written(dimension: Dimension, value: i64) -> String {
    let magnitude = value.unsigned_abs();
    match dimension {
        Dimension::Current if value.abs() < 100 => format!("{value} uA"),
        Dimension::Current => Microamps(value).to_string(),
        Dimension::Voltage if value.abs() < 1000 => format!("{value} mV"),
        Dimension::Voltage => Millivolts(value).to_string(),
        Dimension::Resistance if value < 100 => format!("{} mohm", value as f64 / 1e3),
        Dimension::Resistance => Microohms(magnitude).to_string(),
        Dimension::Length => Micrometres(magnitude).to_string(),
        Dimension::Time if value < 100 => format!("{} ms", value as f64 / 1e3),
        Dimension::Time => Micros(magnitude).to_string(),
        Dimension::Temperature => {
            Millicelsius(i32::try_from(value).unwrap_or(i32::MAX)).to_string()
        }
        Dimension::Energy => MicroA2s(magnitude).to_string(),
        Dimension::Share => format!("{} %", thousandths(value * 100)),
        Dimension::Wire => format!("{value} AWG"),
    }
}

fn whole(source: &DeValue<'_>) -> Option<i64> {
    let integer = source.as_integer()?;
    i64::from_str_radix(integer.as_str(), integer.radix()).ok()
}

fn number(source: &DeValue<'_>) -> Option<f64> {
    let value = match source {
        DeValue::Integer(_) => whole(source)? as f64,
        DeValue::Float(float) => float.as_str().parse::<f64>().ok()?,
        _ => return None,
    };
    value.is_finite().then_some(value)
}

/// Rail codes from 25 to 400 thousandths of an inch: from the smallest scales to large gardens.
const RAIL_CODES: std::ops::RangeInclusive<i64> = 25..=400;

fn rail(source: &DeValue<'_>) -> Option<i64> {
    let code = source.as_str()?.strip_prefix("code")?.trim();
    let is_digits = code.bytes().all(|byte| byte.is_ascii_digit());
    let code = code.parse().ok().filter(|code| is_digits && RAIL_CODES.contains(code))?;
    Some(code)
}

/// `83` and `"83"` mean code 83.
fn rail_meant(source: &DeValue<'_>) -> Option<String> {
    let number = bare_number(source).or_else(|| source.as_str().map(str::to_owned))?;
    let digits: String = number.chars().filter(char::is_ascii_digit).collect();
    let code = digits.parse().ok().filter(|code| RAIL_CODES.contains(code))?;
    Some(format!("\"code {code}\""))
}

/// `"2"` means 2.
fn count_meant(source: &DeValue<'_>) -> Option<String> {
    source.as_str()?.trim().parse::<u16>().ok().map(|count| count.to_string())
}

/// `5` means `"5"`.
fn text_meant(source: &DeValue<'_>) -> Option<String> {
    bare_number(source).map(|number| format!("\"{}\"", shortened(&number)))
}

/// `"1.8"` means 1.8.
fn number_meant(source: &DeValue<'_>) -> Option<String> {
    let number: f64 = source.as_str()?.trim().replace(',', ".").parse().ok()?;
    number.is_finite().then(|| number.to_string())
}

/// `"true"`, `"yes"` and `1` mean true.
fn flag_meant(source: &DeValue<'_>) -> Option<String> {
    let text = source.as_str().map(str::to_lowercase).or_else(|| bare_number(source))?;
    match text.as_str() {
        "true" | "yes" | "on" | "1" => Some("true".to_owned()),
        "false" | "no" | "off" | "0" => Some("false".to_owned()),
        _ => None,
    }
}
