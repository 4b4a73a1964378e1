//! One question and one answer at a time on a serial line or a TCP connection, without I/O.
//!
//! On a serial line nothing in an answer says which question it belongs to: one that comes after its time-out would be
//! taken for the answer to the next question, and the shift would never end. So the line rests after any failure until
//! the longest time after a question that an answer was ever seen (`reply-max`), and whatever comes meanwhile is thrown
//! away; no question is asked before the line has been quiet for 3.5 characters. Over TCP the transaction number tells.
//!
//! Frames and gaps: MODBUS over Serial Line V1.02, section 2.5.1; MODBUS Messaging on TCP/IP V1.0b, section 3.1.3.

use std::time::{Duration, Instant};

use wiring::links::ModbusSettings;

use super::{
    crc::crc,
    pdu::{Answer, Mismatch, Question},
};

/// Above this rate the gap is fixed.
const FIXED_GAP_ABOVE: u32 = 19_200;
const FIXED_GAP: Duration = Duration::from_micros(1750);
/// Bits of a character: start, eight, parity or a second stop bit, stop.
const BITS: u32 = 11;
/// Length of an exception on a serial line: unit, function, code, check.
const EXCEPTION_LENGTH: usize = 5;
/// Longest frame of a serial line.
const LONGEST_FRAME: usize = 256;
/// Header of TCP: transaction, protocol, length, unit.
const HEADER: usize = 7;

/// How long things take.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Timing {
    /// One character; nothing over TCP.
    pub character: Duration,
    /// Silence between frames.
    pub gap: Duration,
    /// From the end of a question to the beginning of its answer, at most.
    pub timeout: Duration,
    /// After a question no answer to it was ever seen later than this.
    pub reply_max: Duration,
}

impl Timing {
    /// As a line's settings say.
    #[must_use]
    pub fn new(settings: &ModbusSettings) -> Self {
        let of = |micros: wiring::units::Micros| Duration::from_micros(micros.0);
        let (timeout, reply_max) = (of(settings.timeout), of(settings.reply_max));
        if settings.tcp {
            let none = Duration::ZERO;
            return Self { character: none, gap: none, timeout, reply_max };
        }
        let character = Duration::from_secs(1) * BITS / settings.baud;
        let gap = if settings.baud > FIXED_GAP_ABOVE { FIXED_GAP } else { character * 7 / 2 };
        Self { character, gap: gap + of(settings.quiet), timeout, reply_max }
    }

    /// How long bytes take.
    #[must_use]
    pub fn bytes(&self, count: usize) -> Duration {
        self.character * u32::try_from(count).unwrap_or(u32::MAX)
    }

    /// The longest that a question takes on a serial line, its gap included.
    #[must_use]
    pub fn exchange(&self, question: &Question) -> Duration {
        let bytes = question.encode().len() + question.answer_length() + 6;
        self.gap + self.bytes(bytes) + self.timeout
    }
}

/// How frames are told apart.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Framing {
    /// Silence and a check.
    Rtu,
    /// A header with length and transaction.
    Tcp,
}

/// Why a question has no answer.
#[derive(Clone, Copy, Debug, Eq, PartialEq, thiserror::Error)]
pub enum Fault {
    /// Nothing came.
    #[error("no answer")]
    Silent,
    /// It broke off.
    #[error("an answer that broke off after {0} bytes")]
    Short(usize),
    /// More came than belongs to it.
    #[error("an answer that is too long")]
    Long,
    /// Damaged.
    #[error("a damaged answer (check is wrong)")]
    Check,
    /// From another unit.
    #[error("an answer of unit {0}")]
    Unit(u8),
    /// To another question.
    #[error("{0}")]
    Other(#[from] Mismatch),
    /// Our own question came back.
    #[error("our own question: the adapter echoes what it sends")]
    OwnEcho,
    /// Not Modbus TCP: the connection is of no use any more.
    #[error("bytes that are not Modbus TCP")]
    Header,
}

/// Counters.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub struct WireCounts {
    /// Good answers, exceptions among them.
    pub answers: u64,
    /// Bytes, or over TCP answers, that belonged to no question.
    pub strays: u64,
}

