//! The texts of file errors: what is wrong, and what to write instead.

use std::fmt::Write as _;

use super::{
    FILE_SIZE_MAX,
    error::{FileError, FileErrorKind, IdProblem},
};
use crate::{
    grammar::{ID_LENGTH_MAX, Referent, one_of},
    quantity::Dimension,
};

/// Of a list of what exists, no more than this many are named.
const NAMED_MAX: usize = 12;

impl FileError {
    /// Stable code, as in `check --format json`.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        self.kind.code()
    }

    /// What is wrong.
    #[must_use]
    pub fn message(&self) -> String {
        self.kind.message()
    }

    /// What to write instead.
    #[must_use]
    pub fn remedy(&self) -> String {
        self.kind.remedy()
    }
}

impl FileErrorKind {
    /// What is wrong.
    #[must_use]
    pub fn message(&self) -> String {
        match self {
            Self::Unquoted { value } => format!("`{value}` stands without quotes"),
            Self::Doubled { name } => format!("`{name}` is given twice"),
            Self::Syntax { detail, .. } => detail.clone(),
            Self::TooLarge { bytes } => {
                format!("the file has {bytes} bytes; at most {FILE_SIZE_MAX} are read")
            }
            Self::Empty => "the file names no district, so there is nothing to watch".to_owned(),
            Self::KeyUnknown { key, table, .. } if table.is_empty() => {
                format!("there is no table or key `{key}`")
            }
            Self::KeyUnknown { key, table, .. } => format!("[{table}] has no key `{key}`"),
            Self::KeyMisplaced { key, kind, .. } => format!("{kind} has no `{key}`"),
            Self::KeyMissing { key, table, .. } => format!("{table} does not say `{key}`"),
            Self::KeysClash { first, second } => {
                format!("`{first}` and `{second}` are both given")
            }
            Self::ValueWrong { key, found, wanted, .. } => {
                format!("`{key}` must be {wanted}; here it is {found}")
            }
            Self::OutOfBounds { key, found, least, most } if least == most => {
                format!("`{key}` is {found}; it must be {least}")
            }
            Self::OutOfBounds { key, found, least, most } => {
                format!("`{key}` is {found}; it may be from {least} to {most}")
            }
            Self::ThresholdsCross { clear_below, occupied_above } => format!(
                "`clear-below` ({clear_below}) must be less than `occupied-above` \
                 ({occupied_above}), or the block would flicker"
            ),
            Self::UnitMissing { key, number, .. } => {
                format!("`{key}` has no unit: {number} of what?")
            }
            Self::UnitWrong { .. } => self.unit_message(),
            Self::IdBad { id, why } => format!("`{id}` cannot be an id: {}", why.words()),
            Self::Unknown { what, id, .. } => unknown_message(*what, id),
            Self::PortMissing { trackwork, .. } => {
                format!("`{trackwork}` is trackwork; the end does not say which port")
            }
            Self::PoleBad { pole, .. } => format!("`{pole}` is not the name of a pole"),
            Self::PoleBeyond { machine, number, poles } => format!(
                "machine {machine} has {}; there is no pole {number}",
                counted(*poles, "pole")
            ),
            Self::PoleDoubled { pole } => format!("pole {pole} is listed twice"),
            Self::EndTaken { end, track } => {
                format!("track {track} already ends at `{end}`, and there is room for no more")
            }
            Self::TruthWrong { problem } => problem.message(),
            Self::ReverserDoubled { block, first } => {
                format!("block {block} already has the reverser {first}")
            }
        }
    }

