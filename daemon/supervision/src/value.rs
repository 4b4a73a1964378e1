//! Values as messages, journals and the API write them. One place, so that every transport says the same.

use wiring::{
    channel::Quantity,
    layout::{Conductor, Position},
    units::{Microamps, Millivolts},
};

use crate::{
    input::{Invalid, MachinePosition, MeasuredPolarity, ReverserState, Value},
    output::{ExpectedPolarity, Occupancy, PowerState, StateValue},
};

/// The largest number a current or voltage channel takes as a value: beyond it a reading is malformed. Unit: A or V.
const LARGEST: f64 = 1000.0;

/// Why a text or number is no value of its channel.
#[derive(Clone, Copy, Debug, Eq, PartialEq, thiserror::Error)]
pub enum BadValue {
    /// A word where a number belongs.
    #[error("needs a number")]
    NotANumber,
    /// NaN, infinite, or beyond any plausible size.
    #[error("is not a finite number of plausible size")]
    NotFinite,
    /// A number where a word belongs, or a word that the channel does not know.
    #[error("needs one of {0}")]
    NotAWord(&'static str),
    /// The channel is an output.
    #[error("is an output and takes no reading")]
    Output,
}

/// The value that a number means on a channel of this quantity.
///
/// # Errors
/// [`BadValue`] when the number is not finite, or the channel takes words. Negative numbers are values here; the
/// supervisor judges them.
pub fn from_number(quantity: Quantity, number: f64) -> Result<Value, BadValue> {
    match quantity {
        Quantity::Current | Quantity::Peak => {
            finite(number).map(|amps| Value::Current(Microamps::from_amps(amps)))
        }
        Quantity::Voltage => {
            finite(number).map(|volts| Value::Voltage(Millivolts((volts * 1e3).round() as i64)))
        }
        Quantity::Occupied
        | Quantity::Feedback
        | Quantity::Position
        | Quantity::Asked
        | Quantity::Polarity
        | Quantity::State => Err(BadValue::NotAWord(words(quantity))),
        Quantity::Expected | Quantity::Load | Quantity::Power | Quantity::Throw => {
            Err(BadValue::Output)
        }
    }
}

/// The value that a text means on a channel of this quantity; numbers are read as JSON writes them.
///
/// # Errors
/// [`BadValue`].
pub fn from_text(quantity: Quantity, text: &str) -> Result<Value, BadValue> {
    let value = match (quantity, text) {
        (Quantity::Current | Quantity::Peak | Quantity::Voltage, _) => {
            let number = text.trim().parse().map_err(|_| BadValue::NotANumber)?;
            return from_number(quantity, number);
        }
        (Quantity::Occupied, "yes") => Value::Occupied(true),
        (Quantity::Occupied, "no") => Value::Occupied(false),
        (Quantity::Feedback, "on") => Value::Feedback(true),
        (Quantity::Feedback, "off") => Value::Feedback(false),
        (Quantity::Position, "normal") => Value::Position(MachinePosition::Normal),
        (Quantity::Position, "reverse") => Value::Position(MachinePosition::Reverse),
        (Quantity::Position, "moving") => Value::Position(MachinePosition::Moving),
        (Quantity::Position, "unknown") => Value::Position(MachinePosition::Unknown),
        (Quantity::Asked, "normal") => Value::Asked(Position::Normal),
        (Quantity::Asked, "reverse") => Value::Asked(Position::Reverse),
        (Quantity::Polarity, "A") => Value::Polarity(MeasuredPolarity::On(Conductor::A)),
        (Quantity::Polarity, "B") => Value::Polarity(MeasuredPolarity::On(Conductor::B)),
        (Quantity::Polarity, "dead") => Value::Polarity(MeasuredPolarity::Dead),
        (Quantity::State, "straight") => Value::Reverser(ReverserState::Straight),
        (Quantity::State, "swapped") => Value::Reverser(ReverserState::Swapped),
        (Quantity::State, "unknown") => Value::Reverser(ReverserState::Unknown),
        (Quantity::Expected | Quantity::Load | Quantity::Power | Quantity::Throw, _) => {
            return Err(BadValue::Output);
        }
        (
            Quantity::Occupied
            | Quantity::Feedback
            | Quantity::Position
            | Quantity::Asked
            | Quantity::Polarity
            | Quantity::State,
            _,
        ) => return Err(BadValue::NotAWord(words(quantity))),
    };
    Ok(value)
}

const fn words(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Occupied => "yes, no",
        Quantity::Feedback => "on, off",
        Quantity::Position => "normal, reverse, moving, unknown",
        Quantity::Asked => "normal, reverse",
        Quantity::Polarity => "A, B, dead",
        Quantity::State => "straight, swapped, unknown",
        Quantity::Current | Quantity::Peak | Quantity::Voltage => "a number",
        Quantity::Expected | Quantity::Load | Quantity::Power | Quantity::Throw => "nothing",
    }
}

