//! Samples of a channel as bytes: time and value as differences, in variable-length integers. Exact both ways.
//!
//! One byte of version, then for each sample: the time since the one before and the kind of the value in one integer
//! (`time << 4 | kind`; the first counts from the trigger, signed), then the value: for numbers the difference from the
//! last number, signed; for words their place in the list below. Signed integers are folded (0, -1, 1, -2 …), integers are
//! written seven bits a byte, lowest first, the top bit set where more follow.

use supervision::input::{Invalid, MachinePosition, MeasuredPolarity, ReverserState, Value};
use wiring::{
    layout::{Conductor, Position},
    units::{Microamps, Millivolts},
};

const VERSION: u8 = 1;

/// One sample: microseconds from the trigger, and the value.
pub type Sample = (i64, Value);

/// Bytes that hold no samples.
#[derive(Clone, Copy, Debug, Eq, PartialEq, thiserror::Error)]
pub enum BadSamples {
    /// Written by a version that this one does not know.
    #[error("samples are of version {0}, this program reads version {VERSION}")]
    Version(u8),
    /// They end in the middle, or hold what no writer writes.
    #[error("samples are damaged at byte {0}")]
    Damaged(usize),
}

/// Samples as bytes. Time must not decrease; a sample that goes back is written at the time of the one before it.
#[must_use]
pub(crate) fn encode(samples: &[Sample]) -> Vec<u8> {
    let mut out = vec![VERSION];
    let mut time = 0;
    let mut number = 0;
    for (position, &(at, value)) in samples.iter().enumerate() {
        let (kind, content) = parts(value);
        let step = if position == 0 { fold(at) } else { at.saturating_sub(time).max(0) as u64 };
        time = if position == 0 { at } else { at.max(time) };
        write(&mut out, u128::from(step) << 4 | u128::from(kind));
        match content {
            Content::Number(value) => {
                write(&mut out, u128::from(fold(value.wrapping_sub(number))));
                number = value;
            }
            Content::Word(place) => write(&mut out, u128::from(place)),
        }
    }
    out
}

/// The samples of bytes.
///
/// # Errors
/// [`BadSamples`].
pub(crate) fn decode(bytes: &[u8]) -> Result<Vec<Sample>, BadSamples> {
    let (&version, _) = bytes.split_first().ok_or(BadSamples::Damaged(0))?;
    if version != VERSION {
        return Err(BadSamples::Version(version));
    }
    let mut from = Cursor { bytes, at: 1 };
    let mut samples = Vec::new();
    let mut time = 0_i64;
    let mut number = 0_i64;
    while from.at < bytes.len() {
        let head = from.read()?;
        let step = u64::try_from(head >> 4).map_err(|_| BadSamples::Damaged(from.at))?;
        time = if samples.is_empty() {
            unfold(step)
        } else {
            time.checked_add_unsigned(step).ok_or(BadSamples::Damaged(from.at))?
        };
        let content = u64::try_from(from.read()?).map_err(|_| BadSamples::Damaged(from.at))?;
        let value = value((head & 15) as u8, content, &mut number);
        samples.push((time, value.ok_or(BadSamples::Damaged(from.at))?));
    }
    Ok(samples)
}

enum Content {
    Number(i64),
    Word(u8),
}

const CURRENT: u8 = 0;
const VOLTAGE: u8 = 1;
const POSITION: u8 = 2;
const ASKED: u8 = 3;
const POLARITY: u8 = 4;
const OCCUPIED: u8 = 5;
const FEEDBACK: u8 = 6;
const REVERSER: u8 = 7;
const INVALID: u8 = 8;

fn parts(value: Value) -> (u8, Content) {
    match value {
        Value::Current(amps) => (CURRENT, Content::Number(amps.0)),
        Value::Voltage(volts) => (VOLTAGE, Content::Number(volts.0)),
        Value::Position(it) => (POSITION, Content::Word(place(&POSITIONS, &it))),
        Value::Asked(it) => (ASKED, Content::Word(place(&ASKS, &it))),
        Value::Polarity(it) => (POLARITY, Content::Word(place(&POLARITIES, &it))),
        Value::Occupied(it) => (OCCUPIED, Content::Word(it.into())),
        Value::Feedback(it) => (FEEDBACK, Content::Word(it.into())),
        Value::Reverser(it) => (REVERSER, Content::Word(place(&REVERSERS, &it))),
        Value::Invalid(it) => (INVALID, Content::Word(place(&INVALIDS, &it))),
    }
}

fn value(kind: u8, content: u64, number: &mut i64) -> Option<Value> {
    let mut next = || {
        *number = number.wrapping_add(unfold(content));
        *number
    };
    Some(match kind {
        CURRENT => Value::Current(Microamps(next())),
        VOLTAGE => Value::Voltage(Millivolts(next())),
        POSITION => Value::Position(word(&POSITIONS, content)?),
        ASKED => Value::Asked(word(&ASKS, content)?),
        POLARITY => Value::Polarity(word(&POLARITIES, content)?),
        OCCUPIED => Value::Occupied(word(&[false, true], content)?),
        FEEDBACK => Value::Feedback(word(&[false, true], content)?),
        REVERSER => Value::Reverser(word(&REVERSERS, content)?),
        INVALID => Value::Invalid(word(&INVALIDS, content)?),
        _ => return None,
    })
}

