//! Payloads, read. Total: any bytes give a value or a reason.

use std::{borrow::Cow, collections::BTreeMap, fmt};

use serde::{
    Deserialize, Deserializer,
    de::{IgnoredAny, MapAccess, SeqAccess, Visitor},
};
use supervision::{
    input::{Invalid, Value},
    value::{from_number, from_text},
};
use wiring::channel::Quantity;

/// Why a payload cannot be used.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
pub(crate) enum BadPayload {
    #[error("is not text")]
    NotText,
    #[error("is not JSON of the right form: {0}")]
    Json(String),
    #[error("{0}")]
    Value(#[from] supervision::value::BadValue),
    #[error("needs a number or a word")]
    WrongType,
    #[error("gives no value and no reason that is known")]
    NoReason,
}

impl From<serde_json::Error> for BadPayload {
    fn from(error: serde_json::Error) -> Self {
        Self::Json(error.to_string())
    }
}

/// A number, a word, nothing; a truth value is neither.
#[derive(Debug)]
enum Scalar<'a> {
    Number(f64),
    Word(Cow<'a, str>),
    Nothing,
    Other,
}

/// By hand: what derives for such a choice keeps a copy of each value to try one form after the other.
impl<'de: 'a, 'a> Deserialize<'de> for Scalar<'a> {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        from.deserialize_any(ScalarVisitor)
    }
}

struct ScalarVisitor;

impl<'de> Visitor<'de> for ScalarVisitor {
    type Value = Scalar<'de>;

    fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("a number, a word or null")
    }

    fn visit_f64<E>(self, it: f64) -> Result<Self::Value, E> {
        Ok(Scalar::Number(it))
    }

    fn visit_u64<E>(self, it: u64) -> Result<Self::Value, E> {
        Ok(Scalar::Number(it as f64))
    }

    fn visit_i64<E>(self, it: i64) -> Result<Self::Value, E> {
        Ok(Scalar::Number(it as f64))
    }

    fn visit_borrowed_str<E>(self, it: &'de str) -> Result<Self::Value, E> {
        Ok(Scalar::Word(Cow::Borrowed(it)))
    }

    fn visit_str<E>(self, it: &str) -> Result<Self::Value, E> {
        Ok(Scalar::Word(Cow::Owned(it.to_owned())))
    }

    fn visit_unit<E>(self) -> Result<Self::Value, E> {
        Ok(Scalar::Nothing)
    }

    fn visit_bool<E>(self, _: bool) -> Result<Self::Value, E> {
        Ok(Scalar::Other)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, of: A) -> Result<Self::Value, A::Error> {
        IgnoredAny.visit_seq(of).map(|_| Scalar::Other)
    }

    fn visit_map<A: MapAccess<'de>>(self, of: A) -> Result<Self::Value, A::Error> {
        IgnoredAny.visit_map(of).map(|_| Scalar::Other)
    }
}

/// A reading with its order.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Message {
    pub(crate) value: Value,
    pub(crate) stamp: Stamp,
}

/// Number, time and boot of a message, where it carries them.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub(crate) struct Stamp {
    pub(crate) number: Option<u32>,
    pub(crate) ms: Option<u32>,
    pub(crate) boot: Option<u32>,
}

#[derive(Deserialize)]
struct Full<'a> {
    #[serde(borrow)]
    v: Scalar<'a>,
    #[serde(borrow, default)]
    e: Option<Cow<'a, str>>,
    #[serde(default)]
    n: Option<u32>,
    #[serde(default)]
    ms: Option<u32>,
    #[serde(borrow, default)]
    b: Option<Cow<'a, str>>,
}

/// `2.31`, `normal`, or an object with `v` and perhaps `n`, `ms`, `b`.
pub(crate) fn reading(quantity: Quantity, payload: &[u8]) -> Result<Message, BadPayload> {
    let text = std::str::from_utf8(payload).map_err(|_| BadPayload::NotText)?.trim();
    if !text.starts_with('{') {
        let word = text.strip_prefix('"').and_then(|it| it.strip_suffix('"')).unwrap_or(text);
        return Ok(Message { value: from_text(quantity, word)?, stamp: Stamp::default() });
    }
    let full: Full = serde_json::from_str(text)?;
    let stamp = Stamp { number: full.n, ms: full.ms, boot: full.b.as_deref().map(boot_number) };
    Ok(Message { value: scalar(quantity, &full.v, full.e.as_deref())?, stamp })
}

