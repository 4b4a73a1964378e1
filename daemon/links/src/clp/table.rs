//! A node's channel table, compared with the layout: what is not in the layout is not used.

use std::collections::BTreeMap;

use supervision::{
    input::{Announced, Invalid, MachinePosition, MeasuredPolarity, Value},
    value::from_number,
};
use wiring::{
    channel::{ChannelTable, Object, Quantity},
    index::ChannelIx,
    layout::Conductor,
    units::Micros,
};

use super::{
    crc::crc,
    line::{Code, Kind, Row, Sample},
};

/// Rows of one node at most; the grammar allows a thousand.
const MOST_ROWS: usize = 256;

/// Readings a second of a channel that trips, and the time between two. Unit: Hz.
pub(crate) const TRIP_HZ: u32 = 50;
const TRIP_PERIOD: Micros = Micros(1_000_000 / TRIP_HZ as u64);

/// A row resolved to the layout's channels.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Entry {
    pub(crate) kind: Kind,
    scale: f64,
    /// What its readings are of; none for a temperature.
    pub(crate) input: Option<(ChannelIx, Quantity)>,
    /// The order that it takes.
    pub(crate) output: Option<ChannelIx>,
    period: Option<Micros>,
}

/// All rows by channel number.
pub(crate) type Table = BTreeMap<u16, Entry>;

/// The rows as they come, and their check.
#[derive(Clone, Debug, Default)]
pub(crate) struct Rows {
    rows: Vec<Row>,
    bodies: String,
}

impl Rows {
    /// Takes one row. Beyond the limit they are dropped, and the check at the end fails.
    pub(crate) fn add(&mut self, row: Row) {
        if self.rows.len() < MOST_ROWS {
            if !self.bodies.is_empty() {
                self.bodies.push('\n');
            }
            self.bodies.push_str(&row.spelled);
            self.rows.push(row);
        }
    }

    /// The table came whole.
    pub(crate) fn is_whole(&self, count: u32, check: u16) -> bool {
        self.rows.len() == count as usize && crc(self.bodies.as_bytes()) == check
    }

    /// Compares with the layout.
    pub(crate) fn resolve(&self, channels: &ChannelTable) -> Result<Table, String> {
        let mut table = Table::new();
        for row in &self.rows {
            let entry = entry(row, channels)?;
            let taken = table.values().any(|it| it.input.is_some() && it.input == entry.input);
            if taken || table.insert(row.channel, entry).is_some() {
                return Err(format!("channel {} of its table stands there twice", row.channel));
            }
        }
        Ok(table)
    }
}

fn entry(row: &Row, channels: &ChannelTable) -> Result<Entry, String> {
    let scale = row.scale.number();
    let (unit, input, output) = expected(row.kind);
    if row.unit != unit && row.kind != Kind::Temperature {
        return Err(format!("{}: unit `{}` where `{unit}` belongs", row.label, row.unit));
    }
    if scale <= 0.0 {
        return Err(format!("{}: scale {} is not above zero", row.label, row.scale));
    }
    let find = |quantity: Quantity| {
        let name = format!("{}/{}", row.label, quantity.word());
        channels.find(&name).ok_or_else(|| format!("{name} is no channel of the layout"))
    };
    Ok(Entry {
        kind: row.kind,
        scale,
        input: input.map(|it| find(it).map(|channel| (channel, it))).transpose()?,
        output: output.map(find).transpose()?,
        period: (row.hz > 0).then(|| Micros(1_000_000 / u64::from(row.hz))),
    })
}

/// Unit, what is read and what is ordered, by kind.
const fn expected(kind: Kind) -> (&'static str, Option<Quantity>, Option<Quantity>) {
    match kind {
        Kind::Current => ("A", Some(Quantity::Current), None),
        Kind::Voltage => ("V", Some(Quantity::Voltage), None),
        Kind::Position => ("-", Some(Quantity::Position), Some(Quantity::Throw)),
        Kind::Polarity => ("-", Some(Quantity::Polarity), None),
        Kind::Output => ("-", Some(Quantity::Feedback), Some(Quantity::Power)),
        Kind::Occupied => ("-", Some(Quantity::Occupied), None),
        Kind::Temperature => ("-", None, None),
    }
}

impl Entry {
    /// A current that trips, announced with fewer readings a second than a trip wants.
    pub(crate) fn is_slow_trip(&self, channels: &ChannelTable) -> bool {
        let Some((channel, Quantity::Current)) = self.input else { return false };
        let is_district = matches!(channels.channel(channel).object, Object::District(_));
        is_district && self.period.is_none_or(|it| it > TRIP_PERIOD)
    }

    /// It sends so many readings a second from now on.
    pub(crate) fn set_rate(&mut self, hz: u32) {
        self.period = (hz > 0).then(|| Micros(1_000_000 / u64::from(hz)));
    }

    /// What the supervisor is told about it.
    pub(crate) fn announced(&self) -> impl Iterator<Item = Announced> {
        let input = self.input.map(|(channel, _)| Announced::input(channel, self.period));
        let power = self.output.filter(|_| self.kind == Kind::Output);
        let output = power.map(Announced::output);
        input.into_iter().chain(output)
    }

    /// The value of a sample; an error names what is wrong.
    pub(crate) fn value(&self, sample: Sample) -> Result<Value, &'static str> {
        let quantity = match (self.kind, self.input) {
            (Kind::Current | Kind::Voltage, Some((_, quantity))) => quantity,
            _ => return Err("is a reading of a channel that has no numbers"),
        };
        match sample {
            Sample::Missing => Ok(Value::Invalid(Invalid::Sensor)),
            Sample::Over => Ok(Value::Invalid(Invalid::OverRange)),
            Sample::Under => Ok(Value::Invalid(Invalid::UnderRange)),
            Sample::Value(number) => from_number(quantity, f64::from(number) * self.scale)
                .map_err(|_| "is not of plausible size"),
        }
    }

    /// The value of a state; an error names what is wrong.
    pub(crate) fn state(&self, code: Code) -> Result<Value, &'static str> {
        let value = match (self.kind, code) {
            (Kind::Position, Code::Normal) => Value::Position(MachinePosition::Normal),
            (Kind::Position, Code::Reverse) => Value::Position(MachinePosition::Reverse),
            (Kind::Position, Code::Moving) => Value::Position(MachinePosition::Moving),
            (Kind::Position, Code::Unknown | Code::Conflict) => {
                Value::Position(MachinePosition::Unknown)
            }
            (Kind::Polarity, Code::ConductorA) => {
                Value::Polarity(MeasuredPolarity::On(Conductor::A))
            }
            (Kind::Polarity, Code::ConductorB) => {
                Value::Polarity(MeasuredPolarity::On(Conductor::B))
            }
            (Kind::Polarity, Code::Dead) => Value::Polarity(MeasuredPolarity::Dead),
            (Kind::Output, Code::On) => Value::Feedback(true),
            (Kind::Output, Code::Off) => Value::Feedback(false),
            (Kind::Occupied, Code::On) => Value::Occupied(true),
            (Kind::Occupied, Code::Off) => Value::Occupied(false),
            (Kind::Polarity | Kind::Output | Kind::Occupied, Code::Unknown) => {
                Value::Invalid(Invalid::Sensor)
            }
            _ => return Err("is a state that its channel does not have"),
        };
        Ok(value)
    }
}
