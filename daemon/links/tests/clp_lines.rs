//! The line protocol's codec against the worked lines of its page, and against damage.

use links::clp::{format::encode, framer::Framer, line::Line, parse::parse};
use proptest::prelude::*;

/// Worked lines, check sums included, from the project's line-protocol page (computed by an independent program).
const VECTORS: &str = include_str!("data/line-protocol-vectors.txt");

fn vectors() -> Vec<&'static str> {
    VECTORS.split_inclusive('\n').collect()
}

fn lines_in(bytes: &[u8]) -> Vec<Line> {
    let mut found = Vec::new();
    Framer::default().feed(bytes, |text| found.extend(parse(text)));
    found
}

#[test]
fn every_worked_line_is_read_and_written_back_identically() {
    assert_eq!(vectors().len(), 32);
    for text in vectors() {
        let line = parse(text.trim_end().as_bytes()).unwrap_or_else(|why| panic!("{text}: {why}"));
        assert_eq!(encode(&line).trim_end(), text.trim_end());
        assert!(encode(&line).ends_with("\r\n"));
    }
}

#[test]
fn no_single_changed_character_is_believed() {
    for text in vectors() {
        let text = text.trim_end();
        let good = parse(text.as_bytes()).expect("a worked line");
        for at in 0..text.len() {
            for byte in 0x20..=0x7E {
                let mut damaged = text.as_bytes().to_vec();
                damaged[at] = byte;
                // Three dashes and a changed digit are no check; "----" cannot come from one change.
                if let Ok(line) = parse(&damaged) {
                    assert_eq!(line, good, "{}", String::from_utf8_lossy(&damaged));
                }
            }
        }
    }
}

/// A small generator of its own (xorshift), so that a count in the thousands stays quick.
struct Dice(u64);

impl Dice {
    fn roll(&mut self, sides: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % sides
    }
}

/// 2 % of the lines are truncated and 2 % preceded by up to 300 random bytes: every intact line comes, and no other.
fn resynchronise(count: usize, seed: u64) {
    let vectors = vectors();
    let mut dice = Dice(seed);
    let mut stream = Vec::new();
    let mut want = Vec::new();
    for _ in 0..count {
        let at = usize::try_from(dice.roll(vectors.len() as u64)).expect("few vectors");
        let text = vectors[at].as_bytes();
        if dice.roll(50) == 0 {
            let noise = dice.roll(300);
            stream.extend((0..noise).map(|_| u8::try_from(dice.roll(256)).expect("a byte")));
        }
        if dice.roll(50) == 0 {
            let cut = usize::try_from(dice.roll(text.len() as u64)).expect("short");
            stream.extend(&text[..cut]);
        } else {
            stream.extend(text);
            want.push(parse(vectors[at].trim_end().as_bytes()).expect("a worked line"));
        }
    }
    let mut found = Vec::new();
    let mut framer = Framer::default();
    // In pieces of uneven size, as a device gives them.
    let mut rest = stream.as_slice();
    while !rest.is_empty() {
        let step = usize::try_from(dice.roll(64) + 1).expect("small").min(rest.len());
        framer.feed(&rest[..step], |text| found.extend(parse(text)));
        rest = &rest[step..];
    }
    assert_eq!(found.len(), want.len());
    assert!(found == want, "the lines found differ from those sent");
    assert!(framer.counts().broken > 0, "nothing was damaged: the test tests nothing");
}

#[test]
fn every_intact_line_survives_its_neighbours_damage() {
    // `CHECKRAIL_LINES=50000` for the count that the protocol's page names.
    let count = std::env::var("CHECKRAIL_LINES").ok().and_then(|it| it.parse().ok());
    resynchronise(count.unwrap_or(10_000), 0x5EED_0001);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_bytes_give_a_line_or_a_reason(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        let _ = parse(&bytes);
        lines_in(&bytes);
    }

    #[test]
    fn near_lines_never_panic(at in 0_usize..32, cut in 0_usize..200, put in "[ -~]{0,12}") {
        let text = vectors()[at].trim_end();
        let cut = cut.min(text.len());
        let _ = parse(format!("{}{put}{}", &text[..cut], &text[cut..]).as_bytes());
    }

    #[test]
    fn what_is_written_is_read_back(ms in any::<u32>(), first in 0_u16..900, values in proptest::collection::vec(-99_999_i32..999_999, 1..12)) {
        use links::clp::line::{Body, Sample, Up};
        let values: Vec<Sample> = values.into_iter().map(Sample::Value).collect();
        let line = Line { addr: 1, seq: 9, body: Body::Up(Up::Readings { ms, first, values }) };
        prop_assert_eq!(parse(encode(&line).trim_end().as_bytes()), Ok(line));
    }
}