fn scalar(quantity: Quantity, it: &Scalar, reason: Option<&str>) -> Result<Value, BadPayload> {
    match it {
        Scalar::Number(number) => Ok(from_number(quantity, *number)?),
        Scalar::Word(word) => Ok(from_text(quantity, word)?),
        Scalar::Nothing => {
            let why = match reason {
                Some("over") => Invalid::OverRange,
                Some("under") => Invalid::UnderRange,
                Some("open") => Invalid::Open,
                Some("sensor") => Invalid::Sensor,
                Some(_) | None => return Err(BadPayload::NoReason),
            };
            Ok(Value::Invalid(why))
        }
        Scalar::Other => Err(BadPayload::WrongType),
    }
}

/// A boot nonce as a number: the four hexadecimal digits of the contract, or a number made of any other text.
fn boot_number(text: &str) -> u32 {
    let hex = (text.len() <= 7).then(|| u32::from_str_radix(text, 16).ok()).flatten();
    // FNV-1a, to tell other texts apart.
    hex.unwrap_or_else(|| {
        text.bytes()
            .fold(0x811C_9DC5, |hash: u32, b| (hash ^ u32::from(b)).wrapping_mul(16_777_619))
            | 0x8000_0000
    })
}

/// Several readings of one instant.
pub(crate) struct Set<'a> {
    pub(crate) stamp: Stamp,
    values: BTreeMap<Cow<'a, str>, Scalar<'a>>,
}

#[derive(Deserialize)]
struct FullSet<'a> {
    #[serde(borrow)]
    v: BTreeMap<Cow<'a, str>, Scalar<'a>>,
    #[serde(default)]
    n: Option<u32>,
    #[serde(default)]
    ms: Option<u32>,
    #[serde(borrow, default)]
    b: Option<Cow<'a, str>>,
}

/// A `set` message.
pub(crate) fn set(payload: &[u8]) -> Result<Set<'_>, BadPayload> {
    let full: FullSet = serde_json::from_slice(payload)?;
    let stamp = Stamp { number: full.n, ms: full.ms, boot: full.b.as_deref().map(boot_number) };
    Ok(Set { stamp, values: full.v })
}

impl Set<'_> {
    /// Names of the channels.
    pub(crate) fn names(&self) -> impl Iterator<Item = &str> {
        self.values.keys().map(|it| &**it)
    }

    /// The value of a channel.
    pub(crate) fn value(&self, name: &str, quantity: Quantity) -> Result<Value, BadPayload> {
        match self.values.get(name) {
            // A set has no place for a reason: nothing is a sensor's fault.
            Some(it) => scalar(quantity, it, Some("sensor")),
            None => Err(BadPayload::WrongType),
        }
    }
}

/// How a node introduces itself.
#[derive(Debug, Deserialize)]
pub(crate) struct Birth {
    /// Its boot nonce, as text for the permit.
    pub(crate) boot: String,
    /// How long it takes a permit to last. Unit: ms.
    #[serde(default)]
    pub(crate) permit_ms: Option<u32>,
    #[serde(default)]
    pub(crate) channels: BTreeMap<String, Offered>,
}

/// One channel that a node offers.
#[derive(Clone, Copy, Debug, Default, Deserialize)]
pub(crate) struct Offered {
    /// Readings a second.
    #[serde(default)]
    pub(crate) hz: Option<f64>,
    /// It averages over this time. Unit: ms.
    #[serde(default)]
    pub(crate) avg_ms: Option<u32>,
    /// It is an output.
    #[serde(default)]
    pub(crate) out: bool,
    /// It wants to be armed before it is switched on.
    #[serde(default)]
    pub(crate) arm: bool,
}

impl Birth {
    pub(crate) fn boot_number(&self) -> u32 {
        boot_number(&self.boot)
    }
}

pub(crate) fn birth(payload: &[u8]) -> Result<Birth, BadPayload> {
    Ok(serde_json::from_slice(payload)?)
}

/// A node's sign of life, or its last will.
#[derive(Debug, Deserialize)]
pub(crate) struct Health {
    pub(crate) up: bool,
    #[serde(default)]
    pub(crate) boot: Option<String>,
    #[serde(default)]
    pub(crate) ms: Option<u32>,
}

