//! Foreign topics and payloads, by the mapping table of `[links.mqtt]`.

use std::{cmp::Ordering, collections::BTreeMap};

use serde_json::Value as Json;
use supervision::{
    input::{Invalid, Value},
    value::{BadValue, from_number, from_text},
};
use wiring::{
    channel::{ChannelTable, Quantity},
    index::ChannelIx,
    links::{Extract, MapIn, MapOut},
};

use super::topics::{captures, is_filter};

/// Why a foreign message cannot be used.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
pub(crate) enum BadForeign {
    #[error("is not text")]
    NotText,
    #[error("is not JSON")]
    NotJson,
    #[error("has nothing at `{0}`")]
    NothingThere(String),
    #[error("needs a number at that place")]
    NotANumber,
    #[error("says `{0}`, which the table does not list")]
    UnlistedWord(String),
    #[error("{0}")]
    Value(#[from] BadValue),
    #[error("would be of `{0}`, which is no input of the layout")]
    NoChannel(String),
    #[error("would be of a channel that another rule or topic supplies already")]
    TwoRules,
}

/// The whole table, checked.
#[derive(Debug, Default)]
pub(crate) struct Mapping {
    rules: Vec<MapIn>,
    /// Which rule and topic supply a channel.
    suppliers: BTreeMap<ChannelIx, (usize, String)>,
    out: Vec<(ChannelIx, MapOut)>,
}

impl Mapping {
    /// Checks the table; every mistake is named.
    pub(crate) fn new(
        rules: &[MapIn],
        out: &[MapOut],
        channels: &ChannelTable,
    ) -> Result<Self, Vec<String>> {
        let mut wrong = Vec::new();
        let mut named: BTreeMap<&str, &str> = BTreeMap::new();
        for rule in rules {
            wrong.extend(rule_mistake(rule, channels));
            if !rule.channel.contains('{')
                && let Some(first) = named.insert(&rule.channel, &rule.topic)
            {
                wrong.push(format!(
                    "`{}` is mapped from both `{first}` and `{}`",
                    rule.channel, rule.topic
                ));
            }
        }
        let mut resolved = Vec::new();
        for rule in out {
            match out_channel(rule, channels) {
                Ok(channel) => resolved.push((channel, rule.clone())),
                Err(why) => wrong.push(why),
            }
        }
        if wrong.is_empty() {
            Ok(Self { rules: rules.to_vec(), suppliers: BTreeMap::new(), out: resolved })
        } else {
            Err(wrong)
        }
    }

    /// What to subscribe to.
    pub(crate) fn filters(&self) -> impl Iterator<Item = &str> {
        self.rules.iter().map(|rule| &*rule.topic)
    }

    /// The foreign topics that take orders for a channel.
    pub(crate) fn out(&self, channel: ChannelIx) -> impl Iterator<Item = &MapOut> {
        self.out.iter().filter(move |(it, _)| *it == channel).map(|(_, rule)| rule)
    }

