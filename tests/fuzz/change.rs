//! Small changes to valid input: of bytes, of words, of numbers, and with pieces of other input.

use std::ops::Range;

use super::dice::Dice;

/// Bytes that mean something to most languages, or to none.
const BYTES: &[u8] = b"\0\x01\x7f\x80\xff\"'\\{}[]()<>=:;,.*#@$%&+-/0 9aAeEnNXx\t\r\n";
/// Numbers at the edge of something.
const NUMBERS: [&str; 30] = [
    "0",
    "-0",
    "-1",
    "1",
    "00",
    "0.1",
    "1e-9",
    "1e9",
    "1e308",
    "1e999",
    "-1e999",
    "255",
    "256",
    "65535",
    "65536",
    "-32769",
    "2147483647",
    "2147483648",
    "4294967295",
    "4294967296",
    "9007199254740993",
    "9223372036854775807",
    "-9223372036854775808",
    "9223372036854775808",
    "18446744073709551615",
    "18446744073709551616",
    "99999999999999999999999999",
    "NaN",
    "inf",
    "0x10",
];
/// Text that is more than ASCII, and bytes that are no text.
const STRANGE: [&[u8]; 7] = [
    "µ".as_bytes(),
    "\u{feff}".as_bytes(),
    "\u{202e}".as_bytes(),
    "\u{1f682}".as_bytes(),
    b"\xc3\x28",
    b"\xf0\x9f",
    b"\xed\xa0\x80",
];
/// Changes of one input at most.
const MOST_CHANGES: usize = 5;

/// Makes damaged input.
pub struct Changer<'a> {
    pub words: &'a [&'a str],
    pub longest: usize,
}

impl Changer<'_> {
    /// One of `starts`, changed.
    pub fn change(&self, starts: &[Vec<u8>], dice: &mut Dice) -> Vec<u8> {
        let mut bytes = starts[dice.below(starts.len())].clone();
        // Few changes reach the depth, many the unheard-of.
        let changes = 1 + dice.below(MOST_CHANGES).min(dice.below(MOST_CHANGES));
        for _ in 0..changes {
            let other = &starts[dice.below(starts.len())];
            self.change_once(&mut bytes, other, dice);
        }
        bytes.truncate(self.longest);
        bytes
    }

    fn change_once(&self, bytes: &mut Vec<u8>, other: &[u8], dice: &mut Dice) {
        let at = dice.below(bytes.len() + 1);
        match dice.below(14) {
            0 => flip(bytes, dice),
            1 => overwrite(bytes, dice),
            2 => insert(bytes, at, &[BYTES[dice.below(BYTES.len())]]),
            3 => insert(bytes, at, dice.pick(&STRANGE).unwrap_or_default()),
            4 => insert(bytes, at, dice.pick(self.words).unwrap_or_default().as_bytes()),
            5 => drop(bytes.drain(span(bytes, dice))),
            6 => {
                let piece = bytes[span(bytes, dice)].to_vec();
                insert(bytes, at, &piece);
            }
            7 => {
                let piece = other[span(other, dice)].to_vec();
                insert(bytes, at, &piece);
            }
            8 => {
                let cut = dice.below(other.len() + 1);
                bytes.truncate(at);
                bytes.extend(&other[cut..]);
            }
            9 => bytes.truncate(at),
            10 => replace(bytes, &numbers(bytes), dice, &NUMBERS),
            11 => replace(bytes, &words(bytes), dice, self.words),
            12 => {
                let all = words(other);
                let Some(from) = all.get(dice.below(all.len())) else { return };
                let word = String::from_utf8_lossy(&other[from.clone()]).into_owned();
                replace(bytes, &words(bytes), dice, &[&word]);
            }
            _ => swap_lines(bytes, dice),
        }
    }
}

fn flip(bytes: &mut [u8], dice: &mut Dice) {
    let at = dice.below(bytes.len());
    if let Some(byte) = bytes.get_mut(at) {
        *byte ^= 1 << dice.below(8);
    }
}

fn overwrite(bytes: &mut [u8], dice: &mut Dice) {
    let at = dice.below(bytes.len());
    let any = if dice.below(2) == 0 { dice.byte() } else { BYTES[dice.below(BYTES.len())] };
    if let Some(byte) = bytes.get_mut(at) {
        *byte = any;
    }
}

fn insert(bytes: &mut Vec<u8>, at: usize, piece: &[u8]) {
    bytes.splice(at..at, piece.iter().copied());
}

/// Short most of the time.
fn span(bytes: &[u8], dice: &mut Dice) -> Range<usize> {
    let start = dice.below(bytes.len() + 1);
    let most = if dice.below(4) == 0 { bytes.len() } else { 24 };
    start..(start + dice.below(most + 1)).min(bytes.len())
}

fn runs(bytes: &[u8], belongs: impl Fn(u8) -> bool) -> Vec<Range<usize>> {
    let mut found = Vec::new();
    let mut start = None;
    for (at, byte) in bytes.iter().enumerate() {
        match (belongs(*byte), start) {
            (true, None) => start = Some(at),
            (false, Some(from)) => {
                found.push(from..at);
                start = None;
            }
            (true, Some(_)) | (false, None) => {}
        }
    }
    found.extend(start.map(|from| from..bytes.len()));
    found
}

fn numbers(bytes: &[u8]) -> Vec<Range<usize>> {
    runs(bytes, |it| it.is_ascii_digit() || it == b'.')
}

fn words(bytes: &[u8]) -> Vec<Range<usize>> {
    runs(bytes, |it| it.is_ascii_alphanumeric() || matches!(it, b'-' | b'_' | b'.'))
}

fn replace(bytes: &mut Vec<u8>, places: &[Range<usize>], dice: &mut Dice, by: &[&str]) {
    let place = places.get(dice.below(places.len())).cloned();
    if let (Some(place), Some(word)) = (place, dice.pick(by)) {
        bytes.splice(place, word.bytes());
    }
}

/// Whole lines change places, or one is said twice.
fn swap_lines(bytes: &mut Vec<u8>, dice: &mut Dice) {
    let mut lines: Vec<&[u8]> = bytes.split_inclusive(|it| *it == b'\n').collect();
    let (one, other) = (dice.below(lines.len()), dice.below(lines.len()));
    if lines.is_empty() {
        return;
    }
    if dice.below(2) == 0 {
        lines.swap(one, other);
    } else {
        lines.insert(other, lines[one]);
    }
    *bytes = lines.concat();
}