const POSITIONS: [MachinePosition; 4] = [
    MachinePosition::Normal,
    MachinePosition::Reverse,
    MachinePosition::Moving,
    MachinePosition::Unknown,
];
const ASKS: [Position; 2] = [Position::Normal, Position::Reverse];
const POLARITIES: [MeasuredPolarity; 3] = [
    MeasuredPolarity::On(Conductor::A),
    MeasuredPolarity::On(Conductor::B),
    MeasuredPolarity::Dead,
];
const REVERSERS: [ReverserState; 3] =
    [ReverserState::Straight, ReverserState::Swapped, ReverserState::Unknown];
const INVALIDS: [Invalid; 5] =
    [Invalid::OverRange, Invalid::UnderRange, Invalid::Open, Invalid::Sensor, Invalid::Malformed];

/// The lists above hold every variant; a place is always found.
fn place<T: PartialEq>(list: &[T], it: &T) -> u8 {
    list.iter().position(|one| one == it).map_or(u8::MAX, |at| at as u8)
}

fn word<T: Copy>(list: &[T], place: u64) -> Option<T> {
    list.get(usize::try_from(place).ok()?).copied()
}

const fn fold(value: i64) -> u64 {
    ((value << 1) ^ (value >> 63)) as u64
}

const fn unfold(value: u64) -> i64 {
    (value >> 1) as i64 ^ -((value & 1) as i64)
}

fn write(out: &mut Vec<u8>, mut value: u128) {
    while 0x80 <= value {
        out.push((value & 0x7f) as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

struct Cursor<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl Cursor<'_> {
    fn read(&mut self) -> Result<u128, BadSamples> {
        let mut value = 0_u128;
        // The largest that is written has 68 bits: ten bytes.
        for shift in (0..70).step_by(7) {
            let &byte = self.bytes.get(self.at).ok_or(BadSamples::Damaged(self.at))?;
            self.at += 1;
            value |= u128::from(byte & 0x7f) << shift;
            if byte & 0x80 == 0 {
                return Ok(value);
            }
        }
        Err(BadSamples::Damaged(self.at))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn any_value() -> impl Strategy<Value = Value> {
        prop_oneof![
            any::<i64>().prop_map(|it| Value::Current(Microamps(it))),
            (0..8_000_000_i64).prop_map(|it| Value::Current(Microamps(it))),
            any::<i64>().prop_map(|it| Value::Voltage(Millivolts(it))),
            (0..4_usize).prop_map(|it| Value::Position(POSITIONS[it])),
            (0..2_usize).prop_map(|it| Value::Asked(ASKS[it])),
            (0..3_usize).prop_map(|it| Value::Polarity(POLARITIES[it])),
            any::<bool>().prop_map(Value::Occupied),
            any::<bool>().prop_map(Value::Feedback),
            (0..3_usize).prop_map(|it| Value::Reverser(REVERSERS[it])),
            (0..5_usize).prop_map(|it| Value::Invalid(INVALIDS[it])),
        ]
    }

    fn any_samples() -> impl Strategy<Value = Vec<Sample>> {
        let steps = proptest::collection::vec((0..3_000_000_u64, any_value()), 0..200);
        (-5_000_000..5_000_000_i64, steps).prop_map(|(start, steps)| {
            let mut at = start;
            let mut samples = Vec::new();
            for (step, value) in steps {
                samples.push((at, value));
                at += step as i64;
            }
            samples
        })
    }

    proptest! {
        #[test]
        fn samples_come_back_equal(samples in any_samples()) {
            prop_assert_eq!(decode(&encode(&samples)), Ok(samples));
        }

        #[test]
        fn damaged_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..100)) {
            let _ = decode(&bytes);
            let with_version: Vec<u8> = std::iter::once(VERSION).chain(bytes).collect();
            let _ = decode(&with_version);
        }
    }

    #[test]
    fn a_quiet_current_at_fifty_hertz_takes_at_most_six_bytes_a_sample() {
        let samples: Vec<Sample> = (0..250)
            .map(|at| (at * 20_000, Value::Current(Microamps(400_000 + (at * 7919) % 9000))))
            .collect();
        let bytes = encode(&samples);
        assert!(bytes.len() <= samples.len() * 6, "{} bytes", bytes.len());
    }

    #[test]
    fn what_cannot_be_read_says_why() {
        assert_eq!(decode(&[]), Err(BadSamples::Damaged(0)));
        assert_eq!(decode(&[9]), Err(BadSamples::Version(9)));
        assert_eq!(decode(&[1, 0x80]), Err(BadSamples::Damaged(2)));
        assert_eq!(decode(&[1, 0x0f, 0]), Err(BadSamples::Damaged(3)));
    }
}
