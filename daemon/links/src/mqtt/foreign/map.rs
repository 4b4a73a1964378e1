//! Which rule of the mapping table a foreign message falls under, and what it makes of it.

use std::collections::BTreeMap;

use regex_lite::{Regex, RegexBuilder};
use supervision::{
    input::{Invalid, Value},
    value::{BadValue, from_number, from_text},
};
use wiring::{
    channel::{ChannelTable, Quantity},
    index::ChannelIx,
    links::{Extract, MapIn, MapOut, REGEX_SIZE_MAX, TimeUnit},
};

use super::{
    document::{Document, Found},
    order::{SenderTime, Stamp},
};
use crate::mqtt::topics::captures;

/// Why a foreign message cannot be used.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
pub(crate) enum BadForeign {
    #[error("is longer than {longest} octets")]
    TooLong { longest: usize },
    #[error("is not text")]
    NotText,
    #[error("is not JSON")]
    NotJson,
    #[error("is not CBOR")]
    NotCbor,
    #[error("has nothing at `{0}`")]
    NothingThere(String),
    #[error("has nothing that `{0}` fits")]
    NoMatch(String),
    #[error("needs a number at that place")]
    NotANumber,
    #[error("has no time at `{0}`: delay is not known")]
    NoTime(String),
    #[error("has no number at `{0}`: order is not known")]
    NoSeq(String),
    #[error("says `{0}`, which the table does not list")]
    UnlistedWord(String),
    #[error("{0}")]
    Value(#[from] BadValue),
    #[error("would be of `{0}`, which is no input of the layout")]
    NoChannel(String),
    #[error("would be of a channel that another rule or topic supplies already")]
    TwoRules,
}

/// A rule, ready to be used.
#[derive(Clone, Debug)]
struct Rule {
    settings: MapIn,
    regex: Option<Regex>,
}

/// The whole table.
#[derive(Debug, Default)]
pub(crate) struct Mapping {
    rules: Vec<Rule>,
    /// Which rule and topic supply a channel.
    suppliers: BTreeMap<ChannelIx, (usize, String)>,
    out: Vec<(ChannelIx, MapOut)>,
}

/// A reading as the sender meant it.
#[derive(Clone, Debug)]
pub(super) struct Mapped {
    pub(super) channel: ChannelIx,
    pub(super) is_measured: bool,
    pub(super) value: Value,
    pub(super) stamp: Stamp,
    /// The number or the time that the rule names is not there.
    pub(super) lacks: Option<BadForeign>,
}

impl Mapping {
    /// From rules that the reader of the layout file has checked; names what is wrong nevertheless.
    pub(crate) fn new(
        rules: &[MapIn],
        out: &[MapOut],
        channels: &ChannelTable,
    ) -> Result<Self, Vec<String>> {
        let (mut wrong, mut made) = (Vec::new(), Self::default());
        for settings in rules {
            let regex = match &settings.extract {
                Extract::Regex(regex) => Some(regex_of(regex)),
                Extract::Pointer(_) | Extract::Between(..) => None,
            };
            match regex.transpose() {
                Ok(regex) => made.rules.push(Rule { settings: settings.clone(), regex }),
                Err(why) => wrong.push(format!("`{}`: {why}", settings.topic)),
            }
        }
        for rule in out {
            match channels.find(&rule.channel) {
                Some(channel) => made.out.push((channel, rule.clone())),
                None => wrong.push(format!("`{}` is no channel of the layout", rule.channel)),
            }
        }
        if wrong.is_empty() { Ok(made) } else { Err(wrong) }
    }

    /// What to subscribe to.
    pub(crate) fn filters(&self) -> impl Iterator<Item = &str> {
        self.rules.iter().map(|rule| &*rule.settings.topic)
    }

    /// The foreign topics that take orders for a channel.
    pub(crate) fn out(&self, channel: ChannelIx) -> impl Iterator<Item = &MapOut> {
        self.out.iter().filter(move |(it, _)| *it == channel).map(|(_, rule)| rule)
    }

