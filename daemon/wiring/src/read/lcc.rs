//! `[links.lcc.NAME]`: the adapter, our own events, the events of others.

use std::collections::BTreeMap;

use super::{
    build::Build,
    error::FileErrorKind,
    fields::{Entry, Fields, Node},
    links::{baud, missing, rows},
};
use crate::{
    channel::{ChannelTable, Object, Quantity},
    index::ChannelIx,
    links::{LccIn, LccObject, LccOut, LccSettings},
    suggest,
};

impl Build<'_> {
    pub(super) fn lcc(&mut self, entry: &Entry<Fields>) -> Option<LccSettings> {
        let it = entry.item.as_ref()?;
        let device = self.device(it);
        let channels = ChannelTable::new(&self.layout);
        let own = self.lcc_own(it, &channels);
        let mut taken = BTreeMap::new();
        let events_in = rows(it, "in").filter_map(|row| self.lcc_in(row, &channels, &mut taken));
        let events_in = events_in.collect();
        let events_out = rows(it, "out").filter_map(|row| self.lcc_out(row, &channels)).collect();
        let node_id = self.bytes::<6>(it, "node-id");
        let (device, tcp) = device?;
        let (name, node_id, baud) = (entry.id.clone(), node_id?, baud(it)?);
        Some(LccSettings { name, device, tcp, baud, node_id, own, events_in, events_out })
    }

    /// `own = { "machine/T14" = 14 }`.
    fn lcc_own(&mut self, it: &Fields, channels: &ChannelTable) -> Vec<(LccObject, u16)> {
        let mut found: Vec<(LccObject, u16)> = Vec::new();
        for entry in it.map("own") {
            let Some(index) = entry.item.as_ref().and_then(count) else { continue };
            let Some(object) = self.lcc_object(it, entry, channels) else { continue };
            let rival = found.iter().any(|(other, at)| *at == index && same_kind(other, &object));
            if rival {
                let wanted = "an index that no other object of its kind has".to_owned();
                let (key, found) = (entry.id.clone(), index.to_string());
                let kind = FileErrorKind::ValueWrong { key, found, wanted, write: None };
                self.error(entry.span, &it.subject, kind);
                continue;
            }
            found.push((object, index));
        }
        found
    }

    fn lcc_object(
        &mut self,
        it: &Fields,
        entry: &Entry<Node>,
        channels: &ChannelTable,
    ) -> Option<LccObject> {
        if let Some(name) = entry.id.strip_prefix("node/").filter(|name| !name.is_empty()) {
            return Some(LccObject::Node(name.to_owned()));
        }
        let quantities = ["position", "occupied", "power", "polarity"];
        let named = |quantity: &&str| channels.find(&format!("{}/{quantity}", entry.id));
        let object = quantities.iter().find_map(named).map(|it| channels.channel(it).object);
        let object = match object {
            Some(Object::Machine(it)) => Some(LccObject::Machine(it)),
            Some(Object::Block(it)) => Some(LccObject::Block(it)),
            Some(Object::District(it)) => Some(LccObject::District(it)),
            Some(Object::Frog(it)) => Some(LccObject::Frog(it)),
            Some(Object::Booster(_) | Object::Pole(_) | Object::Reverser(_)) | None => None,
        };
        if object.is_none() && !self.left_out.contains(&entry.id) {
            let kind = FileErrorKind::ValueWrong {
                key: "own".to_owned(),
                found: format!("\"{}\"", entry.id),
                wanted: "machine/ID, block/ID, district/ID, frog/ID or node/NAME of this layout"
                    .to_owned(),
                write: nearest_object(&entry.id, channels).map(|it| format!("\"{it}\"")),
            };
            self.error(entry.span, &it.subject, kind);
        }
        object
    }

    fn lcc_in(
        &mut self,
        it: &Fields,
        channels: &ChannelTable,
        taken: &mut BTreeMap<[u8; 8], ()>,
    ) -> Option<LccIn> {
        let event = self.bytes::<8>(it, "event");
        let channel = it.owned("channel")?;
        let index = self.channel_exists(it, &channel, channels)?;
        let value = it.owned("value")?;
        let quantity = channels.channel(index).quantity;
        let Ok(words) = lcc_words(quantity) else {
            let wanted = no_event(quantity).to_owned();
            let (key, found) = ("channel".to_owned(), format!("\"{channel}\""));
            let kind = FileErrorKind::ValueWrong { key, found, wanted, write: None };
            self.error(it.span_of("channel"), &it.subject, kind);
            return None;
        };
        if !words.contains(&value.as_str()) {
            self.value_wrong(it, "value", &value, format!("one of {}", words.join(", ")), None);
            return None;
        }
        let event = event?;
        if taken.insert(event, ()).is_some() {
            let wanted = "an event that no other row takes".to_owned();
            self.value_wrong(it, "event", it.text("event").unwrap_or_default(), wanted, None);
            return None;
        }
        Some(LccIn { event, channel: index, value })
    }

    fn lcc_out(&mut self, it: &Fields, channels: &ChannelTable) -> Option<LccOut> {
        let channel = it.owned("channel")?;
        let index = self.channel_exists(it, &channel, channels)?;
        let [off, on] = match channels.channel(index).quantity {
            Quantity::Power => ["off", "on"],
            Quantity::Throw => ["normal", "reverse"],
            Quantity::Current
            | Quantity::Voltage
            | Quantity::Feedback
            | Quantity::Occupied
            | Quantity::Peak
            | Quantity::Position
            | Quantity::Asked
            | Quantity::Polarity
            | Quantity::State
            | Quantity::Expected
            | Quantity::Load => {
                let wanted =
                    "a channel that takes orders, such as \"district/ID/power\"".to_owned();
                self.value_wrong(it, "channel", &channel, wanted, None);
                return None;
            }
        };
        let events = [off, on].map(|key| {
            if !it.is_stated(key) {
                let kind = missing(key, it, "\"05.01.01.01.22.00.00.10\"");
                self.error(it.span, &it.subject, kind);
                return None;
            }
            self.bytes::<8>(it, key)
        });
        let [Some(off), Some(on)] = events else { return None };
        Some(LccOut { channel: index, off, on })
    }

    fn bytes<const N: usize>(&mut self, it: &Fields, key: &'static str) -> Option<[u8; N]> {
        let found = bytes(it.text(key)?);
        if found.is_none() {
            const EXAMPLE: &str = "03.00.12.34.56.01.00.10";
            let wanted = if N == 6 { "six bytes" } else { "eight bytes" };
            let wanted = format!("{wanted} in hexadecimal with points between");
            self.address_wrong(it, key, &wanted, &EXAMPLE[..N * 3 - 1]);
        }
        found
    }

    fn value_wrong(
        &mut self,
        it: &Fields,
        key: &str,
        found: &str,
        wanted: String,
        write: Option<String>,
    ) {
        let (name, found) = (key.to_owned(), format!("\"{found}\""));
        let kind = FileErrorKind::ValueWrong { key: name, found, wanted, write };
        self.error(it.span_of(key), &it.subject, kind);
    }
}

