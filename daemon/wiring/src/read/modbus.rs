//! `[links.modbus.NAME]`.

use std::collections::BTreeSet;

use super::{
    build::{Build, micros},
    error::FileErrorKind,
    fields::{Data, Entry, Fields},
    links::{baud, rows, words},
};
use crate::{
    channel::{ChannelTable, Quantity},
    links::{
        Deadman, ModbusIdentity, ModbusOutput, ModbusPoint, ModbusSettings, ModbusTable,
        ModbusUnit, Picked, Raw, WordOrder,
    },
    units::Micros,
};

/// How a row is called in errors: it has no header of its own.
const ROW: &str = "the row";

/// What all rows of all lines are read with.
struct Reading<'t> {
    channels: &'t ChannelTable,
    /// Channels that a first row supplies already, over all lines.
    supplied: BTreeSet<String>,
}

impl Build<'_> {
    pub(super) fn modbus(&mut self, lines: &[Entry<Fields>]) {
        let channels = ChannelTable::new(&self.layout);
        let mut reading = Reading { channels: &channels, supplied: BTreeSet::new() };
        for entry in lines {
            let made = entry.item.as_ref().and_then(|it| {
                let units = self.units(it, &mut reading);
                let line = self.line(&entry.id, it, units)?;
                self.times(it, &line);
                Some(line)
            });
            self.layout.links.modbus.extend(made);
        }
    }

    fn line(&mut self, name: &str, it: &Fields, units: Vec<ModbusUnit>) -> Option<ModbusSettings> {
        let (device, tcp) = self.device(it)?;
        let inverted = units.iter().flat_map(|unit| &unit.outputs).any(|output| !output.on);
        if it.is_stated("broadcast-off") && (tcp || inverted) {
            let wanted = if tcp {
                "left out: a gateway sends no broadcast"
            } else {
                "left out where an output says `on = false`: it would switch power on"
            };
            self.refuse(it, "broadcast-off", wanted, None);
        }
        Some(ModbusSettings {
            name: name.to_owned(),
            device,
            tcp,
            baud: baud(it)?,
            parity: match it.word("parity")? {
                "odd" => 'O',
                "none" => 'N',
                _ => 'E',
            },
            stop: if it.count("stop") == Some(2) { 2 } else { 1 },
            quiet: micros(it, "quiet"),
            timeout: micros(it, "timeout"),
            reply_max: micros(it, "reply-max"),
            broadcast_off: it.count("broadcast-off").and_then(|count| u16::try_from(count).ok()),
            units,
        })
    }

    /// After a failed question the line rests for `reply-max`; a current must not miss its poll by that.
    fn times(&mut self, it: &Fields, line: &ModbusSettings) {
        if line.reply_max < line.timeout {
            let wanted = format!("at least the timeout, {}", line.timeout);
            self.refuse(it, "reply-max", &wanted, Some(format!("\"{}\"", line.timeout)));
        }
        let is_current = |point: &ModbusPoint| point.channel.ends_with("/current");
        let measuring = line.units.iter().filter(|unit| unit.points.iter().any(is_current));
        let fastest = measuring.min_by_key(|unit| unit.poll);
        if let Some(unit) = fastest.filter(|unit| unit.poll <= line.reply_max) {
            let wanted = format!(
                "less than the poll period of unit {}, {}: the line rests so long after a failed question",
                unit.address, unit.poll
            );
            self.refuse(it, "reply-max", &wanted, None);
        }
    }

    fn units(&mut self, it: &Fields, reading: &mut Reading<'_>) -> Vec<ModbusUnit> {
        let mut taken = BTreeSet::new();
        let mut units = Vec::new();
        for row in rows(it, "unit") {
            let Some(unit) = self.unit(row, reading) else { continue };
            if !taken.insert(unit.address) {
                self.refuse(row, "address", "a number that no other unit of this line has", None);
            }
            units.push(unit);
        }
        units
    }

    fn unit(&mut self, it: &Fields, reading: &mut Reading<'_>) -> Option<ModbusUnit> {
        let points = rows(it, "points").filter_map(|row| self.point(row, reading)).collect();
        let outputs =
            rows(it, "outputs").filter_map(|row| self.output(row, reading.channels)).collect();
        Some(ModbusUnit {
            address: u8::try_from(it.count("address")?).ok()?,
            label: it.owned("label"),
            poll: micros(it, "poll"),
            points,
            outputs,
            pulse_every: micros(it, "pulse-every"),
            identity: it.table("identity").and_then(|row| self.identity(row)),
        })
    }

    fn point(&mut self, it: &Fields, reading: &mut Reading<'_>) -> Option<ModbusPoint> {
        let channel = it.owned("channel")?;
        let index = self.channel_exists(it, &channel, reading.channels)?;
        let quantity = reading.channels.channel(index).quantity;
        if !quantity.is_input() {
            let wanted = "a channel that is measured, such as \"district/ID/current\"";
            self.refuse(it, "channel", wanted, None);
        }
        let alternative = it.flag("alt").unwrap_or(false);
        if !alternative && !reading.supplied.insert(channel.clone()) {
            let wanted = "a channel that no other row supplies (a second source says `alt = true`)";
            self.refuse(it, "channel", wanted, None);
        }
        let table = ModbusTable::of(it.count("fn")?)?;
        let values = words(it.map("values"));
        let other = it.owned("other");
        let has_words = !values.is_empty() || other.is_some();
        if quantity.is_input() && has_words == is_measured(quantity) {
            self.words_misplaced(it, quantity);
        }
        let address = self.address(it, "addr")?;
        let raw = self.raw(it, table)?;
        if address.checked_add(raw.width() - 1).is_none() {
            self.refuse(it, "addr", "an address with room for both registers", None);
        }
        Some(ModbusPoint {
            channel,
            table,
            address,
            raw,
            swap: it.flag("swap").unwrap_or(false),
            picked: Picked {
                mask: it.count("mask").and_then(|mask| u32::try_from(mask).ok()),
                shift: it.count("shift").and_then(|shift| u8::try_from(shift).ok()).unwrap_or(0),
            },
            scale: it.number("scale").unwrap_or(1.0),
            offset: it.number("offset").unwrap_or(0.0),
            range: self.range(it),
            values,
            other,
            alternative,
            averaging: it.magnitude("averaging").map(Micros),
            stale_after: it.magnitude("stale-after").map(Micros),
        })
    }

    fn words_misplaced(&mut self, it: &Fields, quantity: Quantity) {
        if is_measured(quantity) {
            let wanted = "left out: this channel is a number, see `scale`";
            let key = if it.is_stated("values") { "values" } else { "other" };
            self.refuse(it, key, wanted, None);
        } else {
            let example = format!("{{ {} }}", example_words(quantity));
            let key = "values";
            let table = ROW.to_owned();
            self.error(it.span, &it.subject, FileErrorKind::KeyMissing { key, table, example });
        }
    }

    /// The type, which must fit its table.
    fn raw(&mut self, it: &Fields, table: ModbusTable) -> Option<Raw> {
        let order = match it.word("order") {
            Some("lo-hi") => WordOrder::LowFirst,
            _ => WordOrder::HighFirst,
        };
        let stated = it.is_stated("type").then(|| it.word("type")).flatten();
        if table.is_bits() {
            if stated.is_some_and(|word| word != "bit") {
                self.refuse(
                    it,
                    "type",
                    "\"bit\": functions 1 and 2 read bits",
                    Some("\"bit\"".to_owned()),
                );
            }
            return Some(Raw::Bit);
        }
        let raw = match it.word("type")? {
            "i16" => Raw::I16,
            "u32" => Raw::U32(order),
            "i32" => Raw::I32(order),
            "f32" => Raw::F32(order),
            "bit" => Raw::Bit,
            _ => Raw::U16,
        };
        if matches!(raw, Raw::F32(_)) && (it.is_stated("mask") || it.is_stated("shift")) {
            self.refuse(it, "type", "a whole number where `mask` or `shift` is given", None);
        }
        Some(raw)
    }

    fn output(&mut self, it: &Fields, channels: &ChannelTable) -> Option<ModbusOutput> {
        let channel = it.owned("channel")?;
        let index = self.channel_exists(it, &channel, channels)?;
        if channels.channel(index).quantity != Quantity::Power {
            let wanted = "a channel that switches power, such as \"district/ID/power\"";
            self.refuse(it, "channel", wanted, None);
        }
        let coil = self.address(it, "coil")?;
        let readback = match it.table("readback") {
            Some(row) => (ModbusTable::of(row.count("fn")?)?, self.address(row, "addr")?),
            None => (ModbusTable::Coils, coil),
        };
        let pulse = if it.is_stated("pulse") { self.address(it, "pulse") } else { None };
        let deadman = match it.word("deadman") {
            Some("board") => Deadman::Node,
            Some("external") => Deadman::External,
            _ => Deadman::None,
        };
        if deadman == Deadman::External && !it.is_stated("pulse") {
            let (key, table, example) = ("pulse", ROW.to_owned(), "7".to_owned());
            self.error(it.span, &it.subject, FileErrorKind::KeyMissing { key, table, example });
        }
        let on = it.flag("on").unwrap_or(true);
        Some(ModbusOutput { channel, coil, on, readback, deadman, pulse })
    }

    fn identity(&mut self, it: &Fields) -> Option<ModbusIdentity> {
        let node = it.node("equals")?;
        let Data::List(items) = &node.data else { return None };
        let word = |item: &super::fields::Node| match item.data {
            Data::Count(word) => u16::try_from(word).ok(),
            _ => None,
        };
        Some(ModbusIdentity {
            table: ModbusTable::of(it.count("fn")?)?,
            address: self.address(it, "addr")?,
            equals: items.iter().map(word).collect::<Option<_>>()?,
        })
    }

    /// A protocol address. Register numbers such as 40001 are told what they are.
    fn address(&mut self, it: &Fields, key: &'static str) -> Option<u16> {
        let number = it.count(key)?;
        if let Some((table, address)) = register_number(number) {
            let wanted = format!(
                "a protocol address, counted from 0: register {number} is function {table}, address {address}"
            );
            self.refuse(it, key, &wanted, Some(address.to_string()));
            return None;
        }
        u16::try_from(number).ok()
    }
}

