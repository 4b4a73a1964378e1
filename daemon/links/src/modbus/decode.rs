//! What registers and bits mean.

use supervision::{
    input::{Invalid, Value},
    value::{BadValue, from_number, from_text},
};
use wiring::{
    channel::Quantity,
    links::{ModbusPoint, ModbusTable, Raw, WordOrder},
};

/// Why registers are no value of their channel.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
pub enum BadRegister {
    /// A number that `values` does not list.
    #[error("holds {0}, which `values` does not list")]
    Unlisted(i64),
    /// Not of the channel's type or size.
    #[error("{0}")]
    Value(#[from] BadValue),
}

/// A number as registers hold it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Number {
    /// A whole one.
    Whole(i64),
    /// A float.
    Float(f32),
}

/// Registers of the data bytes of a read; bits become registers of 0 or 1.
#[must_use]
pub fn words(table: ModbusTable, data: &[u8], count: u16) -> Vec<u16> {
    if table.is_bits() {
        let bit = |at: usize| data.get(at / 8).map_or(0, |byte| u16::from(byte >> (at % 8) & 1));
        return (0..usize::from(count)).map(bit).collect();
    }
    data.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect()
}

/// The number that one or two registers hold; none when they are too few.
#[must_use]
pub fn number(raw: Raw, swap: bool, words: &[u16]) -> Option<Number> {
    let word = |at: usize| words.get(at).map(|word| if swap { word.swap_bytes() } else { *word });
    let double = |order: WordOrder| {
        let (high, low) = match order {
            WordOrder::HighFirst => (word(0)?, word(1)?),
            WordOrder::LowFirst => (word(1)?, word(0)?),
        };
        Some(u32::from(high) << 16 | u32::from(low))
    };
    Some(match raw {
        Raw::U16 | Raw::Bit => Number::Whole(i64::from(word(0)?)),
        Raw::I16 => Number::Whole(i64::from(word(0)?.cast_signed())),
        Raw::U32(order) => Number::Whole(i64::from(double(order)?)),
        Raw::I32(order) => Number::Whole(i64::from(double(order)?.cast_signed())),
        Raw::F32(order) => Number::Float(f32::from_bits(double(order)?)),
    })
}

/// The value of a point's registers.
///
/// # Errors
/// [`BadRegister`] when they hold nothing that the channel takes.
pub fn value(point: &ModbusPoint, quantity: Quantity, words: &[u16]) -> Result<Value, BadRegister> {
    let Some(number) = number(point.raw, point.swap, words) else {
        return Ok(Value::Invalid(Invalid::Malformed));
    };
    let number = match number {
        Number::Whole(whole) => Number::Whole(picked(point, whole)),
        Number::Float(_) => number,
    };
    if point.values.is_empty() && point.other.is_none() {
        let plain = match number {
            Number::Whole(whole) => whole as f64,
            Number::Float(float) => f64::from(float),
        };
        return measured(point, quantity, plain);
    }
    let whole = match number {
        Number::Whole(whole) => whole,
        Number::Float(float) => float as i64,
    };
    let word = point.values.get(&whole.to_string()).or(point.other.as_ref());
    Ok(from_text(quantity, word.ok_or(BadRegister::Unlisted(whole))?)?)
}

/// The bits that count. A mask or a shift makes a number of plain bits, without sign.
fn picked(point: &ModbusPoint, whole: i64) -> i64 {
    let mask = match (point.raw, point.picked.mask) {
        (_, Some(mask)) => mask,
        (Raw::Bit, None) => 1,
        (Raw::U16 | Raw::I16 | Raw::U32(_) | Raw::I32(_) | Raw::F32(_), None) => {
            if point.picked.shift == 0 {
                return whole;
            }
            u32::MAX
        }
    };
    let bits = if point.raw.width() == 1 { whole & 0xFFFF } else { whole & 0xFFFF_FFFF };
    (bits >> point.picked.shift) & i64::from(mask)
}

fn measured(point: &ModbusPoint, quantity: Quantity, plain: f64) -> Result<Value, BadRegister> {
    if !plain.is_finite() {
        return Ok(Value::Invalid(Invalid::Sensor));
    }
    let physical = plain * point.scale + point.offset;
    Ok(match point.range {
        Some((least, _)) if physical < least => Value::Invalid(Invalid::UnderRange),
        Some((_, most)) if physical > most => Value::Invalid(Invalid::OverRange),
        Some(_) | None => from_number(quantity, physical)?,
    })
}

#[cfg(test)]
#[path = "decode_tests.rs"]
mod tests;
