//! What a line says, as values.

use wiring::layout::Position;

/// One line.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Line {
    /// 0 anyone, 1 to 254 a node, 255 all.
    pub addr: u8,
    /// Each direction counts its own, modulo 65536.
    pub seq: u16,
    /// What it says.
    pub body: Body,
}

/// By direction.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Body {
    /// `@`: from the node.
    Up(Up),
    /// `#`: to the node.
    Down(Down),
}

/// From a node.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Up {
    /// `HI`: it introduces itself.
    Hello {
        /// Lowest and highest version offered.
        versions: (u32, u32),
        /// `id=`, `boot=` … in order.
        keys: Vec<(String, String)>,
    },
    /// `CH`: one row of its channel table.
    Channel(Row),
    /// `CE`: end of the table.
    TableEnd {
        /// Rows.
        count: u32,
        /// Check over the bodies of all `CH` lines, joined by line feeds.
        check: u16,
    },
    /// `RD`: readings of consecutive channels.
    Readings {
        /// Node time. Unit: ms.
        ms: u32,
        /// First channel.
        first: u16,
        /// Values, in units of the channel's scale.
        values: Vec<Sample>,
    },
    /// `RP`: the same, packed.
    Packed {
        /// Node time. Unit: ms.
        ms: u32,
        /// First channel.
        first: u8,
        /// Values; none: no value.
        values: Vec<Option<i16>>,
    },
    /// `ST`: discrete states.
    States {
        /// Node time. Unit: ms.
        ms: u32,
        /// Channel and code.
        codes: Vec<(u16, Code)>,
    },
    /// `EV`: something happened at a channel.
    Event {
        /// Node time. Unit: ms.
        ms: u32,
        /// Channel.
        channel: u16,
        /// `TRIP WDT RST LOW BTN`.
        kind: String,
        /// More.
        words: Vec<String>,
    },
    /// `HB`: heartbeat.
    Beat {
        /// Node time. Unit: ms.
        ms: u32,
        /// Boot nonce.
        boot: u16,
        /// Permit left. Unit: ms.
        permit_ms: u32,
        /// Lines that the node dropped because its queue was full.
        dropped: u32,
        /// Lines that it could not use.
        bad: u32,
    },
    /// `AK`: answer to a command.
    Ack {
        /// The command's sequence number.
        seq: u16,
        /// The answer.
        answer: Answer,
        /// More.
        words: Vec<String>,
    },
    /// `LG`: words for a log.
    Log(Vec<String>),
}

/// To a node.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Down {
    /// `HI`: introduce yourself.
    Hello {
        /// Version.
        version: u32,
    },
    /// `GO`: the session starts.
    Go {
        /// Version agreed upon.
        version: u32,
        /// The node's boot nonce.
        boot: u16,
        /// The host's nonce.
        host: u16,
    },
    /// `PM`: outputs may stay on.
    Permit {
        /// The node's boot nonce.
        boot: u16,
        /// For how long. Unit: ms, at most 5000.
        ms: u32,
    },
    /// `CUT`.
    Cut {
        /// Channel; none: all.
        channel: Option<u16>,
        /// Why.
        words: Vec<String>,
    },
    /// `ARM`: ask for a token.
    Arm {
        /// Channel.
        channel: u16,
    },
    /// `ON`, with the token.
    On {
        /// Channel.
        channel: u16,
        /// Token.
        token: u16,
    },
    /// `THROW`.
    Throw {
        /// Channel.
        channel: u16,
        /// Where to.
        to: Position,
        /// Motor current ends after this. Unit: ms.
        ms: u32,
    },
    /// `RATE`.
    Rate {
        /// Channel.
        channel: u16,
        /// Readings a second; 0: on change, or off.
        hz: u32,
    },
    /// `PING`.
    Ping,
}

/// A row of a channel table.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Row {
    /// Channel number.
    pub channel: u16,
    /// What it is.
    pub kind: Kind,
    /// `A`, `V`, or `-`.
    pub unit: String,
    /// Physical value = integer x scale.
    pub scale: Scale,
    /// Readings a second; 0: on change.
    pub hz: u32,
    /// Object part of the channel's name.
    pub label: String,
    /// The body as it stood, which the table's check covers: numbers may have leading zeros.
    pub spelled: String,
}

/// Kind of a channel.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Kind {
    /// `cur`.
    Current,
    /// `volt`.
    Voltage,
    /// `pos`.
    Position,
    /// `pol`.
    Polarity,
    /// `out`.
    Output,
    /// `occ`.
    Occupied,
    /// `temp`.
    Temperature,
}

impl Kind {
    /// All kinds with their words.
    pub const ALL: [(Self, &'static str); 7] = [
        (Self::Current, "cur"),
        (Self::Voltage, "volt"),
        (Self::Position, "pos"),
        (Self::Polarity, "pol"),
        (Self::Output, "out"),
        (Self::Occupied, "occ"),
        (Self::Temperature, "temp"),
    ];

    /// As on the line.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(kind, _)| *kind == self).map_or("", |(_, word)| word)
    }
}

/// A decimal number, exact: `digits` / 10^`places`.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Scale {
    /// All digits.
    pub digits: u64,
    /// Decimal places, at most 6.
    pub places: u8,
}

impl Scale {
    /// As a number.
    #[must_use]
    pub fn number(self) -> f64 {
        self.digits as f64 / 10_f64.powi(i32::from(self.places))
    }
}

/// One value of a reading.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Sample {
    /// In units of the channel's scale.
    Value(i32),
    /// `-`: no value.
    Missing,
    /// `^`: above range.
    Over,
    /// `_`: below range.
    Under,
}

/// A discrete state.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Code {
    /// `N`.
    Normal,
    /// `R`.
    Reverse,
    /// `M`.
    Moving,
    /// `C`.
    Conflict,
    /// `U`.
    Unknown,
    /// `A`.
    ConductorA,
    /// `B`.
    ConductorB,
    /// `D`.
    Dead,
    /// `0`.
    Off,
    /// `1`.
    On,
}

impl Code {
    /// All codes with their letters.
    pub const ALL: [(Self, &'static str); 10] = [
        (Self::Normal, "N"),
        (Self::Reverse, "R"),
        (Self::Moving, "M"),
        (Self::Conflict, "C"),
        (Self::Unknown, "U"),
        (Self::ConductorA, "A"),
        (Self::ConductorB, "B"),
        (Self::Dead, "D"),
        (Self::Off, "0"),
        (Self::On, "1"),
    ];

    /// As on the line.
    #[must_use]
    pub fn letter(self) -> &'static str {
        Self::ALL.iter().find(|(code, _)| *code == self).map_or("", |(_, letter)| letter)
    }
}

/// The answer to a command.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Answer {
    /// `OK`: accepted.
    Ok,
    /// `DONE`: a throw has arrived.
    Done,
    /// `TOK`: a token, and how long it is valid.
    Token {
        /// The token.
        token: u16,
        /// Unit: ms.
        ms: u32,
    },
    /// `NO`, and why.
    No(String),
}
