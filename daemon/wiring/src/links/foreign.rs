//! Foreign topics: `[[links.mqtt.map]]` and `[[links.mqtt.out]]`.

use std::collections::BTreeMap;

use super::Deadman;
use crate::units::Micros;

/// Largest compiled regular expression: its work on a payload is this times the payload's length at most. Unit: octet.
pub const REGEX_SIZE_MAX: usize = 16 * 1024;

/// How a value is found in a foreign payload.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Extract {
    /// `pointer`: JSON pointer (RFC 6901); empty is the whole document.
    Pointer(String),
    /// `between = ["I=", "A"]`: the text between two marks.
    Between(String, String),
    /// `regex`: a regular expression with one group, which is the value.
    Regex(String),
}

/// How a foreign payload is written.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub enum Encoding {
    /// JSON (RFC 8259), or plain text.
    #[default]
    Json,
    /// CBOR (RFC 8949).
    Cbor,
}

/// `time-unit`: what the sender's time counts.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub enum TimeUnit {
    /// Seconds.
    Seconds,
    /// Milliseconds.
    #[default]
    Millis,
    /// Microseconds.
    Micros,
}

/// `[[links.mqtt.map]]`: foreign topic to channel.
#[derive(Clone, Debug)]
pub struct MapIn {
    /// Topic filter; each `+` captures `{1}`, `{2}` …
    pub topic: String,
    /// Channel name, with captures.
    pub channel: String,
    /// `encoding`.
    pub encoding: Encoding,
    /// Where the value stands.
    pub extract: Extract,
    /// Physical value = number x scale + offset.
    pub scale: f64,
    /// See `scale`.
    pub offset: f64,
    /// Allowed physical values; outside is bad, not clamped.
    pub range: Option<(f64, f64)>,
    /// Words: payload to value.
    pub values: BTreeMap<String, String>,
    /// Value of words not listed.
    pub other: Option<String>,
    /// `time`: pointer to the sender's own time, any epoch, and what it counts.
    pub time: Option<(String, TimeUnit)>,
    /// `seq`: pointer to the number of the sender's message.
    pub seq: Option<String>,
    /// `averaging`: the sender averages over this time.
    pub averaging: Option<Micros>,
    /// `stale-after`.
    pub stale_after: Option<Micros>,
}

impl MapIn {
    /// The whole payload, as it stands.
    #[must_use]
    pub fn plain(topic: &str, channel: &str) -> Self {
        Self {
            topic: topic.to_owned(),
            channel: channel.to_owned(),
            encoding: Encoding::Json,
            extract: Extract::Pointer(String::new()),
            scale: 1.0,
            offset: 0.0,
            range: None,
            values: BTreeMap::new(),
            other: None,
            time: None,
            seq: None,
            averaging: None,
            stale_after: None,
        }
    }

    /// This rule can supply a channel: its captures may stand for what is missing.
    #[must_use]
    pub fn may_supply(&self, channel: &str) -> bool {
        fits(&self.channel, channel)
    }
}

/// A name fits a template where each `{N}` stands for at least one letter of one level of the name.
fn fits(template: &str, name: &str) -> bool {
    let Some((before, rest)) = template.split_once('{') else { return template == name };
    let (Some(left), Some((_, after))) = (name.strip_prefix(before), rest.split_once('}')) else {
        return false;
    };
    let level = left.find('/').unwrap_or(left.len());
    let ends = left.char_indices().map(|(at, letter)| at + letter.len_utf8());
    ends.take_while(|end| *end <= level).any(|end| fits(after, &left[end..]))
}

/// `[[links.mqtt.out]]`: order to foreign topic.
#[derive(Clone, Debug)]
pub struct MapOut {
    /// Channel name.
    pub channel: String,
    /// Topic.
    pub topic: String,
    /// Payload that cuts.
    pub off: String,
    /// Payload that switches on.
    pub on: String,
    /// `deadman = "node" | "external" | "none"`; `none` may not be a district's only means to cut.
    pub deadman: Deadman,
    /// `proof`.
    pub proof: Option<OutProof>,
}

