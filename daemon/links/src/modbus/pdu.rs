//! Questions and answers, without unit, check or transaction: functions 1 to 6, 15 and 16.
//!
//! Source: MODBUS Application Protocol Specification V1.1b3, sections 6.1 to 6.6, 6.11, 6.12 and 7.

use wiring::links::ModbusTable;

/// Most registers of one read (6.3) and write (6.12).
pub const MOST_REGISTERS: u16 = 125;
const MOST_WRITTEN_REGISTERS: usize = 123;
/// Most bits of one read (6.1) and write (6.11).
pub const MOST_BITS: u16 = 2000;
const MOST_WRITTEN_BITS: usize = 1968;

/// What a unit is asked.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Question {
    /// Functions 1 to 4.
    Read {
        /// Which table.
        table: ModbusTable,
        /// First address.
        address: u16,
        /// How many.
        count: u16,
    },
    /// Function 5.
    WriteCoil {
        /// Its address.
        address: u16,
        /// Its state.
        on: bool,
    },
    /// Function 6.
    WriteRegister {
        /// Its address.
        address: u16,
        /// Its value.
        value: u16,
    },
    /// Function 15.
    WriteCoils {
        /// First address.
        address: u16,
        /// Their states.
        on: Vec<bool>,
    },
    /// Function 16.
    WriteRegisters {
        /// First address.
        address: u16,
        /// Their values.
        values: Vec<u16>,
    },
}

/// What a unit answers.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Answer {
    /// The data bytes of a read.
    Data(Vec<u8>),
    /// A write was done; its echo is the question's.
    Done,
    /// The unit refuses.
    Exception(u8),
}

/// Why bytes are no answer to a question.
#[derive(Clone, Copy, Debug, Eq, PartialEq, thiserror::Error)]
pub enum Mismatch {
    /// Another function.
    #[error("an answer to function {0}")]
    Function(u8),
    /// Another number of bytes.
    #[error("an answer of another length")]
    Length,
    /// A write that does not repeat what was written.
    #[error("an echo that differs from what was written")]
    Echo,
}

/// What tells the answers of a unit apart: function and number of bytes.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Shape(pub u8, pub usize);

impl Question {
    /// The function code.
    #[must_use]
    pub const fn function(&self) -> u8 {
        match self {
            Self::Read { table, .. } => table.function(),
            Self::WriteCoil { .. } => 5,
            Self::WriteRegister { .. } => 6,
            Self::WriteCoils { .. } => 15,
            Self::WriteRegisters { .. } => 16,
        }
    }

    /// It is within the limits of the standard.
    #[must_use]
    pub fn is_askable(&self) -> bool {
        let (address, count, most) = match self {
            Self::Read { table, address, count } => {
                let most = if table.is_bits() { MOST_BITS } else { MOST_REGISTERS };
                (*address, usize::from(*count), usize::from(most))
            }
            Self::WriteCoil { address, .. } | Self::WriteRegister { address, .. } => {
                (*address, 1, 1)
            }
            Self::WriteCoils { address, on } => (*address, on.len(), MOST_WRITTEN_BITS),
            Self::WriteRegisters { address, values } => {
                (*address, values.len(), MOST_WRITTEN_REGISTERS)
            }
        };
        (1..=most).contains(&count) && usize::from(address) + count <= 0x1_0000
    }

