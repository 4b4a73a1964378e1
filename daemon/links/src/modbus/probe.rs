//! Asks one unit once, outside the daemon, and shows what its registers may mean: makers disagree about functions,
//! addresses and the order of words.

use std::{
    io,
    time::{Duration, Instant},
};

use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    time::{sleep_until, timeout},
};
use wiring::links::{ModbusSettings, Raw, WordOrder};

use super::{
    decode::{Number, number},
    pdu::{Answer, Question},
    wire::{Fault, Framing, Timing, Wire},
};
use crate::device::Device;

/// Why a probe has no answer.
#[derive(Debug, thiserror::Error)]
pub enum ProbeError {
    /// The device or connection cannot be had.
    #[error("{device} cannot be opened: {source}")]
    Open {
        /// As given.
        device: String,
        /// The system's answer.
        source: io::Error,
    },
    /// It broke while it was used.
    #[error("the line broke: {0}")]
    Line(#[from] io::Error),
    /// The line is never quiet.
    #[error("the line is never quiet: another master asks on it")]
    Busy,
    /// No good answer.
    #[error("{0}")]
    Fault(#[from] Fault),
}

/// Longest wait for silence.
const QUIET_WITHIN: Duration = Duration::from_secs(3);

/// Asks a question and waits for its answer.
///
/// # Errors
/// [`ProbeError`].
pub async fn ask(
    settings: &ModbusSettings,
    unit: u8,
    question: Question,
) -> Result<Answer, ProbeError> {
    let mut stream = Device::from(settings)
        .open()
        .await
        .map_err(|source| ProbeError::Open { device: settings.device.clone(), source })?;
    let framing = if settings.tcp { Framing::Tcp } else { Framing::Rtu };
    let start = Instant::now();
    let mut wire = Wire::new(framing, Timing::new(settings), start);
    let mut bytes = [0; 512];
    // What was under way before us is waited out.
    while let Some(free) = wire.free_at(false).filter(|free| Instant::now() < *free) {
        if QUIET_WITHIN < start.elapsed() {
            return Err(ProbeError::Busy);
        }
        tokio::select! {
            () = sleep_until(free.into()) => {}
            read = stream.read(&mut bytes) => {
                wire.handle_bytes(&bytes[..some(read?)?], Instant::now());
            }
        }
    }
    let asked = wire.ask(unit, question, Instant::now());
    stream.write_all(&asked).await?;
    loop {
        let now = Instant::now();
        if let Some(fault) = wire.handle_timeout(now) {
            return Err(fault.into());
        }
        let left =
            wire.poll_deadline().map_or(Duration::ZERO, |at| at.saturating_duration_since(now));
        if let Ok(read) = timeout(left, stream.read(&mut bytes)).await
            && let Some(result) = wire.handle_bytes(&bytes[..some(read?)?], Instant::now())
        {
            return Ok(result?);
        }
    }
}

fn some(count: usize) -> io::Result<usize> {
    if count == 0 { Err(io::ErrorKind::UnexpectedEof.into()) } else { Ok(count) }
}

/// What one register, and the one after it, may mean.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Decoded {
    /// Its address.
    pub address: u16,
    /// As read.
    pub word: u16,
    /// With sign.
    pub i16: i16,
    /// With the next one, high word first and low word first: whole, and float where it is a usual number.
    pub double: Option<[(u32, f32); 2]>,
}

/// Every meaning of registers.
#[must_use]
pub fn decodings(start: u16, words: &[u16]) -> Vec<Decoded> {
    let both = |at: usize, order: WordOrder| {
        let words = words.get(at..)?;
        match (number(Raw::U32(order), false, words)?, number(Raw::F32(order), false, words)?) {
            (Number::Whole(whole), Number::Float(float)) => {
                Some((u32::try_from(whole).ok()?, float))
            }
            (Number::Whole(_) | Number::Float(_), _) => None,
        }
    };
    let one = |(at, word): (usize, &u16)| {
        let double = both(at, WordOrder::HighFirst).zip(both(at, WordOrder::LowFirst));
        Decoded {
            address: start.wrapping_add(u16::try_from(at).unwrap_or(0)),
            word: *word,
            i16: word.cast_signed(),
            double: double.map(|(high, low)| [high, low]),
        }
    };
    words.iter().enumerate().map(one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_meaning_of_a_register_pair_is_shown() {
        let decoded = decodings(4, &[0x417D, 0xEB85]);
        assert_eq!(decoded.len(), 2);
        let (first, last) = (decoded[0], decoded[1]);
        assert_eq!((first.address, first.word, first.i16), (4, 0x417D, 0x417D));
        let [high, low] = first.double.expect("two registers");
        assert_eq!(high, (0x417D_EB85, 15.87));
        assert_eq!(low.0, 0xEB85_417D);
        assert_eq!((last.address, last.i16, last.double), (5, -5243, None));
    }
}
