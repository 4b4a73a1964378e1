//! Everything that can be wrong with a layout file, as data. The texts are in `message.rs`.

use crate::{grammar::Referent, layout::Span, quantity::Dimension, terminals::truth::TruthError};

/// One thing that is wrong with the file.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct FileError {
    /// Where.
    pub span: Span,
    /// Other places that have to do with it, each with a word on what is there.
    pub also: Vec<(Span, &'static str)>,
    /// The object it is about: `district/quarry`; `layout` where it is about none.
    pub subject: String,
    /// What.
    pub kind: FileErrorKind,
}

/// What is wrong.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum FileErrorKind {
    /// A value with a unit stands without quotes.
    Unquoted {
        /// The value as it stands.
        value: String,
    },
    /// A key or table is given twice.
    Doubled {
        /// Its name.
        name: String,
    },
    /// The text is not TOML in another way.
    Syntax {
        /// In which.
        detail: String,
        /// What to write instead.
        remedy: &'static str,
    },
    /// The file is larger than any layout.
    TooLarge {
        /// Its size. Unit: byte.
        bytes: usize,
    },
    /// The file describes nothing to watch.
    Empty,
    /// No such key.
    KeyUnknown {
        /// As written.
        key: String,
        /// The header of the table it stands in; empty for the top of the file.
        table: String,
        /// The key that was likely meant.
        nearest: Option<String>,
        /// What the table takes.
        known: Vec<&'static str>,
    },
    /// The key exists, but not for this kind of trackwork.
    KeyMisplaced {
        /// The key.
        key: &'static str,
        /// The kind with its article.
        kind: &'static str,
        /// What that kind takes.
        takes: Vec<&'static str>,
    },
    /// A key that must be given is not.
    KeyMissing {
        /// The key.
        key: &'static str,
        /// The table as it stands in the file.
        table: String,
        /// An example of its value.
        example: String,
    },
    /// Two keys of which only one may be given.
    KeysClash {
        /// One.
        first: &'static str,
        /// The other.
        second: &'static str,
    },
    /// The value is of another kind.
    ValueWrong {
        /// The key.
        key: String,
        /// As written.
        found: String,
        /// What it must be, with its article.
        wanted: String,
        /// What was likely meant, as it would be written.
        write: Option<String>,
    },
    /// The value is of the right kind and out of bounds.
    OutOfBounds {
        /// The key.
        key: String,
        /// As written.
        found: String,
        /// The least, as it would be written.
        least: String,
        /// The most, as it would be written.
        most: String,
    },
    /// `clear-below` is not below `occupied-above`.
    ThresholdsCross {
        /// The value of `clear-below`.
        clear_below: String,
        /// The value of `occupied-above`.
        occupied_above: String,
    },
    /// A number without a unit.
    UnitMissing {
        /// The key.
        key: String,
        /// The number.
        number: String,
        /// Units that it may have meant, the usual one first.
        units: Vec<&'static str>,
    },
    /// A unit of another dimension, or one that the file does not know.
    UnitWrong {
        /// The key.
        key: String,
        /// The number.
        number: String,
        /// The unit as written.
        unit: String,
        /// What it measures, where it is a unit of the file.
        is: Option<Dimension>,
        /// What it should measure.
        wanted: Dimension,
        /// The unit that was likely meant.
        meant: Option<&'static str>,
    },
    /// An id with characters or a length that ids do not have.
    IdBad {
        /// As written.
        id: String,
        /// Why.
        why: IdProblem,
    },
    /// A reference to something that does not exist.
    Unknown {
        /// What it should be.
        what: Referent,
        /// As written.
        id: String,
        /// The existing one that was likely meant.
        nearest: Option<String>,
        /// Those that exist, a few of them.
        known: Vec<String>,
    },
    /// A track's end names trackwork without a port.
    PortMissing {
        /// The trackwork.
        trackwork: String,
        /// Its ports as they would be written.
        ports: Vec<String>,
    },
    /// A pole that is not written as one.
    PoleBad {
        /// As written.
        pole: String,
        /// An example of one, of the machine that is named where it exists.
        write: String,
    },
    /// A pole with a higher number than its machine has.
    PoleBeyond {
        /// The machine.
        machine: String,
        /// The number.
        number: u32,
        /// How many poles it has.
        poles: usize,
    },
    /// One pole is listed twice for one frog.
    PoleDoubled {
        /// The pole.
        pole: String,
    },
    /// More tracks meet at an end than can.
    EndTaken {
        /// The end.
        end: String,
        /// The track that is there already.
        track: String,
    },
    /// A machine's truth table is not that of change-over contacts.
    TruthWrong {
        /// Why.
        problem: TruthError,
    },
    /// Two reversers for one block.
    ReverserDoubled {
        /// The block.
        block: String,
        /// The first one.
        first: String,
    },
}

/// Why a text is no id.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum IdProblem {
    /// No character at all.
    Empty,
    /// Too many characters.
    Long,
    /// This character.
    Character(char),
}

impl FileErrorKind {
    /// Stable code, as in `check --format json`.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Self::Unquoted { .. } | Self::Doubled { .. } | Self::Syntax { .. } => "syntax",
            Self::TooLarge { .. } => "file-too-large",
            Self::Empty => "layout-empty",
            Self::KeyUnknown { .. } => "key-unknown",
            Self::KeyMisplaced { .. } => "key-misplaced",
            Self::KeyMissing { .. } => "key-missing",
            Self::KeysClash { .. } => "key-clash",
            Self::ValueWrong { .. } | Self::OutOfBounds { .. } | Self::ThresholdsCross { .. } => {
                "value-wrong"
            }
            Self::UnitMissing { .. } => "unit-missing",
            Self::UnitWrong { .. } => "unit-wrong",
            Self::IdBad { .. } => "id-bad",
            Self::Unknown { what, .. } => match what {
                Referent::Booster => "booster-unknown",
                Referent::District => "district-unknown",
                Referent::Block => "block-unknown",
                Referent::Machine => "machine-unknown",
                Referent::Trackwork | Referent::Port => "port-unknown",
                Referent::Channel => "channel-unknown",
            },
            Self::PortMissing { .. } => "port-unknown",
            Self::PoleBad { .. } => "pole-unknown",
            Self::PoleBeyond { .. } => "pole-missing",
            Self::PoleDoubled { .. } => "pole-doubled",
            Self::EndTaken { .. } => "end-taken",
            Self::TruthWrong { .. } => "truth-wrong",
            Self::ReverserDoubled { .. } => "reverser-doubled",
        }
    }

    /// It is about a single key or value and stays true whatever else the file says.
    pub(super) const fn is_of_form(&self) -> bool {
        matches!(
            self,
            Self::KeyUnknown { .. }
                | Self::KeyMisplaced { .. }
                | Self::ValueWrong { .. }
                | Self::OutOfBounds { .. }
                | Self::UnitMissing { .. }
                | Self::UnitWrong { .. }
                | Self::IdBad { .. }
        )
    }
}
