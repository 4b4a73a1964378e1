//! Quantities as text: a number and a unit, read exactly into the integers of [`crate::units`].

use crate::{suggest, units::Gauge};

/// What a quantity is of.
#[derive(Clone, Copy, Debug, Eq, Hash, PartialEq)]
pub enum Dimension {
    /// Read as microamperes.
    Current,
    /// Read as millivolts.
    Voltage,
    /// Read as microohms.
    Resistance,
    /// Read as micrometres.
    Length,
    /// Read as microseconds.
    Time,
    /// Read as thousandths of a degree Celsius.
    Temperature,
    /// Read as microampere-squared seconds.
    Energy,
    /// Read as thousandths.
    Share,
    /// A wire: read as [`Gauge`].
    Wire,
}

impl Dimension {
    /// With its article, for messages.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Current => "a current",
            Self::Voltage => "a voltage",
            Self::Resistance => "a resistance",
            Self::Length => "a length",
            Self::Time => "a time",
            Self::Temperature => "a temperature",
            Self::Energy => "a let-through energy",
            Self::Share => "a percentage",
            Self::Wire => "a wire size",
        }
    }

    /// The unit that a bare number most likely means.
    #[must_use]
    pub const fn usual_unit(self) -> &'static str {
        match self {
            Self::Current => "A",
            Self::Voltage => "V",
            Self::Resistance => "ohm",
            Self::Length => "m",
            Self::Time => "ms",
            Self::Temperature => "C",
            Self::Energy => "A2s",
            Self::Share => "%",
            Self::Wire => "AWG",
        }
    }

    /// All units of this dimension, the usual one first.
    pub fn units(self) -> impl Iterator<Item = &'static str> {
        let usual = self.usual_unit();
        let others = UNITS.iter().filter(move |unit| unit.dimension == self && unit.name != usual);
        std::iter::once(usual).chain(others.map(|unit| unit.name))
    }
}

/// A unit: base value = number x factor / 10^0, plus the offset for temperatures.
struct Unit {
    name: &'static str,
    dimension: Dimension,
    /// Base units in one of this unit, as a fraction.
    factor: (i128, i128),
    /// Added to the number before the factor, in units.
    offset: i128,
}

const fn unit(name: &'static str, dimension: Dimension, factor: i128) -> Unit {
    Unit { name, dimension, factor: (factor, 1), offset: 0 }
}

/// Every unit of the layout file. A foot is 304.8 mm and an inch 25.4 mm exactly (international yard and pound
/// agreement of 1959); F = C x 9/5 + 32.
const UNITS: [Unit; 20] = [
    unit("A", Dimension::Current, 1_000_000),
    unit("mA", Dimension::Current, 1000),
    unit("uA", Dimension::Current, 1),
    unit("V", Dimension::Voltage, 1000),
    unit("mV", Dimension::Voltage, 1),
    unit("ohm", Dimension::Resistance, 1_000_000),
    unit("mohm", Dimension::Resistance, 1000),
    unit("m", Dimension::Length, 1_000_000),
    unit("cm", Dimension::Length, 10_000),
    unit("mm", Dimension::Length, 1000),
    unit("ft", Dimension::Length, 304_800),
    unit("in", Dimension::Length, 25_400),
    unit("s", Dimension::Time, 1_000_000),
    unit("ms", Dimension::Time, 1000),
    unit("C", Dimension::Temperature, 1000),
    Unit { name: "F", dimension: Dimension::Temperature, factor: (5000, 9), offset: -32 },
    unit("A2s", Dimension::Energy, 1_000_000),
    unit("%", Dimension::Share, 10),
    unit("AWG", Dimension::Wire, 1),
    unit("mm2", Dimension::Wire, 1_000_000),
];

/// Spellings that people use, and the unit they mean.
const ALIASES: [(&str, &str); 34] = [
    ("amp", "A"),
    ("amps", "A"),
    ("ampere", "A"),
    ("amperes", "A"),
    ("ma", "mA"),
    ("µA", "uA"),
    ("volt", "V"),
    ("volts", "V"),
    ("mv", "mV"),
    ("Ω", "ohm"),
    ("ohms", "ohm"),
    ("R", "ohm"),
    ("mΩ", "mohm"),
    ("milliohm", "mohm"),
    ("milliohms", "mohm"),
    ("meter", "m"),
    ("meters", "m"),
    ("metre", "m"),
    ("metres", "m"),
    ("feet", "ft"),
    ("foot", "ft"),
    ("'", "ft"),
    ("inch", "in"),
    ("inches", "in"),
    ("\"", "in"),
    ("sec", "s"),
    ("second", "s"),
    ("seconds", "s"),
    ("msec", "ms"),
    ("°C", "C"),
    ("°F", "F"),
    ("ga", "AWG"),
    ("mm²", "mm2"),
    ("sqmm", "mm2"),
];