    /// As sent.
    #[must_use]
    pub fn encode(&self) -> Vec<u8> {
        let mut bytes = vec![self.function()];
        let word = |bytes: &mut Vec<u8>, word: u16| bytes.extend(word.to_be_bytes());
        let length = |count: usize| u16::try_from(count).unwrap_or(u16::MAX);
        match self {
            Self::Read { address, count, .. } => {
                word(&mut bytes, *address);
                word(&mut bytes, *count);
            }
            Self::WriteCoil { address, on } => {
                word(&mut bytes, *address);
                word(&mut bytes, if *on { 0xFF00 } else { 0 });
            }
            Self::WriteRegister { address, value } => {
                word(&mut bytes, *address);
                word(&mut bytes, *value);
            }
            Self::WriteCoils { address, on } => {
                word(&mut bytes, *address);
                word(&mut bytes, length(on.len()));
                let packed = pack(on);
                bytes.push(u8::try_from(packed.len()).unwrap_or(u8::MAX));
                bytes.extend(packed);
            }
            Self::WriteRegisters { address, values } => {
                word(&mut bytes, *address);
                word(&mut bytes, length(values.len()));
                bytes.push(u8::try_from(2 * values.len()).unwrap_or(u8::MAX));
                values.iter().for_each(|value| word(&mut bytes, *value));
            }
        }
        bytes
    }

    /// Bytes of the answer, function and all, where it is no exception.
    #[must_use]
    pub const fn answer_length(&self) -> usize {
        match self {
            Self::Read { table, count, .. } => 2 + data_length(*table, *count),
            Self::WriteCoil { .. }
            | Self::WriteRegister { .. }
            | Self::WriteCoils { .. }
            | Self::WriteRegisters { .. } => 5,
        }
    }

    /// What tells its answer from others.
    #[must_use]
    pub const fn shape(&self) -> Shape {
        Shape(self.function(), self.answer_length())
    }

    /// Reads an answer of which the check was good.
    ///
    /// # Errors
    /// [`Mismatch`] when it answers another question.
    pub fn parse(&self, bytes: &[u8]) -> Result<Answer, Mismatch> {
        let Some((function, rest)) = bytes.split_first() else { return Err(Mismatch::Length) };
        if *function == self.function() | 0x80 {
            return match rest {
                [code] => Ok(Answer::Exception(*code)),
                _ => Err(Mismatch::Length),
            };
        }
        if *function != self.function() {
            return Err(Mismatch::Function(*function));
        }
        if bytes.len() != self.answer_length() {
            return Err(Mismatch::Length);
        }
        match self {
            Self::Read { .. } => match rest.split_first() {
                Some((count, data)) if usize::from(*count) == data.len() => {
                    Ok(Answer::Data(data.to_vec()))
                }
                Some(_) | None => Err(Mismatch::Length),
            },
            Self::WriteCoil { .. }
            | Self::WriteRegister { .. }
            | Self::WriteCoils { .. }
            | Self::WriteRegisters { .. } => {
                let is_echo = self.encode().get(..5) == Some(bytes);
                if is_echo { Ok(Answer::Done) } else { Err(Mismatch::Echo) }
            }
        }
    }
}

/// Data bytes of a read.
const fn data_length(table: ModbusTable, count: u16) -> usize {
    if table.is_bits() { (count as usize).div_ceil(8) } else { 2 * count as usize }
}

fn pack(bits: &[bool]) -> Vec<u8> {
    let byte = |bits: &[bool]| {
        bits.iter().enumerate().fold(0, |byte, (at, on)| byte | (u8::from(*on) << at))
    };
    bits.chunks(8).map(byte).collect()
}