    /// Readings in a foreign message, one a rule that matches.
    pub(crate) fn read(
        &mut self,
        topic: &str,
        payload: &[u8],
        channels: &ChannelTable,
    ) -> Vec<Result<(ChannelIx, Value), BadForeign>> {
        let mut found = Vec::new();
        for (at, rule) in self.rules.iter().enumerate() {
            let Some(parts) = captures(&rule.topic, topic) else { continue };
            let name = fill(&rule.channel, &parts);
            found
                .push(supplied(&mut self.suppliers, at, topic, &name, channels).and_then(
                    |(channel, quantity)| Ok((channel, value(rule, quantity, payload)?)),
                ));
        }
        found
    }
}

fn rule_mistake(rule: &MapIn, channels: &ChannelTable) -> Vec<String> {
    let mut wrong = Vec::new();
    let MapIn { topic, channel, .. } = rule;
    if !is_filter(topic) {
        wrong.push(format!("`{topic}` is no topic filter"));
    }
    let plusses = topic.split('/').filter(|part| *part == "+").count();
    let filled = fill(channel, &vec!["x"; plusses]);
    if filled.contains('{') {
        wrong.push(format!("`{channel}` names a capture that `{topic}` does not have"));
    }
    if !channel.contains('{') && input(channel, channels).is_none() {
        wrong.push(format!("`{channel}` is no input of the layout"));
    }
    if let Extract::Pointer(pointer) = &rule.extract
        && !pointer.is_empty()
        && !pointer.starts_with('/')
    {
        wrong.push(format!("`{pointer}` is no JSON pointer: it starts with `/`"));
    }
    if rule.range.is_some_and(|(low, high)| low.partial_cmp(&high) != Some(Ordering::Less)) {
        wrong.push(format!("`{channel}`: the range is empty"));
    }
    if !(rule.scale.is_finite() && rule.offset.is_finite()) {
        wrong.push(format!("`{channel}`: scale and offset must be finite"));
    }
    wrong
}

fn out_channel(rule: &MapOut, channels: &ChannelTable) -> Result<ChannelIx, String> {
    let found = channels.find(&rule.channel);
    let power = |it: &ChannelIx| channels.channel(*it).quantity == Quantity::Power;
    let channel = found
        .filter(power)
        .ok_or_else(|| format!("`{}` is no power output of the layout", rule.channel))?;
    let concrete = is_filter(&rule.topic) && !rule.topic.contains(['+', '#']);
    if concrete { Ok(channel) } else { Err(format!("`{}` is no topic to publish to", rule.topic)) }
}

fn input(name: &str, channels: &ChannelTable) -> Option<(ChannelIx, Quantity)> {
    let channel = channels.find(name)?;
    let quantity = channels.channel(channel).quantity;
    quantity.is_input().then_some((channel, quantity))
}

/// The channel of a name, if this rule and topic are the ones that supply it.
fn supplied(
    suppliers: &mut BTreeMap<ChannelIx, (usize, String)>,
    rule: usize,
    topic: &str,
    name: &str,
    channels: &ChannelTable,
) -> Result<(ChannelIx, Quantity), BadForeign> {
    let found = input(name, channels);
    let (channel, quantity) = found.ok_or_else(|| BadForeign::NoChannel(name.to_owned()))?;
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

fn value(rule: &MapIn, quantity: Quantity, payload: &[u8]) -> Result<Value, BadForeign> {
    let text = std::str::from_utf8(payload).map_err(|_| BadForeign::NotText)?;
    let found = extract(&rule.extract, text)?;
    if rule.values.is_empty() && rule.other.is_none() {
        return number(rule, quantity, &found);
    }
    let word = match &found {
        Json::String(word) => word.clone(),
        other => other.to_string(),
    };
    let value = rule.values.get(word.trim()).or(rule.other.as_ref());
    let value = value.ok_or_else(|| BadForeign::UnlistedWord(crate::unusable::printable(&word)))?;
    Ok(from_text(quantity, value)?)
}

fn extract(how: &Extract, text: &str) -> Result<Json, BadForeign> {
    match how {
        Extract::Pointer(pointer) => match serde_json::from_str::<Json>(text) {
            Ok(json) => {
                let found = json.pointer(pointer);
                found.cloned().ok_or_else(|| BadForeign::NothingThere(pointer.clone()))
            }
            // The whole document may be a bare word.
            Err(_) if pointer.is_empty() => Ok(Json::String(text.trim().to_owned())),
            Err(_) => Err(BadForeign::NotJson),
        },
        Extract::Between(before, after) => {
            let nothing = || BadForeign::NothingThere(format!("{before}…{after}"));
            let (_, rest) = text.split_once(&**before).ok_or_else(nothing)?;
            let found = match &**after {
                "" => rest,
                after => rest.split_once(after).ok_or_else(nothing)?.0,
            };
            Ok(Json::String(found.trim().to_owned()))
        }
    }
}

/// A number scaled to the channel's unit. A word of the channel's own is taken as it is.
fn number(rule: &MapIn, quantity: Quantity, found: &Json) -> Result<Value, BadForeign> {
    let number = match found {
        Json::Number(number) => number.as_f64(),
        Json::String(text) => match (text.trim().parse().ok(), from_text(quantity, text.trim())) {
            (Some(number), _) => Some(number),
            (None, Ok(value)) => return Ok(value),
            (None, Err(why)) => return Err(why.into()),
        },
        Json::Null | Json::Bool(_) | Json::Array(_) | Json::Object(_) => None,
    };
    let number: f64 = number.ok_or(BadForeign::NotANumber)?;
    if !number.is_finite() {
        return Err(BadValue::NotFinite.into());
    }
    let physical = number * rule.scale + rule.offset;
    match rule.range {
        Some((low, _)) if physical < low => Ok(Value::Invalid(Invalid::UnderRange)),
        Some((_, high)) if physical > high => Ok(Value::Invalid(Invalid::OverRange)),
        Some(_) | None => Ok(from_number(quantity, physical)?),
    }
}

#[cfg(test)]
#[path = "map_tests.rs"]
mod tests;