/// The words that an event may say of a quantity; an error where an event may say nothing.
const fn lcc_words(quantity: Quantity) -> Result<&'static [&'static str], ()> {
    match quantity {
        Quantity::Power => Ok(&["cut"]),
        Quantity::Position
        | Quantity::Asked
        | Quantity::Occupied
        | Quantity::Polarity
        | Quantity::State => Ok(quantity.words()),
        Quantity::Feedback
        | Quantity::Current
        | Quantity::Voltage
        | Quantity::Peak
        | Quantity::Expected
        | Quantity::Load
        | Quantity::Throw => Err(()),
    }
}

/// What a row may be of instead.
const fn no_event(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Feedback => {
            "no feedback: the text frames carry no check, and an event proves no cut; it may be \
             a position, asked, occupied, polarity or state channel, or power with value \"cut\""
        }
        Quantity::Current
        | Quantity::Voltage
        | Quantity::Peak
        | Quantity::Expected
        | Quantity::Load
        | Quantity::Throw
        | Quantity::Position
        | Quantity::Asked
        | Quantity::Occupied
        | Quantity::Polarity
        | Quantity::State
        | Quantity::Power => {
            "a channel with words for values: position, asked, occupied, polarity or state, or \
             power with value \"cut\""
        }
    }
}

const fn same_kind(one: &LccObject, other: &LccObject) -> bool {
    matches!(
        (one, other),
        (LccObject::Machine(_), LccObject::Machine(_))
            | (LccObject::Block(_), LccObject::Block(_))
            | (LccObject::District(_), LccObject::District(_))
            | (LccObject::Frog(_), LccObject::Frog(_))
            | (LccObject::Node(_), LccObject::Node(_))
    )
}

fn nearest_object(id: &str, channels: &ChannelTable) -> Option<String> {
    let objects = (0..channels.len()).map(ChannelIx::new).filter_map(|it| {
        let is_shown = matches!(
            channels.channel(it).quantity,
            Quantity::Position | Quantity::Occupied | Quantity::Power | Quantity::Polarity
        );
        let is_booster = matches!(channels.channel(it).object, Object::Booster(_));
        let name = channels.name(it).rsplit_once('/')?.0;
        (is_shown && !is_booster).then_some(name)
    });
    suggest::nearest(id, objects).map(str::to_owned)
}

fn count(node: &Node) -> Option<u16> {
    let super::fields::Data::Count(count) = node.data else { return None };
    u16::try_from(count).ok()
}

/// `03.00.12.34.56.01`, with points or colons.
fn bytes<const N: usize>(text: &str) -> Option<[u8; N]> {
    let parts: Vec<&str> = text.split(['.', ':']).collect();
    let parts: [&str; N] = parts.try_into().ok()?;
    let mut bytes = [0; N];
    for (byte, part) in bytes.iter_mut().zip(parts) {
        let is_hex = part.len() == 2 && part.bytes().all(|digit| digit.is_ascii_hexdigit());
        *byte = u8::from_str_radix(part, 16).ok().filter(|_| is_hex)?;
    }
    Some(bytes)
}