/// An exception in words. Source: section 7 of the specification.
#[must_use]
pub const fn exception(code: u8) -> &'static str {
    match code {
        1 => "illegal function",
        2 => "illegal data address",
        3 => "illegal data value",
        4 => "server device failure",
        5 => "acknowledge: it needs longer",
        6 => "server device busy",
        8 => "memory parity error",
        10 => "gateway path unavailable",
        11 => "gateway target failed to respond",
        _ => "unknown exception",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(table: ModbusTable, address: u16, count: u16) -> Question {
        Question::Read { table, address, count }
    }

    /// Frames of the specification, sections 6.1 to 6.12: question, answer as bytes.
    #[test]
    fn the_worked_frames_of_the_specification_are_ours() {
        use ModbusTable::{Coils, Holding, InputRegisters, Inputs};
        let cases: [(Question, &[u8], &[u8], Answer); 8] = [
            (
                read(Coils, 0x13, 0x13),
                &[1, 0, 0x13, 0, 0x13],
                &[1, 3, 0xCD, 0x6B, 0x05],
                Answer::Data(vec![0xCD, 0x6B, 0x05]),
            ),
            (
                read(Inputs, 0xC4, 0x16),
                &[2, 0, 0xC4, 0, 0x16],
                &[2, 3, 0xAC, 0xDB, 0x35],
                Answer::Data(vec![0xAC, 0xDB, 0x35]),
            ),
            (
                read(Holding, 0x6B, 3),
                &[3, 0, 0x6B, 0, 3],
                &[3, 6, 2, 0x2B, 0, 0, 0, 0x64],
                Answer::Data(vec![2, 0x2B, 0, 0, 0, 0x64]),
            ),
            (
                read(InputRegisters, 8, 1),
                &[4, 0, 8, 0, 1],
                &[4, 2, 0, 0x0A],
                Answer::Data(vec![0, 0x0A]),
            ),
            (
                Question::WriteCoil { address: 0xAC, on: true },
                &[5, 0, 0xAC, 0xFF, 0],
                &[5, 0, 0xAC, 0xFF, 0],
                Answer::Done,
            ),
            (
                Question::WriteRegister { address: 1, value: 3 },
                &[6, 0, 1, 0, 3],
                &[6, 0, 1, 0, 3],
                Answer::Done,
            ),
            (
                Question::WriteCoils {
                    address: 0x13,
                    on: [true, false, true, true, false, false, true, true, true, false].to_vec(),
                },
                &[15, 0, 0x13, 0, 10, 2, 0xCD, 1],
                &[15, 0, 0x13, 0, 10],
                Answer::Done,
            ),
            (
                Question::WriteRegisters { address: 1, values: vec![0x0A, 0x102] },
                &[16, 0, 1, 0, 2, 4, 0, 0x0A, 1, 2],
                &[16, 0, 1, 0, 2],
                Answer::Done,
            ),
        ];
        for (question, asked, answered, want) in cases {
            assert_eq!(question.encode(), asked, "{question:?}");
            assert_eq!(question.parse(answered), Ok(want), "{question:?}");
            assert_eq!(question.answer_length(), answered.len(), "{question:?}");
            let refused = [asked[0] | 0x80, 2];
            assert_eq!(question.parse(&refused), Ok(Answer::Exception(2)), "{question:?}");
        }
    }

    #[test]
    fn answers_to_other_questions_are_refused() {
        let one = read(ModbusTable::Holding, 0, 1);
        let coil = Question::WriteCoil { address: 3, on: false };
        let cases: [(&Question, &[u8], Mismatch); 7] = [
            (&one, &[4, 2, 0, 1], Mismatch::Function(4)),
            (&one, &[3, 4, 0, 1, 0, 2], Mismatch::Length),
            (&one, &[3, 4, 0, 1], Mismatch::Length),
            (&one, &[], Mismatch::Length),
            (&one, &[0x83], Mismatch::Length),
            (&coil, &[5, 0, 3, 0xFF, 0], Mismatch::Echo),
            (&coil, &[5, 0, 4, 0, 0], Mismatch::Echo),
        ];
        for (question, bytes, want) in cases {
            assert_eq!(question.parse(bytes), Err(want), "{bytes:?}");
        }
    }

    #[test]
    fn questions_beyond_the_limits_are_not_asked() {
        let cases = [
            (read(ModbusTable::Holding, 0, 125), true),
            (read(ModbusTable::Holding, 0, 126), false),
            (read(ModbusTable::Holding, 0xFFFF, 1), true),
            (read(ModbusTable::Holding, 0xFFFF, 2), false),
            (read(ModbusTable::Coils, 0, 2000), true),
            (read(ModbusTable::Coils, 0, 2001), false),
            (read(ModbusTable::Coils, 0, 0), false),
            (Question::WriteRegisters { address: 0, values: vec![0; 124] }, false),
        ];
        for (question, want) in cases {
            assert_eq!(question.is_askable(), want, "{question:?}");
        }
    }
}
