//! Lines as text.

use std::fmt;

use wiring::layout::Position;

use super::{
    crc::crc,
    line::{Answer, Body, Down, Line, Row, Sample, Scale, Up},
};

/// A line as it is sent, check and end included.
#[must_use]
pub fn encode(line: &Line) -> String {
    let text = line.to_string();
    let check = crc(text.as_bytes());
    format!("{text}*{check:04X}\r\n")
}

impl fmt::Display for Line {
    /// Everything from the start mark up to, not including, `*`.
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.body {
            Body::Up(up) => write!(out, "@{:02X}:{:04X} {up}", self.addr, self.seq),
            Body::Down(down) => write!(out, "#{:02X}:{:04X} {down}", self.addr, self.seq),
        }
    }
}

impl fmt::Display for Up {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Hello { versions: (low, high), keys } => {
                write!(out, "HI clp={low}-{high}")?;
                keys.iter().try_for_each(|(key, word)| write!(out, " {key}={word}"))
            }
            Self::Channel(row) => row.fmt(out),
            Self::TableEnd { count, check } => write!(out, "CE {count} {check:04X}"),
            Self::Readings { ms, first, values } => {
                write!(out, "RD {ms} {first}")?;
                values.iter().try_for_each(|value| write!(out, " {value}"))
            }
            Self::Packed { ms, first, values } => {
                write!(out, "RP {ms:X} {first:02X} ")?;
                let digits = |value: &Option<i16>| value.map_or(0x800, |v| v & 0xFFF);
                values.iter().try_for_each(|value| write!(out, "{:03X}", digits(value)))
            }
            Self::States { ms, codes } => {
                write!(out, "ST {ms}")?;
                codes.iter().try_for_each(|(at, code)| write!(out, " {at}={}", code.letter()))
            }
            Self::Event { ms, channel, kind, words } => {
                write!(out, "EV {ms} {channel} {kind}")?;
                more(out, words)
            }
            Self::Beat { ms, boot, permit_ms, dropped, bad } => {
                write!(out, "HB {ms} {boot:04X} {permit_ms} {dropped} {bad}")
            }
            Self::Ack { seq, answer, words } => {
                write!(out, "AK {seq:04X} {answer}")?;
                more(out, words)
            }
            Self::Log(words) => {
                out.write_str("LG")?;
                more(out, words)
            }
        }
    }
}

impl fmt::Display for Down {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Hello { version } => write!(out, "HI clp={version}"),
            Self::Go { version, boot, host } => {
                write!(out, "GO clp={version} boot={boot:04X} host={host:04X}")
            }
            Self::Permit { boot, ms } => write!(out, "PM {boot:04X} {ms}"),
            Self::Cut { channel: Some(channel), words } => {
                write!(out, "CUT {channel}")?;
                more(out, words)
            }
            Self::Cut { channel: None, words } => {
                out.write_str("CUT ALL")?;
                more(out, words)
            }
            Self::Arm { channel } => write!(out, "ARM {channel}"),
            Self::On { channel, token } => write!(out, "ON {channel} {token:04X}"),
            Self::Throw { channel, to, ms } => {
                let to = match to {
                    Position::Normal => "N",
                    Position::Reverse => "R",
                };
                write!(out, "THROW {channel} {to} {ms}")
            }
            Self::Rate { channel, hz } => write!(out, "RATE {channel} {hz}"),
            Self::Ping => out.write_str("PING"),
        }
    }
}

impl fmt::Display for Row {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { channel, kind, unit, scale, hz, label, spelled: _ } = self;
        write!(out, "CH {channel} {} {unit} {scale} {hz} {label}", kind.word())
    }
}

impl fmt::Display for Scale {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.places == 0 {
            return write!(out, "{}", self.digits);
        }
        let one = 10_u64.pow(u32::from(self.places));
        let places = usize::from(self.places);
        write!(out, "{}.{:0places$}", self.digits / one, self.digits % one)
    }
}

impl fmt::Display for Sample {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Value(value) => write!(out, "{value}"),
            Self::Missing => out.write_str("-"),
            Self::Over => out.write_str("^"),
            Self::Under => out.write_str("_"),
        }
    }
}

impl fmt::Display for Answer {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Ok => out.write_str("OK"),
            Self::Done => out.write_str("DONE"),
            Self::Token { token, ms } => write!(out, "TOK {token:04X} {ms}"),
            Self::No(word) => write!(out, "NO {word}"),
        }
    }
}

fn more(out: &mut fmt::Formatter<'_>, words: &[String]) -> fmt::Result {
    words.iter().try_for_each(|word| write!(out, " {word}"))
}