/// Why a text is no quantity of the wanted dimension.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum QuantityError {
    /// A number without a unit.
    UnitMissing {
        /// The number.
        number: String,
    },
    /// The unit is of another dimension, or of none.
    UnitWrong {
        /// The number.
        number: String,
        /// What stands after it.
        unit: String,
        /// The dimension it has, where it is one of ours.
        is: Option<Dimension>,
        /// What was likely meant.
        meant: Option<&'static str>,
    },
    /// What stands before the unit is no number.
    NumberBad,
    /// Decimals are set off by a comma.
    Comma {
        /// The same with a point.
        with_point: String,
    },
}

/// More digits than any quantity needs; keeps the arithmetic exact.
const DIGITS_MAX: usize = 15;

/// Reads `text` as base units of `dimension`, rounded to the nearest.
///
/// # Errors
/// [`QuantityError`], with what was likely meant.
pub fn amount(text: &str, dimension: Dimension) -> Result<i64, QuantityError> {
    let (number, name) = split(text);
    if number.contains(',') {
        return Err(QuantityError::Comma { with_point: text.trim().replace(',', ".") });
    }
    let (mantissa, scale) = decimal(number).ok_or(QuantityError::NumberBad)?;
    let unit = find(number, name, dimension)?;
    let (top, bottom) = unit.factor;
    let numerator = (mantissa + unit.offset * scale) * top;
    i64::try_from(rounded(numerator, scale * bottom)).map_err(|_| QuantityError::NumberBad)
}

/// Reads a wire size: `14 AWG`, `1/0 AWG`, `1.5 mm2`.
///
/// # Errors
/// [`QuantityError`], with what was likely meant.
pub fn gauge(text: &str) -> Result<Gauge, QuantityError> {
    let (number, name) = split(text);
    if let Some(zeros) = number.strip_suffix("/0") {
        find(number, name, Dimension::Wire)?;
        return match (zeros.parse::<i16>(), name) {
            (Ok(zeros @ 1..=4), "AWG") => Ok(Gauge::Awg(1 - zeros)),
            _ => Err(QuantityError::NumberBad),
        };
    }
    let value = amount(text, Dimension::Wire)?;
    if name == "AWG" {
        let whole = number.bytes().all(|byte| byte.is_ascii_digit());
        let number = i16::try_from(value).ok().filter(|number| whole && (0..=50).contains(number));
        return number.map(Gauge::Awg).ok_or(QuantityError::NumberBad);
    }
    u64::try_from(value).map(Gauge::Area).map_err(|_| QuantityError::NumberBad)
}

/// The number and the unit of a text, neither with spaces around.
fn split(text: &str) -> (&str, &str) {
    let text = text.trim();
    let is_number =
        |part: char| part.is_ascii_digit() || matches!(part, '.' | ',' | '-' | '+' | '/');
    let end = text.find(|part: char| !is_number(part)).unwrap_or(text.len());
    (&text[..end], text[end..].trim_start())
}

fn find(number: &str, name: &str, dimension: Dimension) -> Result<&'static Unit, QuantityError> {
    if name.is_empty() {
        return Err(QuantityError::UnitMissing { number: number.to_owned() });
    }
    let known = UNITS.iter().find(|unit| unit.name == name);
    match known {
        Some(unit) if unit.dimension == dimension => Ok(unit),
        _ => Err(QuantityError::UnitWrong {
            number: number.to_owned(),
            unit: name.to_owned(),
            is: known.map(|unit| unit.dimension),
            meant: meant(name, dimension),
        }),
    }
}

/// The unit of this dimension that a foreign spelling stands for.
fn meant(name: &str, dimension: Dimension) -> Option<&'static str> {
    let of_dimension = |unit: &str| dimension.units().find(|own| *own == unit);
    let alias = ALIASES.iter().find(|(alias, _)| alias.eq_ignore_ascii_case(name));
    let other_case = || dimension.units().find(|own| own.eq_ignore_ascii_case(name));
    alias
        .and_then(|(_, unit)| of_dimension(unit))
        .or_else(other_case)
        .or_else(|| (3 <= name.len()).then(|| suggest::nearest(name, dimension.units()))?)
}