/// A question under way.
#[derive(Clone, Debug)]
struct Asked {
    unit: u8,
    question: Question,
    sent: Instant,
    deadline: Instant,
}

/// One line or connection.
#[derive(Debug)]
pub struct Wire {
    framing: Framing,
    timing: Timing,
    asked: Option<Asked>,
    bytes: Vec<u8>,
    /// When the line was last busy.
    busy: Instant,
    /// Answers of an earlier question may come until then.
    rests: Option<Instant>,
    transaction: u16,
    broken: bool,
    /// What was counted.
    pub counts: WireCounts,
}

impl Wire {
    /// A line that has just been opened: answers to questions of an earlier program may still be under way.
    #[must_use]
    pub fn new(framing: Framing, timing: Timing, now: Instant) -> Self {
        Self {
            framing,
            timing,
            asked: None,
            bytes: Vec::new(),
            busy: now,
            rests: (framing == Framing::Rtu).then(|| now + timing.reply_max),
            transaction: 0,
            broken: false,
            counts: WireCounts::default(),
        }
    }

    /// The same counters on a line opened anew.
    pub fn open_again(&mut self, now: Instant) {
        let counts = self.counts;
        *self = Self {
            transaction: self.transaction,
            counts,
            ..Self::new(self.framing, self.timing, now)
        };
    }

    /// A question is under way.
    #[must_use]
    pub const fn is_asked(&self) -> bool {
        self.asked.is_some()
    }

    /// The connection is of no use any more.
    #[must_use]
    pub const fn is_broken(&self) -> bool {
        self.broken
    }

    /// When the next question may be asked; none while one is under way. A cut does not wait for answers that may still
    /// come: its own answer repeats every byte of it and is no other's.
    #[must_use]
    pub fn free_at(&self, is_cut: bool) -> Option<Instant> {
        let quiet = self.busy + self.timing.gap;
        match (&self.asked, self.rests) {
            (Some(_), _) => None,
            (None, Some(until)) if !is_cut => Some(until.max(quiet)),
            (None, _) => Some(quiet),
        }
    }

    /// The bytes of a question. Unit 0 is everybody, and nobody answers.
    ///
    /// # Panics
    /// When a question is under way, or the line is not free: the caller looks at [`Self::free_at`] first.
    pub fn ask(&mut self, unit: u8, question: Question, now: Instant) -> Vec<u8> {
        assert!(self.asked.is_none(), "one question at a time");
        assert!(self.busy + self.timing.gap <= now, "the line is quiet before a question");
        let body = question.encode();
        self.transaction = self.transaction.wrapping_add(1);
        let mut bytes = Vec::with_capacity(body.len() + HEADER);
        match self.framing {
            Framing::Rtu => {
                bytes.push(unit);
                bytes.extend(body);
                bytes.extend(crc(&bytes).to_le_bytes());
            }
            Framing::Tcp => {
                bytes.extend(self.transaction.to_be_bytes());
                bytes.extend([0, 0]);
                bytes.extend(u16::try_from(body.len() + 1).unwrap_or(u16::MAX).to_be_bytes());
                bytes.push(unit);
                bytes.extend(body);
            }
        }
        if self.framing == Framing::Rtu {
            self.bytes.clear();
        }
        let there = now + self.timing.bytes(bytes.len());
        self.busy = there;
        if unit == 0 {
            self.rests = Some(there + self.timing.timeout);
            return bytes;
        }
        let back = self.timing.bytes(question.answer_length() + 3);
        let deadline = there + self.timing.timeout + back;
        self.asked = Some(Asked { unit, question, sent: now, deadline });
        bytes
    }

    /// Takes bytes that were read at `at`; tells when the question is answered or has failed.
    pub fn handle_bytes(&mut self, bytes: &[u8], at: Instant) -> Option<Result<Answer, Fault>> {
        self.busy = self.busy.max(at);
        match self.framing {
            Framing::Rtu => self.rtu(bytes, at),
            Framing::Tcp => self.tcp(bytes, at),
        }
    }

