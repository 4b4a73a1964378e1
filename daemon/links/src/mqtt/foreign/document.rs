//! A foreign payload, and what stands at a place in it. Total: any bytes give something or a reason, in bounded time and
//! memory. Pointers: RFC 6901. CBOR: RFC 8949; a map's key may be a text or a whole number.

use std::cell::OnceCell;

use ciborium::Value as Cbor;
use regex_lite::Regex;
use serde_json::Value as Json;
use supervision::value::BadValue;
use wiring::links::Encoding;

use super::map::BadForeign;

/// Longest payload that is looked into. Unit: octet.
pub(super) const LONGEST: usize = 64 * 1024;
/// Longest that a regular expression is matched with. Unit: octet.
pub(super) const LONGEST_MATCHED: usize = 4 * 1024;
/// Deepest nesting of CBOR; JSON ends at 128.
pub(super) const DEEPEST: usize = 32;

/// A payload, parsed once for all rules.
pub(super) struct Document<'a> {
    bytes: &'a [u8],
    json: OnceCell<Option<Json>>,
    cbor: OnceCell<Option<Cbor>>,
}

/// What stands at a place.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Found {
    Whole(i128),
    Number(f64),
    Text(String),
    /// No number and no text, as it would be written.
    Other(String),
}

impl Found {
    /// As it is looked up in the table of words.
    pub(super) fn word(&self) -> String {
        match self {
            Self::Whole(number) => number.to_string(),
            Self::Number(number) => number.to_string(),
            Self::Text(text) | Self::Other(text) => text.trim().to_owned(),
        }
    }
}

impl<'a> Document<'a> {
    pub(super) const fn new(bytes: &'a [u8]) -> Self {
        Self { bytes, json: OnceCell::new(), cbor: OnceCell::new() }
    }

    /// The payload as text.
    pub(super) fn text(&self) -> Result<&'a str, BadForeign> {
        std::str::from_utf8(self.bounded(LONGEST)?).map_err(|_| BadForeign::NotText)
    }

    /// What a pointer leads to.
    pub(super) fn at(&self, encoding: Encoding, pointer: &str) -> Result<Found, BadForeign> {
        match encoding {
            Encoding::Json => self.json_at(pointer),
            Encoding::Cbor => self.cbor_at(pointer),
        }
    }

    /// What the one group of a regular expression stands for.
    pub(super) fn matched(&self, regex: &Regex) -> Result<Found, BadForeign> {
        self.bounded(LONGEST_MATCHED)?;
        let group = regex.captures(self.text()?).and_then(|found| found.get(1));
        let group = group.ok_or_else(|| BadForeign::NoMatch(regex.as_str().to_owned()))?;
        Ok(Found::Text(group.as_str().trim().to_owned()))
    }

    /// What stands between two marks; an empty second one is the end.
    pub(super) fn between(&self, before: &str, after: &str) -> Result<Found, BadForeign> {
        let nothing = || BadForeign::NothingThere(format!("{before}…{after}"));
        let (_, rest) = self.text()?.split_once(before).ok_or_else(nothing)?;
        let found = match after {
            "" => rest,
            after => rest.split_once(after).ok_or_else(nothing)?.0,
        };
        Ok(Found::Text(found.trim().to_owned()))
    }

    fn bounded(&self, longest: usize) -> Result<&'a [u8], BadForeign> {
        let fits = self.bytes.len() <= longest;
        fits.then_some(self.bytes).ok_or(BadForeign::TooLong { longest })
    }

    fn json_at(&self, pointer: &str) -> Result<Found, BadForeign> {
        let text = self.text()?;
        match self.json.get_or_init(|| serde_json::from_str(text).ok()) {
            Some(json) => {
                let found = json.pointer(pointer);
                let nothing = || BadForeign::NothingThere(pointer.to_owned());
                found.map(of_json).ok_or_else(nothing)
            }
            // The whole document may be a bare word.
            None if pointer.is_empty() => Ok(Found::Text(text.trim().to_owned())),
            None => Err(BadForeign::NotJson),
        }
    }

    fn cbor_at(&self, pointer: &str) -> Result<Found, BadForeign> {
        let bytes = self.bounded(LONGEST)?;
        let whole = self.cbor.get_or_init(|| cbor(bytes)).as_ref().ok_or(BadForeign::NotCbor)?;
        let mut steps =
            pointer.split('/').skip(1).map(|step| step.replace("~1", "/").replace("~0", "~"));
        let found = steps.try_fold(untagged(whole), |it, step| step_into(it, &step));
        of_cbor(found.ok_or_else(|| BadForeign::NothingThere(pointer.to_owned()))?)
    }
}