    /// Readings in a foreign message, one a rule that matches.
    pub(super) fn read(
        &mut self,
        topic: &str,
        payload: &[u8],
        channels: &ChannelTable,
    ) -> Vec<Result<Mapped, BadForeign>> {
        let document = Document::new(payload);
        let mut found = Vec::new();
        for (at, rule) in self.rules.iter().enumerate() {
            let Some(parts) = captures(&rule.settings.topic, topic) else { continue };
            let name = fill(&rule.settings.channel, &parts);
            let supplied = supplied(&mut self.suppliers, at, topic, &name, channels);
            found.push(supplied.and_then(|(channel, quantity)| {
                let value = rule.value(quantity, &document)?;
                let (stamp, lacks) = rule.stamp(&document);
                let is_measured = quantity.words().is_empty();
                Ok(Mapped { channel, is_measured, value, stamp, lacks })
            }));
        }
        found
    }
}

fn regex_of(regex: &str) -> Result<Regex, regex_lite::Error> {
    RegexBuilder::new(regex).size_limit(REGEX_SIZE_MAX).build()
}

/// The channel of a name, if this rule and topic are the ones that supply it.
fn supplied(
    suppliers: &mut BTreeMap<ChannelIx, (usize, String)>,
    rule: usize,
    topic: &str,
    name: &str,
    channels: &ChannelTable,
) -> Result<(ChannelIx, Quantity), BadForeign> {
    let found = channels.find(name).map(|it| (it, channels.channel(it).quantity));
    let input = found.filter(|(_, quantity)| quantity.is_input());
    let (channel, quantity) = input.ok_or_else(|| BadForeign::NoChannel(name.to_owned()))?;
    match suppliers.get(&channel) {
        Some((by, from)) if *by == rule && from == topic => {}
        Some(_) => return Err(BadForeign::TwoRules),
        None => {
            suppliers.insert(channel, (rule, topic.to_owned()));
        }
    }
    Ok((channel, quantity))
}

/// `{1}` … replaced by what each `+` stands for.
fn fill(template: &str, parts: &[&str]) -> String {
    let start = template.to_owned();
    parts
        .iter()
        .enumerate()
        .fold(start, |text, (at, part)| text.replace(&format!("{{{}}}", at + 1), part))
}

impl Rule {
    fn value(&self, quantity: Quantity, document: &Document) -> Result<Value, BadForeign> {
        let MapIn { encoding, extract, values, other, .. } = &self.settings;
        let found = match (extract, &self.regex) {
            (Extract::Pointer(pointer), _) => document.at(*encoding, pointer)?,
            (Extract::Between(before, after), _) => document.between(before, after)?,
            (Extract::Regex(_), Some(regex)) => document.matched(regex)?,
            (Extract::Regex(regex), None) => return Err(BadForeign::NoMatch(regex.clone())),
        };
        if values.is_empty() && other.is_none() {
            return self.number(quantity, &found);
        }
        let word = found.word();
        let value = values.get(&word).or(other.as_ref());
        let value =
            value.ok_or_else(|| BadForeign::UnlistedWord(crate::unusable::printable(&word)))?;
        Ok(from_text(quantity, value)?)
    }

    /// A number scaled to the channel's unit. A word of the channel's own is taken as it is.
    fn number(&self, quantity: Quantity, found: &Found) -> Result<Value, BadForeign> {
        let number = match found {
            Found::Whole(number) => *number as f64,
            Found::Number(number) => *number,
            Found::Text(text) => match text.trim().parse() {
                Ok(number) => number,
                Err(_) => return Ok(from_text(quantity, text.trim())?),
            },
            Found::Other(_) => return Err(BadForeign::NotANumber),
        };
        let MapIn { scale, offset, range, .. } = self.settings;
        if !number.is_finite() {
            return Err(BadValue::NotFinite.into());
        }
        let physical = number * scale + offset;
        match range {
            Some((low, _)) if physical < low => Ok(Value::Invalid(Invalid::UnderRange)),
            Some((_, high)) if physical > high => Ok(Value::Invalid(Invalid::OverRange)),
            Some(_) | None => Ok(from_number(quantity, physical)?),
        }
    }

    /// Number and time of the message, where the rule names them. One that is missing does not spoil the reading.
    fn stamp(&self, document: &Document) -> (Stamp, Option<BadForeign>) {
        let (mut stamp, mut lacks) = (Stamp::default(), None);
        let MapIn { encoding, seq, time, .. } = &self.settings;
        if let Some(pointer) = seq {
            stamp.number = document.at(*encoding, pointer).ok().and_then(|it| seq_of(&it));
            lacks = stamp.number.is_none().then(|| BadForeign::NoSeq(pointer.clone()));
        }
        if let Some((pointer, unit)) = time {
            stamp.time = document.at(*encoding, pointer).ok().and_then(|it| time_of(&it, *unit));
            lacks =
                lacks.or_else(|| stamp.time.is_none().then(|| BadForeign::NoTime(pointer.clone())));
        }
        (stamp, lacks)
    }
}

/// A message's number: a whole one, of which the last 32 bits count.
fn seq_of(found: &Found) -> Option<u32> {
    let whole = match found {
        Found::Whole(whole) => *whole,
        Found::Number(number) => (number.fract() == 0.0).then_some(*number as i128)?,
        Found::Text(text) => text.trim().parse().ok()?,
        Found::Other(_) => return None,
    };
    u64::try_from(whole).ok().map(|whole| whole as u32)
}

/// A sender's time in milliseconds, of which the last 32 bits count. Until a fraction is seen, a number of seconds is a
/// clock that shows seconds only.
fn time_of(found: &Found, unit: TimeUnit) -> Option<SenderTime> {
    let number = match found {
        Found::Whole(whole) => *whole as f64,
        Found::Number(number) => *number,
        Found::Text(text) => text.trim().parse().ok()?,
        Found::Other(_) => return None,
    };
    // Beyond this a float has no milliseconds any more.
    const MOST: f64 = 9.0e15;
    if !(number.is_finite() && number.abs() < MOST) {
        return None;
    }
    let ms = match unit {
        TimeUnit::Seconds => number * 1e3,
        TimeUnit::Millis => number,
        TimeUnit::Micros => number / 1e3,
    };
    let is_fine = unit != TimeUnit::Seconds || number.fract() != 0.0;
    Some(SenderTime { ms: (ms.floor() as i64) as u32, is_fine })
}

#[cfg(test)]
#[path = "map_tests.rs"]
mod tests;