    /// What to write instead.
    #[must_use]
    pub fn remedy(&self) -> String {
        match self {
            Self::Unquoted { value } => format!("put it in straight quotes: \"{value}\""),
            Self::Doubled { name } => {
                format!("give one of them another name, or put all into the first `{name}`")
            }
            Self::Syntax { remedy, .. } => (*remedy).to_owned(),
            Self::TooLarge { .. } => "leave out what does not belong to the layout".to_owned(),
            Self::Empty => {
                "add a [booster.ID] and a [district.ID] with booster = \"ID\"".to_owned()
            }
            Self::KeyUnknown { nearest: Some(nearest), .. } => format!("write `{nearest}`"),
            Self::KeyUnknown { known, .. } => format!("known here: {}", listed(known)),
            Self::KeyMisplaced { takes, .. } => {
                format!("leave it out; this kind takes {}", listed(takes))
            }
            Self::KeyMissing { key, example, .. } => format!("add {key} = {example}"),
            Self::KeysClash { first, second } => format!("give `{first}` or `{second}`, not both"),
            Self::ValueWrong { key, write: Some(write), .. } => format!("write {key} = {write}"),
            Self::ValueWrong { wanted, .. } => format!("write {wanted}"),
            Self::OutOfBounds { least, most, .. } if least == most => format!("write {least}"),
            Self::OutOfBounds { least, most, .. } => {
                format!("write a value from {least} to {most}")
            }
            Self::ThresholdsCross { .. } => {
                "lower `clear-below`, or raise `occupied-above`".to_owned()
            }
            Self::UnitMissing { number, units, .. } => {
                let forms: Vec<String> =
                    units.iter().map(|unit| format!("{number} {unit}")).collect();
                let forms: Vec<&str> = forms.iter().map(String::as_str).collect();
                format!("write {}", one_of(&forms))
            }
            Self::UnitWrong { .. } => self.unit_remedy(),
            Self::IdBad { .. } => {
                format!("use letters, digits, - and _ only, from 1 to {ID_LENGTH_MAX} of them")
            }
            Self::Unknown { .. } => self.unknown_remedy(),
            Self::PortMissing { ports, .. } => format!("write {}", quoted(ports)),
            Self::PoleBad { write, .. } => {
                format!("write the machine, a point, and the number from 1: \"{write}\"")
            }
            Self::PoleBeyond { machine, number, poles } => pole_remedy(machine, *number, *poles),
            Self::PoleDoubled { .. } => "list each pole once".to_owned(),
            Self::EndTaken { .. } => {
                "two tracks meet at an end of your own, and one at a port: correct the end, put a \
                 turnout there, or give the bridge of a turntable both its ends there"
                    .to_owned()
            }
            Self::TruthWrong { problem } => problem.remedy(),
            Self::ReverserDoubled { .. } => {
                "one reverser swaps one block: leave out the second, or name its own block"
                    .to_owned()
            }
        }
    }

    fn unit_message(&self) -> String {
        let Self::UnitWrong { key, unit, is, wanted, .. } = self else {
            return String::new();
        };
        match is {
            Some(is) => {
                format!("`{key}` is {}, but {unit} is the unit of {}", wanted.words(), is.words())
            }
            None => format!("`{key}` is {}, and `{unit}` is no unit of it", wanted.words()),
        }
    }

    fn unit_remedy(&self) -> String {
        let Self::UnitWrong { number, wanted, meant, .. } = self else {
            return String::new();
        };
        if let Some(meant) = meant {
            return format!("write \"{number} {meant}\"");
        }
        let units: Vec<&str> = Dimension::units(*wanted).collect();
        format!("write the value in {}", plain(&units, " or "))
    }

    fn unknown_remedy(&self) -> String {
        let Self::Unknown { what, nearest, known, .. } = self else {
            return String::new();
        };
        if let Some(nearest) = nearest {
            return format!("write \"{nearest}\"");
        }
        let word = what.word();
        match (what, known.is_empty()) {
            (Referent::Channel, _) => "write a channel of this layout, such as \
                                       \"block/ID/current\""
                .to_owned(),
            (Referent::Port, _) => format!("write {}", quoted(known)),
            (_, true) => format!("add a table [{word}.ID] for it"),
            (_, false) => {
                let known: Vec<&str> = known.iter().map(String::as_str).collect();
                format!("add a table [{word}.ID] for it, or name one of: {}", listed(&known))
            }
        }
    }
}

impl IdProblem {
    fn words(self) -> String {
        match self {
            Self::Empty => "it is empty".to_owned(),
            Self::Long => format!("it has more than {ID_LENGTH_MAX} characters"),
            Self::Character(' ') => "it has a space".to_owned(),
            Self::Character(character) => format!("it has `{}`", character.escape_debug()),
        }
    }
}

fn unknown_message(what: Referent, id: &str) -> String {
    match what {
        Referent::Machine => {
            format!("there is no machine `{id}`: no table, and no trackwork names it")
        }
        Referent::Port => format!("there is no port `{id}`"),
        Referent::Booster
        | Referent::District
        | Referent::Block
        | Referent::Trackwork
        | Referent::Channel => format!("there is no {} `{id}`", what.word()),
    }
}

fn pole_remedy(machine: &str, number: u32, poles: usize) -> String {
    let mut text = match poles {
        0 => "name a pole of another machine".to_owned(),
        1 => format!("write \"{machine}.1\""),
        most => format!("write \"{machine}.1\" to \"{machine}.{most}\""),
    };
    let _ = write!(
        text,
        "; if the machine does have {number}, write poles = {number} in [machine.{machine}]"
    );
    text
}

fn counted(count: usize, noun: &str) -> String {
    match count {
        0 => format!("no {noun}s"),
        1 => format!("1 {noun}"),
        more => format!("{more} {noun}s"),
    }
}

fn listed(names: &[&str]) -> String {
    if names.len() <= NAMED_MAX {
        return plain(names, ", ");
    }
    format!("{} and {} more", plain(&names[..NAMED_MAX], ", "), names.len() - NAMED_MAX)
}

fn plain(names: &[&str], between: &str) -> String {
    names.join(between)
}

fn quoted(names: &[String]) -> String {
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    one_of(&names)
}