/// Measured quantities are numbers; the others are words.
const fn is_measured(quantity: Quantity) -> bool {
    matches!(quantity, Quantity::Current | Quantity::Voltage | Quantity::Peak)
}

const fn example_words(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Feedback => "\"0\" = \"off\", \"1\" = \"on\"",
        Quantity::Occupied => "\"0\" = \"no\", \"1\" = \"yes\"",
        Quantity::Polarity => "\"0\" = \"dead\", \"1\" = \"A\", \"2\" = \"B\"",
        Quantity::State => "\"0\" = \"straight\", \"1\" = \"swapped\"",
        Quantity::Current
        | Quantity::Voltage
        | Quantity::Peak
        | Quantity::Position
        | Quantity::Asked
        | Quantity::Expected
        | Quantity::Load
        | Quantity::Power
        | Quantity::Throw => "\"0\" = \"normal\", \"1\" = \"reverse\"",
    }
}

/// Register numbers carry their table in front and count from 1, with five or six digits. Source: MODBUS Application
/// Protocol Specification V1.1b3, section 4.3 (the data model; the numbers in front are common practice).
fn register_number(number: i64) -> Option<(u8, i64)> {
    let (front, rest) = match number {
        10_001..=49_999 => (number / 10_000, number % 10_000),
        100_001..=499_999 => (number / 100_000, number % 100_000),
        _ => return None,
    };
    let function = match front {
        1 => 2,
        3 => 4,
        4 => 3,
        _ => return None,
    };
    (rest > 0).then_some((function, rest - 1))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn register_numbers_are_told_from_addresses() {
        let cases = [
            (40_001, Some((3, 0))),
            (30_009, Some((4, 8))),
            (10_017, Some((2, 16))),
            (400_001, Some((3, 0))),
            (465_536, Some((3, 65_535))),
            (40_000, None),
            (9_999, None),
            (20_001, None),
            (50_000, None),
            (65_535, None),
        ];
        for (number, want) in cases {
            assert_eq!(register_number(number), want, "{number}");
        }
    }
}