/// `proof` of a foreign output: which current shows that it cut.
#[derive(Clone, Debug, PartialEq)]
pub struct OutProof {
    /// The current of the same district or booster. Its readings prove although they have neither number nor age.
    pub channel: String,
    /// Below this none flows. Unit: ampere.
    pub below: Option<f64>,
    /// Proof is due after this.
    pub within: Option<Micros>,
}

/// A topic filter as MQTT 3.1.1 allows it (section 4.7.1).
#[must_use]
pub fn is_topic_filter(filter: &str) -> bool {
    let parts: Vec<&str> = filter.split('/').collect();
    let last = parts.len() - 1;
    let good = |(at, part): (usize, &&str)| match *part {
        "+" => true,
        "#" => at == last,
        _ => !part.contains(['+', '#', '\0']),
    };
    !filter.is_empty() && parts.iter().enumerate().all(good)
}

/// A JSON pointer as RFC 6901 has it (section 3).
#[must_use]
pub fn is_pointer(pointer: &str) -> bool {
    let escapes = pointer.split('~').skip(1);
    (pointer.is_empty() || pointer.starts_with('/'))
        && escapes.into_iter().all(|rest| rest.starts_with(['0', '1']))
}

/// What is wrong with a regular expression that should have one group; none: nothing.
#[must_use]
pub fn regex_mistake(regex: &str) -> Option<String> {
    let built = regex_lite::RegexBuilder::new(regex).size_limit(REGEX_SIZE_MAX).build();
    match built.map(|it| it.captures_len()) {
        Ok(2) => None,
        Ok(1) => Some("it has no group: put the value in parentheses".to_owned()),
        Ok(more) => Some(format!(
            "it has {} groups: write (?:…) for all but the one of the value",
            more - 1
        )),
        Err(why) => Some(why.to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_capture_stands_for_letters_of_one_level() {
        let cases = [
            ("district/quarry/current", "district/quarry/current", true),
            ("district/quarry/current", "district/summit/current", false),
            ("district/{1}/current", "district/quarry/current", true),
            ("district/{1}/current", "district//current", false),
            ("district/{1}/current", "district/a/b/current", false),
            ("district/d-{2}/{1}", "district/d-3/voltage", true),
            ("{1}/current", "block/a/current", false),
            ("machine/T{1}/position", "machine/T14/position", true),
        ];
        for (template, name, want) in cases {
            assert_eq!(fits(template, name), want, "{template} {name}");
        }
    }

    #[test]
    fn wrong_filters_are_known() {
        for (filter, want) in [
            ("a/+/b", true),
            ("a/#", true),
            ("#", true),
            ("a/#/b", false),
            ("a+/b", false),
            ("", false),
        ] {
            assert_eq!(is_topic_filter(filter), want, "{filter}");
        }
    }

    #[test]
    fn wrong_pointers_are_known() {
        for (pointer, want) in
            [("", true), ("/", true), ("/a~1b/0", true), ("/a~b", false), ("a", false)]
        {
            assert_eq!(is_pointer(pointer), want, "{pointer}");
        }
    }

    #[test]
    fn a_regular_expression_has_one_group_and_is_small() {
        let nested = "(".repeat(200);
        for (regex, want) in [
            ("I=([0-9.]+)A", None),
            ("(?:I|J)=([0-9.]+)", None),
            ("I=[0-9.]+", Some("no group")),
            ("(a)(b)", Some("2 groups")),
            ("(a", Some("")),
            (nested.as_str(), Some("")),
            ("((?:[a-z]{100}){100})", Some("")),
        ] {
            let found = regex_mistake(regex);
            let fits = match (&found, want) {
                (None, None) => true,
                (Some(found), Some(want)) => found.contains(want),
                (Some(_), None) | (None, Some(_)) => false,
            };
            assert!(fits, "{regex}: {found:?}");
        }
    }
}
