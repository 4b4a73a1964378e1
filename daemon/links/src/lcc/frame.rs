//! CAN frames as text: `:X` header in hexadecimal `N` up to 16 digits of data `;`. No number of the standard specifies this
//! framing; it is a widespread convention of adapters (links.md 4.1). It has no check.

use std::fmt::Write as _;

/// Characters between `:` and `;` at most: `X`, 8 digits, `N`, 16 digits.
const LONGEST: usize = 26;
/// Bits of an extended CAN header.
const HEADER_MASK: u32 = 0x1FFF_FFFF;

/// An extended data frame.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Frame {
    /// 29 bits.
    pub header: u32,
    data: [u8; 8],
    length: u8,
}

/// Why a text is no frame.
#[derive(Clone, Copy, Debug, Eq, PartialEq, thiserror::Error)]
pub enum FrameError {
    /// Not `:X…N…;`.
    #[error("is not of the form of a frame")]
    Form,
    /// A character that is no hexadecimal digit.
    #[error("has a digit that is none")]
    Digit,
    /// Half a byte.
    #[error("has an odd number of digits")]
    Odd,
    /// More than eight bytes, or a header of more than 29 bits.
    #[error("is too long")]
    Long,
}

impl Frame {
    /// A frame; none with more than eight bytes.
    #[must_use]
    pub fn new(header: u32, bytes: &[u8]) -> Option<Self> {
        let mut data = [0; 8];
        data.get_mut(..bytes.len())?.copy_from_slice(bytes);
        let length = u8::try_from(bytes.len()).ok()?;
        Some(Self { header: header & HEADER_MASK, data, length })
    }

    /// Its bytes.
    #[must_use]
    pub fn data(&self) -> &[u8] {
        &self.data[..usize::from(self.length)]
    }

    /// As text, with a line feed behind it for people who look on.
    #[must_use]
    pub fn encode(&self) -> String {
        let mut text = format!(":X{:08X}N", self.header);
        for byte in self.data() {
            // Writing to a text cannot fail.
            let _ = write!(text, "{byte:02X}");
        }
        text.push_str(";\n");
        text
    }
}

/// Reads what stands between `:` and `;`. Standard (11-bit) and remote frames are none of LCC: nothing.
///
/// # Errors
/// [`FrameError`].
pub fn parse(text: &[u8]) -> Result<Option<Frame>, FrameError> {
    let (kind, rest) = text.split_first().ok_or(FrameError::Form)?;
    let extended = match kind {
        b'X' | b'x' => true,
        b'S' | b's' => false,
        _ => return Err(FrameError::Form),
    };
    let at = rest.iter().position(|it| !it.is_ascii_hexdigit()).ok_or(FrameError::Form)?;
    let (header, rest) = rest.split_at(at);
    let (mark, data) = rest.split_first().ok_or(FrameError::Form)?;
    let remote = match mark {
        b'N' | b'n' => false,
        b'R' | b'r' => true,
        _ => return Err(FrameError::Digit),
    };
    let header = number(header)?;
    let (bytes, length) = bytes(data)?;
    if !extended || remote {
        return Ok(None);
    }
    Ok(Frame::new(header, &bytes[..length]))
}

fn number(digits: &[u8]) -> Result<u32, FrameError> {
    if digits.is_empty() {
        return Err(FrameError::Form);
    }
    if digits.len() > 8 {
        return Err(FrameError::Long);
    }
    let mut number = 0;
    for digit in digits {
        number = number << 4 | u32::from(nibble(*digit)?);
    }
    if number > HEADER_MASK { Err(FrameError::Long) } else { Ok(number) }
}

fn bytes(digits: &[u8]) -> Result<([u8; 8], usize), FrameError> {
    let mut bytes = [0; 8];
    if digits.len() > 16 {
        return Err(FrameError::Long);
    }
    for (byte, pair) in bytes.iter_mut().zip(digits.chunks(2)) {
        *byte = match pair {
            [high, low] => nibble(*high)? << 4 | nibble(*low)?,
            [half, ..] => {
                nibble(*half)?;
                return Err(FrameError::Odd);
            }
            [] => return Err(FrameError::Form),
        };
    }
    Ok((bytes, digits.len() / 2))
}

fn nibble(digit: u8) -> Result<u8, FrameError> {
    let value = char::from(digit).to_digit(16).ok_or(FrameError::Digit)?;
    u8::try_from(value).map_err(|_| FrameError::Digit)
}

/// Finds frames in a stream of bytes: `:` begins one anew at any point, `;` ends it, what stands between is noise.
#[derive(Debug, Default)]
pub struct Framer {
    text: Vec<u8>,
    inside: bool,
    /// Bytes outside of frames, line ends not counted.
    noise: u64,
}

impl Framer {
    /// Forgets what was begun.
    pub fn reset(&mut self) {
        self.text.clear();
        self.inside = false;
    }

    /// Bytes outside of frames so far.
    #[must_use]
    pub const fn noise(&self) -> u64 {
        self.noise
    }

    /// Takes bytes and tells each frame, and each text that is none.
    pub fn feed(&mut self, bytes: &[u8], mut found: impl FnMut(Result<Frame, FrameError>)) {
        for byte in bytes {
            match (*byte, self.inside) {
                (b':', was_inside) => {
                    if was_inside {
                        found(Err(FrameError::Form));
                    }
                    self.text.clear();
                    self.inside = true;
                }
                (b';', true) => {
                    self.inside = false;
                    if let Some(result) = parse(&self.text).transpose() {
                        found(result);
                    }
                }
                (b'\r' | b'\n', false) => {}
                (_, false) => self.noise += 1,
                (byte, true) if self.text.len() < LONGEST => self.text.push(byte),
                (_, true) => {
                    self.inside = false;
                    found(Err(FrameError::Long));
                }
            }
        }
    }
}