fn of_json(json: &Json) -> Found {
    match json {
        Json::String(text) => Found::Text(text.clone()),
        Json::Number(number) => match number.as_i128() {
            Some(whole) => Found::Whole(whole),
            None => Found::Number(number.as_f64().unwrap_or(f64::NAN)),
        },
        Json::Null | Json::Bool(_) | Json::Array(_) | Json::Object(_) => {
            Found::Other(json.to_string())
        }
    }
}

/// One data item and nothing after it.
fn cbor(mut bytes: &[u8]) -> Option<Cbor> {
    let item = ciborium::de::from_reader_with_recursion_limit(&mut bytes, DEEPEST).ok();
    item.filter(|_| bytes.is_empty())
}

/// A tag says how to read what it holds; here the rule says that.
fn untagged(mut it: &Cbor) -> &Cbor {
    while let Cbor::Tag(_, inner) = it {
        it = inner;
    }
    it
}

fn step_into<'c>(it: &'c Cbor, step: &str) -> Option<&'c Cbor> {
    let found = match it {
        Cbor::Array(items) => {
            let is_index = step == "0" || !step.starts_with(['0', '+']);
            items.get(step.parse::<usize>().ok().filter(|_| is_index)?)
        }
        Cbor::Map(entries) => {
            entries.iter().find(|(key, _)| is_key(untagged(key), step)).map(|(_, value)| value)
        }
        _ => None,
    };
    found.map(untagged)
}

fn is_key(key: &Cbor, step: &str) -> bool {
    match key {
        Cbor::Text(text) => text == step,
        Cbor::Integer(number) => i128::from(*number).to_string() == step,
        _ => false,
    }
}

