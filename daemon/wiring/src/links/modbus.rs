//! `[links.modbus.NAME]`: one line or gateway, its units, and what their registers and coils mean.

use std::collections::BTreeMap;

use super::Deadman;
use crate::units::Micros;

/// `[links.modbus.NAME]`.
#[derive(Clone, Debug)]
pub struct ModbusSettings {
    /// NAME.
    pub name: String,
    /// `device = "/dev/…"` for RTU, `tcp = "host:502"` for TCP.
    pub device: String,
    /// Modbus TCP.
    pub tcp: bool,
    /// `baud`. Default 19200.
    pub baud: u32,
    /// `parity`. Default even.
    pub parity: char,
    /// `stop`: stop bits. Default 1.
    pub stop: u8,
    /// `quiet`: gap between frames over the 3.5 characters of the standard, for cheap devices.
    pub quiet: Micros,
    /// `timeout`: longest time from the end of a question to the beginning of its answer.
    pub timeout: Micros,
    /// `reply-max`: the longest after a question that any answer to it was ever seen. After a failed question the line
    /// rests until then.
    pub reply_max: Micros,
    /// `broadcast-off`: coils from 0 that a broadcast switches off when everything is cut.
    pub broadcast_off: Option<u16>,
    /// `[[links.modbus.NAME.unit]]`.
    pub units: Vec<ModbusUnit>,
}

/// `[[links.modbus.NAME.unit]]`: one device on the line.
#[derive(Clone, Debug)]
pub struct ModbusUnit {
    /// `address`: 1 to 247.
    pub address: u8,
    /// `label`: its name in texts; none: NAME-ADDRESS.
    pub label: Option<String>,
    /// `poll`: every point is read this often.
    pub poll: Micros,
    /// `points`.
    pub points: Vec<ModbusPoint>,
    /// `outputs`.
    pub outputs: Vec<ModbusOutput>,
    /// `pulse-every`: a dead-man's coil changes this often.
    pub pulse_every: Micros,
    /// `identity`.
    pub identity: Option<ModbusIdentity>,
}

/// Which of a unit's four tables.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub enum ModbusTable {
    /// Function 1.
    Coils,
    /// Function 2.
    Inputs,
    /// Function 3.
    Holding,
    /// Function 4.
    InputRegisters,
}

impl ModbusTable {
    /// The function that reads it.
    #[must_use]
    pub const fn function(self) -> u8 {
        match self {
            Self::Coils => 1,
            Self::Inputs => 2,
            Self::Holding => 3,
            Self::InputRegisters => 4,
        }
    }

    /// The table that a function reads.
    #[must_use]
    pub const fn of(function: i64) -> Option<Self> {
        match function {
            1 => Some(Self::Coils),
            2 => Some(Self::Inputs),
            3 => Some(Self::Holding),
            4 => Some(Self::InputRegisters),
            _ => None,
        }
    }

    /// It holds single bits.
    #[must_use]
    pub const fn is_bits(self) -> bool {
        matches!(self, Self::Coils | Self::Inputs)
    }
}

/// Order of the two registers of a 32-bit value.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum WordOrder {
    /// The high register first.
    HighFirst,
    /// The low register first.
    LowFirst,
}

/// How registers hold a number.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Raw {
    /// `u16`.
    U16,
    /// `i16`.
    I16,
    /// `u32`.
    U32(WordOrder),
    /// `i32`.
    I32(WordOrder),
    /// `f32`, IEEE 754.
    F32(WordOrder),
    /// `bit`: a coil, a discrete input, or one bit of a register.
    Bit,
}

impl Raw {
    /// Registers, or bits, that it takes.
    #[must_use]
    pub const fn width(self) -> u16 {
        match self {
            Self::U16 | Self::I16 | Self::Bit => 1,
            Self::U32(_) | Self::I32(_) | Self::F32(_) => 2,
        }
    }
}

/// Which bits of a whole number count: `(raw >> shift) & mask`, of all where there is no mask.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub struct Picked {
    /// `mask`, after the shift.
    pub mask: Option<u32>,
    /// `shift`.
    pub shift: u8,
}

/// One row of `points`.
#[derive(Clone, Debug)]
pub struct ModbusPoint {
    /// Channel name.
    pub channel: String,
    /// `fn`.
    pub table: ModbusTable,
    /// `addr`: protocol address, from 0.
    pub address: u16,
    /// `type` and `order`.
    pub raw: Raw,
    /// `swap`: the two bytes of every register are exchanged.
    pub swap: bool,
    /// `mask` and `shift`.
    pub picked: Picked,
    /// Physical value = number x scale + offset.
    pub scale: f64,
    /// See `scale`.
    pub offset: f64,
    /// Allowed physical values; outside is bad, not clamped.
    pub range: Option<(f64, f64)>,
    /// `values`: whole number to word.
    pub values: BTreeMap<String, String>,
    /// `other`: word of numbers not listed.
    pub other: Option<String>,
    /// `alt`: used only while the channel's first row has no usable value.
    pub alternative: bool,
    /// `averaging`: the device averages over this time.
    pub averaging: Option<Micros>,
    /// `stale-after`.
    pub stale_after: Option<Micros>,
}

/// One row of `outputs`.
#[derive(Clone, Debug)]
pub struct ModbusOutput {
    /// Channel name: a power channel.
    pub channel: String,
    /// `coil`: protocol address, from 0.
    pub coil: u16,
    /// `on`: what the coil is while power is on. Default true.
    pub on: bool,
    /// `readback`: where the state is read back. Default the coil itself.
    pub readback: (ModbusTable, u16),
    /// `deadman = "board" | "external" | "none"`; `none` may not be a district's only means to cut.
    pub deadman: Deadman,
    /// `pulse`: the coil that keeps an external time relay picked up.
    pub pulse: Option<u16>,
}

/// `identity`: registers that never change, read now and then: a wrong one means that another unit answers.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct ModbusIdentity {
    /// `fn`, 3 or 4.
    pub table: ModbusTable,
    /// `addr`.
    pub address: u16,
    /// `equals`.
    pub equals: Vec<u16>,
}