impl Health {
    pub(crate) fn boot_number(&self) -> Option<u32> {
        self.boot.as_deref().map(boot_number)
    }
}

pub(crate) fn health(payload: &[u8]) -> Result<Health, BadPayload> {
    Ok(serde_json::from_slice(payload)?)
}

/// A node's answer to an order.
#[derive(Clone, Debug, Deserialize, Eq, PartialEq)]
pub(crate) struct Ack {
    /// Id of the order.
    pub(crate) id: String,
    /// `ok done tok no`.
    pub(crate) r: Reply,
    /// The token, with `tok`.
    #[serde(default)]
    pub(crate) tok: Option<serde_json::Value>,
    /// Why not, with `no`.
    #[serde(default, alias = "reason", alias = "e")]
    pub(crate) why: Option<String>,
}

#[derive(Clone, Copy, Debug, Deserialize, Eq, PartialEq)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Reply {
    Ok,
    Done,
    Tok,
    No,
}

pub(crate) fn ack(payload: &[u8]) -> Result<Ack, BadPayload> {
    Ok(serde_json::from_slice(payload)?)
}

#[cfg(test)]
mod tests {
    use supervision::value::BadValue;
    use wiring::units::Microamps;

    use super::*;

    #[test]
    fn readings_are_bare_or_full() {
        let amps = |it| Value::Current(Microamps(it));
        let bare = Stamp::default();
        let full = Stamp { number: Some(4711), ms: Some(15230), boot: Some(0x9c41) };
        let cases: [(&[u8], Value, Stamp); 6] = [
            (b"2.31", amps(2_310_000), bare),
            (b" 2.31\n", amps(2_310_000), bare),
            (br#"{"v":2.31,"n":4711,"ms":15230,"b":"9c41"}"#, amps(2_310_000), full),
            (br#"{"v":"2.31","extra":[1]}"#, amps(2_310_000), bare),
            (br#"{"v":null,"e":"over"}"#, Value::Invalid(Invalid::OverRange), bare),
            (br#"{"v":null,"e":"open"}"#, Value::Invalid(Invalid::Open), bare),
        ];
        for (payload, value, stamp) in cases {
            let got = reading(Quantity::Current, payload);
            assert_eq!(got, Ok(Message { value, stamp }), "{}", String::from_utf8_lossy(payload));
        }
    }

    #[test]
    fn what_is_no_value_is_refused_with_its_reason() {
        type Want = fn(&BadPayload) -> bool;
        let cases: [(&[u8], Want); 12] = [
            (b"", |it| *it == BadPayload::Value(BadValue::NotANumber)),
            (b"NaN", |it| *it == BadPayload::Value(BadValue::NotFinite)),
            (b"inf", |it| *it == BadPayload::Value(BadValue::NotFinite)),
            (b"\xff\xfe", |it| *it == BadPayload::NotText),
            (br#"{"v":true}"#, |it| *it == BadPayload::WrongType),
            (br#"{"v":[1]}"#, |it| *it == BadPayload::WrongType),
            (br#"{"v":null}"#, |it| *it == BadPayload::NoReason),
            (br#"{"v":NaN}"#, |it| matches!(it, BadPayload::Json(_))),
            (br#"{"v":1e999}"#, |it| {
                matches!(it, BadPayload::Json(_) | BadPayload::Value(_) | BadPayload::WrongType)
            }),
            (br#"{"v":2.3"#, |it| matches!(it, BadPayload::Json(_))),
            (br#"{"n":1}"#, |it| matches!(it, BadPayload::Json(_))),
            (br#"{"v":1,"n":-1}"#, |it| matches!(it, BadPayload::Json(_))),
        ];
        for (payload, want) in cases {
            let got = reading(Quantity::Current, payload).expect_err("no value");
            assert!(want(&got), "{}: {got:?}", String::from_utf8_lossy(payload));
        }
    }

    #[test]
    fn acknowledgements_are_read() {
        let tok = ack(br#"{"id":"51e7-0008","r":"tok","tok":"7c21","ms":2000}"#).expect("an ack");
        assert_eq!((tok.r, tok.tok), (Reply::Tok, Some("7c21".into())));
        assert!(ack(br#"{"id":"51e7-0008","r":"maybe"}"#).is_err());
    }
}