fn of_cbor(it: &Cbor) -> Result<Found, BadForeign> {
    Ok(match it {
        Cbor::Text(text) => Found::Text(text.clone()),
        Cbor::Integer(number) => Found::Whole(i128::from(*number)),
        Cbor::Float(number) if !number.is_finite() => return Err(BadValue::NotFinite.into()),
        Cbor::Float(number) => Found::Number(*number),
        Cbor::Bool(flag) => Found::Other(flag.to_string()),
        Cbor::Null => Found::Other("null".to_owned()),
        Cbor::Bytes(_) => Found::Other("bytes".to_owned()),
        Cbor::Array(_) => Found::Other("a list".to_owned()),
        _ => Found::Other("a map".to_owned()),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(encoding: Encoding, bytes: &[u8], pointer: &str) -> String {
        match Document::new(bytes).at(encoding, pointer) {
            Ok(found) => format!("{found:?}"),
            Err(why) => why.to_string(),
        }
    }

    /// RFC 6901, section 5: its document and what each of its pointers leads to.
    #[test]
    fn pointers_are_those_of_the_standard() {
        let document = br#"{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}"#;
        let json: Json = serde_json::from_slice(document).expect("JSON");
        let mut cbor = Vec::new();
        ciborium::into_writer(&json, &mut cbor).expect("CBOR");
        let cases = [
            ("/foo/0", "Text(\"bar\")"),
            ("/foo/1", "Text(\"baz\")"),
            ("/", "Whole(0)"),
            ("/a~1b", "Whole(1)"),
            ("/c%d", "Whole(2)"),
            ("/e^f", "Whole(3)"),
            ("/g|h", "Whole(4)"),
            ("/i\\j", "Whole(5)"),
            ("/k\"l", "Whole(6)"),
            ("/ ", "Whole(7)"),
            ("/m~0n", "Whole(8)"),
            ("/foo/2", "has nothing at `/foo/2`"),
            ("/foo/01", "has nothing at `/foo/01`"),
            ("/foo/-", "has nothing at `/foo/-`"),
            ("/foo/0/x", "has nothing at `/foo/0/x`"),
        ];
        for (pointer, want) in cases {
            assert_eq!(at(Encoding::Json, document, pointer), want, "JSON {pointer}");
            assert_eq!(at(Encoding::Cbor, &cbor, pointer), want, "CBOR {pointer}");
        }
    }

    /// RFC 8949, appendix A: examples of encoded data items.
    #[test]
    fn cbor_items_are_those_of_the_standard() {
        let cases: [(&[u8], &str, &str); 22] = [
            (&[0x00], "", "Whole(0)"),
            (&[0x18, 0x64], "", "Whole(100)"),
            (&[0x1b, 0, 0, 0, 0xe8, 0xd4, 0xa5, 0x10, 0], "", "Whole(1000000000000)"),
            (&[0x1b, 255, 255, 255, 255, 255, 255, 255, 255], "", "Whole(18446744073709551615)"),
            (&[0x38, 0x63], "", "Whole(-100)"),
            (&[0xf9, 0x3e, 0x00], "", "Number(1.5)"),
            (&[0xf9, 0xc4, 0x00], "", "Number(-4.0)"),
            (&[0xfa, 0x47, 0xc3, 0x50, 0x00], "", "Number(100000.0)"),
            (&[0xfb, 0x3f, 0xf1, 0x99, 0x99, 0x99, 0x99, 0x99, 0x9a], "", "Number(1.1)"),
            (&[0xf9, 0x7c, 0x00], "", "not a finite number"),
            (&[0xf9, 0x7e, 0x00], "", "not a finite number"),
            (&[0xf5], "", "Other(\"true\")"),
            (&[0xf6], "", "Other(\"null\")"),
            (&[0x64, 0x49, 0x45, 0x54, 0x46], "", "Text(\"IETF\")"),
            (&[0x44, 1, 2, 3, 4], "", "Other(\"bytes\")"),
            (&[0xc1, 0x1a, 0x51, 0x4b, 0x67, 0xb0], "", "Whole(1363896240)"),
            (&[0x83, 0x01, 0x82, 0x02, 0x03, 0x82, 0x04, 0x05], "/1/1", "Whole(3)"),
            (&[0xa2, 0x01, 0x02, 0x03, 0x04], "/3", "Whole(4)"),
            (&[0xa2, 0x61, 0x61, 0x01, 0x61, 0x62, 0x82, 0x02, 0x03], "/b/0", "Whole(2)"),
            (&[0x9f, 0x01, 0x82, 0x02, 0x03, 0xff], "/1/0", "Whole(2)"),
            (&[0xbf, 0x61, 0x61, 0x01, 0xff], "/a", "Whole(1)"),
            (&[0x7f, 0x63, 0x61, 0x62, 0x63, 0x61, 0x64, 0xff], "", "Text(\"abcd\")"),
        ];
        for (bytes, pointer, want) in cases {
            let got = at(Encoding::Cbor, bytes, pointer);
            assert!(got.contains(want), "{bytes:02x?} {pointer}: {got}");
        }
    }

    #[test]
    fn what_is_no_cbor_is_refused() {
        let mut deep = vec![0x81; DEEPEST + 2];
        deep.push(0);
        let cases: [(&[u8], &str); 7] = [
            (b"", "nothing"),
            (&[0x18], "cut short"),
            (&[0x00, 0x00], "something after the item"),
            (&[0x5b, 255, 255, 255, 255, 255, 255, 255, 255, 1], "a length of 2^64"),
            (&[0x9b, 0, 0, 255, 255, 255, 255, 255, 255, 1], "a list of 2^48"),
            (&[0x62, 0xff, 0xff], "text that is none"),
            (&deep, "nested too deep"),
        ];
        for (bytes, why) in cases {
            assert_eq!(at(Encoding::Cbor, bytes, ""), "is not CBOR", "{why}");
        }
    }

    #[test]
    fn what_is_too_long_is_not_looked_into() {
        let long = vec![b'1'; LONGEST + 1];
        for encoding in [Encoding::Json, Encoding::Cbor] {
            assert!(at(encoding, &long, "").contains("longer than 65536"), "{encoding:?}");
        }
        let regex = Regex::new("(1)").expect("one");
        let found = |length: usize| Document::new(&long[..length]).matched(&regex);
        assert_eq!(found(LONGEST_MATCHED), Ok(Found::Text("1".to_owned())));
        assert_eq!(
            found(LONGEST_MATCHED + 1),
            Err(BadForeign::TooLong { longest: LONGEST_MATCHED })
        );
    }

    proptest::proptest! {
        /// Whatever comes, there is an answer.
        #[test]
        fn any_bytes_give_something_or_a_reason(
            bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..200),
            pointer in "(/[a-c0-2~]{0,2}){0,3}",
        ) {
            for encoding in [Encoding::Json, Encoding::Cbor] {
                let _ = Document::new(&bytes).at(encoding, &pointer);
            }
        }

        /// What was written is found, and one byte changed never makes a panic.
        #[test]
        fn damaged_cbor_gives_something_or_a_reason(
            number in -1e6..1e6_f64,
            at in 0..64_usize,
            byte in proptest::num::u8::ANY,
        ) {
            let document = serde_json::json!({ "ina": [{ "ma": number }, [[1, 2], "x"]], "ts": 7 });
            let mut bytes = Vec::new();
            ciborium::into_writer(&document, &mut bytes).expect("written");
            let found = Document::new(&bytes).at(Encoding::Cbor, "/ina/0/ma");
            proptest::prop_assert_eq!(found, Ok(Found::Number(number)));
            let at = at % bytes.len();
            bytes[at] = byte;
            for pointer in ["", "/ina/0/ma", "/ts"] {
                let _ = Document::new(&bytes).at(Encoding::Cbor, pointer);
            }
        }
    }
}
