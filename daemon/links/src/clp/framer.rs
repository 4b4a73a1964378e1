//! Finds lines in a stream of bytes. A start mark begins a line at any point, so that a truncated line cannot swallow the
//! next one; whatever stands outside a line is noise.

use super::LONGEST_LINE;

/// State of one direction of one port.
#[derive(Clone, Debug, Default)]
pub struct Framer {
    line: Vec<u8>,
    ended_by_cr: bool,
    counts: FramerCounts,
}

/// What was thrown away.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub struct FramerCounts {
    /// Bytes outside any line.
    pub noise: u64,
    /// Lines given up: no end, too long, or a byte that no line holds.
    pub broken: u64,
}

impl Framer {
    /// Takes bytes and hands on each line found, without its end.
    pub fn feed(&mut self, bytes: &[u8], mut found: impl FnMut(&[u8])) {
        for &byte in bytes {
            match byte {
                b'@' | b'#' => self.begin(byte),
                b'\n' if self.line.is_empty() => {}
                b'\n' => {
                    found(&self.line);
                    self.line.clear();
                }
                _ if self.line.is_empty() => self.counts.noise += u64::from(byte != b'\r'),
                b'\r' if !self.ended_by_cr => self.ended_by_cr = true,
                0x20..=0x7E if !self.ended_by_cr => self.go_on(byte),
                _ => self.give_up(),
            }
        }
    }

    /// What was thrown away so far.
    #[must_use]
    pub const fn counts(&self) -> FramerCounts {
        self.counts
    }

    /// The port was closed: half a line is nothing.
    pub fn reset(&mut self) {
        self.line.clear();
    }

    fn begin(&mut self, mark: u8) {
        self.counts.broken += u64::from(!self.line.is_empty());
        self.line.clear();
        self.line.push(mark);
        self.ended_by_cr = false;
    }

    fn go_on(&mut self, byte: u8) {
        // Two octets are kept for CR LF.
        if self.line.len() + 2 < LONGEST_LINE {
            self.line.push(byte);
        } else {
            self.give_up();
        }
    }

    fn give_up(&mut self) {
        self.counts.broken += 1;
        self.line.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(bytes: &[u8], want: &[&str]) {
        let mut found = Vec::new();
        Framer::default()
            .feed(bytes, |line| found.push(String::from_utf8_lossy(line).into_owned()));
        assert_eq!(found, want, "{}", String::from_utf8_lossy(bytes));
    }

    #[test]
    fn lines_are_found_between_noise_and_after_truncated_ones() {
        check(b"@01:0001 A*1\r\n#02:0001 B*2\n", &["@01:0001 A*1", "#02:0001 B*2"]);
        check(b"boot v1.2\r\n\x00\xff@01 x\r\n", &["@01 x"]);
        check(b"@01:00@02 y\r\n", &["@02 y"]);
        check(b"@01 a\x07b\r\n@02 y\r\n", &["@02 y"]);
        check(b"@01 a\rb\r\n@02 y\r\n", &["@02 y"]);
        check(b"\r\n\r\n\n", &[]);
    }

    #[test]
    fn an_over_long_line_is_discarded_up_to_the_next_mark() {
        let longest = format!("@{}", "x".repeat(LONGEST_LINE - 3));
        check(format!("{longest}\r\n").as_bytes(), &[&longest]);
        check(format!("{longest}x\r\n@02 y\r\n").as_bytes(), &["@02 y"]);
    }
}
