//! The grammar of the layout file, as one table of data: which tables there are, which keys each takes, what kind of
//! value a key wants, whether it must be given, and its default as it would be written.
//!
//! The reader, the list of assumed values, the suggestions, the JSON Schema and the key reference all come from here.

mod change_keys;
mod layout_keys;
mod link_keys;
mod modbus_keys;
mod mqtt_keys;
mod protection_keys;
mod trackwork_keys;
mod words;

pub use change_keys::CHANGES;
pub use layout_keys::{DEFAULT_MACHINE, ROOT};
pub use protection_keys::PROTECTION_KEYS;
pub use trackwork_keys::{ALL_PORTS, KINDS, KindRule};
pub use words::{one_of, thousandths};

use crate::quantity::Dimension;

/// One table of the file.
#[derive(Debug)]
pub struct Table {
    /// Its header as it would be written, with `ID` for an id: `district.ID`.
    pub header: &'static str,
    /// What it describes, one line.
    pub doc: &'static str,
    /// Its keys.
    pub keys: &'static [Key],
    /// What objects of it are called in subjects: `district`. Empty: the subject of the table it stands in.
    pub subject: &'static str,
    /// What happens to keys that are not given.
    pub fill: Fill,
    /// Further keys are passed on unread.
    pub open: bool,
}

/// What happens to keys that a table does not give.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Fill {
    /// The default is taken and listed as assumed.
    Assume,
    /// The default is taken; another list tells of it.
    Quiet,
    /// Nothing: an outer table decides.
    Nothing,
}

/// One key of a table.
#[derive(Clone, Copy, Debug)]
pub struct Key {
    /// Its name.
    pub name: &'static str,
    /// Its name in the list of assumed values: with the inline table it stands in.
    pub path: &'static str,
    /// What it takes.
    pub value: Value,
    /// Whether it must be given.
    pub need: Need,
    /// What it means, one line.
    pub doc: &'static str,
}

/// Whether a key must be given, and what holds where it is not.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Need {
    /// It must be given.
    Required,
    /// This value, as it would be written.
    Default(&'static str),
    /// What these words say.
    Depends(&'static str),
    /// Nothing.
    Optional,
}

/// Kind of a value.
#[derive(Clone, Copy, Debug)]
pub enum Value {
    /// Any text that is not empty.
    Text,
    /// Any text, also an empty one.
    AnyText,
    /// One of these words.
    Word(&'static [&'static str]),
    /// `true` or `false`.
    Flag,
    /// A quantity with unit, within bounds (both allowed) in base units of its dimension.
    Amount {
        /// What it is of.
        dimension: Dimension,
        /// The least.
        least: i64,
        /// The most.
        most: i64,
    },
    /// A wire size.
    Wire,
    /// A rail code such as `code 83`.
    Rail,
    /// A bare whole number within bounds.
    Count {
        /// The least.
        least: i64,
        /// The most.
        most: i64,
    },
    /// A bare factor, bounds in thousandths.
    Factor {
        /// The least.
        least: i64,
        /// The most.
        most: i64,
    },
    /// Any finite bare number.
    Number,
    /// The id of another table's entry.
    Id(Referent),
    /// `MACHINE.N`.
    Pole,
    /// An end of a track: `TRACKWORK.PORT` or a name.
    End,
    /// What a contact is tied to.
    Tie,
    /// An array of at most so many.
    List {
        /// Kind of each.
        of: &'static Value,
        /// The fewest.
        least: usize,
        /// The most.
        most: usize,
    },
    /// Any of several kinds.
    OneOf(&'static [Value]),
    /// A table.
    Table(&'static Table),
    /// A table of tables by id.
    ById(&'static Table),
    /// An array of tables.
    Rows(&'static Table),
    /// A table with keys of the owner's own.
    Map(&'static Value),
}

/// What an id refers to.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub enum Referent {
    /// A booster.
    Booster,
    /// A district.
    District,
    /// A block.
    Block,
    /// A machine.
    Machine,
    /// Trackwork.
    Trackwork,
    /// A port of trackwork.
    Port,
    /// A channel.
    Channel,
}

impl Referent {
    /// As a person says it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Booster => "booster",
            Self::District => "district",
            Self::Block => "block",
            Self::Machine => "machine",
            Self::Trackwork => "trackwork",
            Self::Port => "port",
            Self::Channel => "channel",
        }
    }
}

/// Most characters of an id.
pub const ID_LENGTH_MAX: usize = 32;
/// Most characters of any other text.
pub const TEXT_LENGTH_MAX: usize = 500;
/// Most poles of a machine.
pub const POLES_MAX: i64 = 8;
/// Most entries of a list that has no natural bound.
pub const LIST_LENGTH_MAX: usize = 64;

impl Table {
    /// The key of a name.
    #[must_use]
    pub fn key(&self, name: &str) -> Option<&'static Key> {
        self.keys.iter().find(|key| key.name == name)
    }
}

/// A key that must be given.
const fn must(name: &'static str, value: Value, doc: &'static str) -> Key {
    Key { name, path: name, value, need: Need::Required, doc }
}

/// A key with a default.
const fn or(name: &'static str, value: Value, default: &'static str, doc: &'static str) -> Key {
    Key { name, path: name, value, need: Need::Default(default), doc }
}

/// A key whose default depends on other things.
const fn depends(name: &'static str, value: Value, on: &'static str, doc: &'static str) -> Key {
    Key { name, path: name, value, need: Need::Depends(on), doc }
}

/// A key that may be left out.
const fn may(name: &'static str, value: Value, doc: &'static str) -> Key {
    Key { name, path: name, value, need: Need::Optional, doc }
}

/// The same key as listed when it stands in an inline table.
const fn at(path: &'static str, key: Key) -> Key {
    Key { name: key.name, path, value: key.value, need: key.need, doc: key.doc }
}

const MILLI: i64 = 1000;
const UNIT: i64 = 1_000_000;

const fn current(least: i64, most: i64) -> Value {
    Value::Amount { dimension: Dimension::Current, least, most }
}

const fn resistance(least: i64) -> Value {
    Value::Amount { dimension: Dimension::Resistance, least, most: 1_000_000 * UNIT }
}

const fn length(least: i64) -> Value {
    Value::Amount { dimension: Dimension::Length, least, most: 1000 * UNIT }
}

const fn time(least: i64, most: i64) -> Value {
    Value::Amount { dimension: Dimension::Time, least, most }
}

/// Booster and breaker currents: up to a hundred amperes.
const SUPPLY_CURRENT: Value = current(1, 100 * UNIT);
/// Thresholds of detection: from nothing.
const SMALL_CURRENT: Value = current(0, 100 * UNIT);
/// Delays: from nothing to an hour.
const DELAY: Value = time(0, 3600 * UNIT);
/// Spans that cannot be nothing.
const SPAN: Value = time(1, 3600 * UNIT);
const CONDUCTORS: Value = Value::Word(&["A", "B"]);
const TEXT: Value = Value::Text;
const ANY_TEXT: Value = Value::AnyText;