fn finite(number: f64) -> Result<f64, BadValue> {
    if number.is_finite() && number.abs() <= LARGEST {
        Ok(number)
    } else {
        Err(BadValue::NotFinite)
    }
}

/// A value as it is written: a number, a word, or nothing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Written {
    /// A number in the channel's unit.
    Number(f64),
    /// A word.
    Word(&'static str),
    /// No value, and why.
    Nothing(&'static str),
}

impl Value {
    /// As messages, journals and the API write it.
    #[must_use]
    pub fn written(self) -> Written {
        match self {
            Self::Current(amps) => Written::Number(amps.amps()),
            Self::Voltage(volts) => Written::Number(volts.volts()),
            Self::Position(position) => Written::Word(position.word()),
            Self::Asked(position) => Written::Word(position.word()),
            Self::Polarity(polarity) => Written::Word(polarity.word()),
            Self::Occupied(true) => Written::Word("yes"),
            Self::Occupied(false) => Written::Word("no"),
            Self::Feedback(true) => Written::Word("on"),
            Self::Feedback(false) => Written::Word("off"),
            Self::Reverser(state) => Written::Word(state.word()),
            Self::Invalid(why) => Written::Nothing(why.word()),
        }
    }
}

impl MachinePosition {
    /// `normal reverse moving unknown`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Reverse => "reverse",
            Self::Moving => "moving",
            Self::Unknown => "unknown",
        }
    }
}

impl MeasuredPolarity {
    /// `A B dead`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::On(conductor) => conductor.word(),
            Self::Dead => "dead",
        }
    }
}

impl ReverserState {
    /// `straight swapped unknown`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Straight => "straight",
            Self::Swapped => "swapped",
            Self::Unknown => "unknown",
        }
    }
}

impl Invalid {
    /// `over under open sensor malformed`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::OverRange => "over",
            Self::UnderRange => "under",
            Self::Open => "open",
            Self::Sensor => "sensor",
            Self::Malformed => "malformed",
        }
    }
}

impl PowerState {
    /// `unknown on cutting cut cut-failed restoring`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Unknown => "unknown",
            Self::On => "on",
            Self::Cutting => "cutting",
            Self::Cut => "cut",
            Self::CutFailed => "cut-failed",
            Self::Restoring => "restoring",
        }
    }
}

impl Occupancy {
    /// `yes no unknown`; held occupancy is written as it was.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Unknown => "unknown",
            Self::Clear | Self::Held { occupied: false } => "no",
            Self::Occupied | Self::Held { occupied: true } => "yes",
        }
    }

    /// It is held, not read.
    #[must_use]
    pub const fn is_held(self) -> bool {
        matches!(self, Self::Held { .. })
    }
}

impl ExpectedPolarity {
    /// `A B none unknown`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Unknown => "unknown",
            Self::None => "none",
            Self::On(conductor) => conductor.word(),
        }
    }
}

impl StateValue {
    /// As messages, journals and the API write it.
    #[must_use]
    pub fn written(self) -> Written {
        match self {
            Self::Power(power) => Written::Word(power.word()),
            Self::Occupancy(occupancy) => Written::Word(occupancy.word()),
            Self::Expected(expected) => Written::Word(expected.word()),
            Self::Load { percent, .. } => Written::Number(f64::from(percent)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_read_by_the_type_of_their_channel() {
        use Quantity as Q;
        let good = [
            (Q::Current, "2.31", Value::Current(Microamps(2_310_000))),
            (Q::Voltage, "14.2", Value::Voltage(Millivolts(14_200))),
            (Q::Position, "moving", Value::Position(MachinePosition::Moving)),
            (Q::Polarity, "dead", Value::Polarity(MeasuredPolarity::Dead)),
            (Q::Feedback, "off", Value::Feedback(false)),
        ];
        for (quantity, text, want) in good {
            assert_eq!(from_text(quantity, text), Ok(want), "{text}");
        }
        let bad = [
            (Q::Current, "NaN", BadValue::NotFinite),
            (Q::Current, "inf", BadValue::NotFinite),
            (Q::Current, "1e300", BadValue::NotFinite),
            (Q::Current, "normal", BadValue::NotANumber),
            (Q::Position, "1", BadValue::NotAWord("normal, reverse, moving, unknown")),
            (Q::Power, "on", BadValue::Output),
        ];
        for (quantity, text, want) in bad {
            assert_eq!(from_text(quantity, text), Err(want), "{text}");
        }
    }
}