/// A decimal number as a whole number and the power of ten it is divided by.
fn decimal(text: &str) -> Option<(i128, i128)> {
    let (negative, digits) = match text.strip_prefix('-') {
        Some(rest) => (true, rest),
        None => (false, text.strip_prefix('+').unwrap_or(text)),
    };
    let (whole, part) = digits.split_once('.').unwrap_or((digits, ""));
    let all_digits = whole.bytes().chain(part.bytes()).all(|byte| byte.is_ascii_digit());
    let count = whole.len() + part.len();
    if !all_digits || count == 0 || DIGITS_MAX < count || digits.ends_with('.') {
        return None;
    }
    let mantissa: i128 = format!("{whole}{part}").parse().ok()?;
    let scale = 10_i128.pow(u32::try_from(part.len()).ok()?);
    Some((if negative { -mantissa } else { mantissa }, scale))
}

/// Division rounded to the nearest, halves away from zero. `bottom` is positive.
fn rounded(top: i128, bottom: i128) -> i128 {
    let half = bottom / 2;
    (if top < 0 { top - half } else { top + half }) / bottom
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_unit_of_the_contract_reads_exactly() {
        use Dimension as D;
        let cases = [
            ("5 A", D::Current, 5_000_000),
            ("200mA", D::Current, 200_000),
            ("7 uA", D::Current, 7),
            ("15 V", D::Voltage, 15_000),
            ("250 mV", D::Voltage, 250),
            ("0.05 ohm", D::Resistance, 50_000),
            ("40 mohm", D::Resistance, 40_000),
            ("6 m", D::Length, 6_000_000),
            ("40 cm", D::Length, 400_000),
            ("3 mm", D::Length, 3000),
            ("20 ft", D::Length, 6_096_000),
            ("9 in", D::Length, 228_600),
            ("120 ms", D::Time, 120_000),
            ("2.5 s", D::Time, 2_500_000),
            ("22 C", D::Temperature, 22_000),
            ("-5 C", D::Temperature, -5000),
            ("72 F", D::Temperature, 22_222),
            ("2 A2s", D::Energy, 2_000_000),
            ("80 %", D::Share, 800),
            (".5 A", D::Current, 500_000),
        ];
        for (text, dimension, want) in cases {
            assert_eq!(amount(text, dimension), Ok(want), "{text}");
        }
    }

    #[test]
    fn wire_sizes_read_in_both_systems() {
        let cases = [
            ("14 AWG", Some(Gauge::Awg(14))),
            ("1/0 AWG", Some(Gauge::Awg(0))),
            ("4/0AWG", Some(Gauge::Awg(-3))),
            ("1.5 mm2", Some(Gauge::Area(1_500_000))),
            ("5/0 AWG", None),
            ("14.5 AWG", None),
            ("1/0 mm2", None),
            ("900 AWG", None),
        ];
        for (text, want) in cases {
            assert_eq!(gauge(text).ok(), want, "{text}");
        }
    }

    #[test]
    fn a_wrong_quantity_says_what_was_meant() {
        let wrong = |text: &str, dimension| amount(text, dimension).expect_err(text);
        assert_eq!(
            wrong("5", Dimension::Current),
            QuantityError::UnitMissing { number: "5".into() }
        );
        assert_eq!(
            wrong("0,5 A", Dimension::Current),
            QuantityError::Comma { with_point: "0.5 A".into() }
        );
        for text in ["", "A", "1.2.3 A", "5. A", "1e3 A", "9999999999999999 A"] {
            assert!(amount(text, Dimension::Current).is_err(), "{text}");
        }
        let meant = |text: &str, dimension| match wrong(text, dimension) {
            QuantityError::UnitWrong { meant, .. } => meant,
            other => panic!("{text}: {other:?}"),
        };
        assert_eq!(meant("5 amps", Dimension::Current), Some("A"));
        assert_eq!(meant("5 Ω", Dimension::Resistance), Some("ohm"));
        assert_eq!(meant("5 v", Dimension::Voltage), Some("V"));
        assert_eq!(meant("5 V", Dimension::Current), None);
    }
}