    fn rtu(&mut self, bytes: &[u8], at: Instant) -> Option<Result<Answer, Fault>> {
        let Some(asked) = &self.asked else {
            self.counts.strays += bytes.len() as u64;
            return None;
        };
        let room = LONGEST_FRAME.saturating_sub(self.bytes.len());
        self.bytes.extend_from_slice(&bytes[..bytes.len().min(room)]);
        let is_refusal = self.bytes.get(1) == Some(&(asked.question.function() | 0x80));
        let whole = if is_refusal { EXCEPTION_LENGTH } else { asked.question.answer_length() + 3 };
        if self.bytes.len() < whole {
            return None;
        }
        let result = judge(&self.bytes, whole, asked);
        Some(self.settle(result, at))
    }

    fn tcp(&mut self, bytes: &[u8], at: Instant) -> Option<Result<Answer, Fault>> {
        self.bytes.extend_from_slice(bytes);
        while HEADER <= self.bytes.len() {
            let word = |at: usize| u16::from_be_bytes([self.bytes[at], self.bytes[at + 1]]);
            let (transaction, protocol, length) = (word(0), word(2), usize::from(word(4)));
            if protocol != 0 || !(2..=254).contains(&length) {
                self.broken = true;
                self.bytes.clear();
                return Some(self.settle(Err(Fault::Header), at));
            }
            let whole = HEADER - 1 + length;
            if self.bytes.len() < whole {
                return None;
            }
            let frame: Vec<u8> = self.bytes.drain(..whole).collect();
            let Some(asked) = self.asked.as_ref().filter(|_| transaction == self.transaction)
            else {
                self.counts.strays += 1;
                continue;
            };
            let unit = frame[HEADER - 1];
            let result = if unit == asked.unit {
                asked.question.parse(&frame[HEADER..]).map_err(Fault::from)
            } else {
                Err(Fault::Unit(unit))
            };
            return Some(self.settle(result, at));
        }
        None
    }

    /// A question whose time is over has failed.
    pub fn handle_timeout(&mut self, now: Instant) -> Option<Fault> {
        let asked = self.asked.as_ref().filter(|asked| asked.deadline <= now)?;
        let echoed = {
            let mut own = vec![asked.unit];
            own.extend(asked.question.encode());
            own.extend(crc(&own).to_le_bytes());
            self.framing == Framing::Rtu && self.bytes == own
        };
        let fault = match (self.framing, self.bytes.len()) {
            (_, 0) => Fault::Silent,
            (Framing::Rtu, _) if echoed => Fault::OwnEcho,
            (Framing::Rtu | Framing::Tcp, got) => Fault::Short(got),
        };
        self.settle(Err(fault), now).err()
    }

    /// When the question under way has failed.
    #[must_use]
    pub fn poll_deadline(&self) -> Option<Instant> {
        self.asked.as_ref().map(|asked| asked.deadline)
    }

    fn settle(&mut self, result: Result<Answer, Fault>, at: Instant) -> Result<Answer, Fault> {
        let sent = self.asked.take().map_or(at, |asked| asked.sent);
        match (&result, self.framing) {
            (Ok(_), _) => {
                self.counts.answers += 1;
            }
            (Err(_), Framing::Rtu) => {
                let until = sent + self.timing.reply_max;
                self.rests = Some(self.rests.map_or(until, |before| before.max(until)));
            }
            (Err(_), Framing::Tcp) => {}
        }
        if self.framing == Framing::Rtu {
            self.bytes.clear();
        }
        result
    }
}

/// At least the expected number of bytes is there.
fn judge(bytes: &[u8], whole: usize, asked: &Asked) -> Result<Answer, Fault> {
    let own = asked.question.encode();
    let is_read = matches!(asked.question, Question::Read { .. });
    if is_read && bytes.get(1..=own.len()) == Some(&*own) && bytes[0] == asked.unit {
        return Err(Fault::OwnEcho);
    }
    if bytes.len() > whole {
        return Err(Fault::Long);
    }
    if crc(bytes) != 0 {
        return Err(Fault::Check);
    }
    if bytes[0] != asked.unit {
        return Err(Fault::Unit(bytes[0]));
    }
    asked.question.parse(&bytes[1..whole - 2]).map_err(Fault::from)
}
