//! Damaged answers of units: none panics, and when the trouble ends all is read again.
//!
//! A line of a corpus file is an answer in hexadecimal, given to the next question; its check, and over TCP its header,
//! are made right unless it begins with `=`. A line `~N` lets N milliseconds pass.

use std::collections::BTreeSet;

use super::{
    cells::assert_all_read,
    rig::{BOARD, METER, Rig, whole},
};
use crate::{driver::Talk, fuzz};

const WORDS: [&str; 24] = [
    "01", "02", "03", "04", "05", "06", "0F", "10", "81", "82", "83", "84", "85", "00", "FF",
    "FF00", "7FC00000", "80000000", "=", "~100", "~400", "~2000", "0102", "0404",
];

/// So long after the trouble everything is read again. Unit: ms.
const WELL_AGAIN: u64 = 14_000;

fn hex(text: &str) -> Vec<u8> {
    let digits: Vec<u8> =
        text.chars().filter_map(|it| it.to_digit(16)).map(|it| it as u8).collect();
    digits.chunks(2).map(|pair| pair.iter().fold(0, |byte, digit| byte << 4 | digit)).collect()
}

#[test]
fn no_answer_of_a_unit_is_too_much() {
    let tcp = METER.replace("device = \"/dev/null\"\nbaud = 115200", "tcp = \"127.0.0.1:502\"");
    assert_ne!(tcp, METER);
    fuzz::Target { name: "modbus", words: &WORDS, more: &[], weight: 10 }.run(|bytes| {
        let text = String::from_utf8_lossy(bytes);
        let mut seen = BTreeSet::new();
        for links in [METER, &tcp, BOARD] {
            play(links, &text, &mut seen);
        }
        seen.into_iter().collect::<Vec<_>>().join(" ")
    });
}

fn play(links: &str, text: &str, seen: &mut BTreeSet<String>) {
    let mut rig = Rig::new(links);
    rig.absent = vec![1, 2, 3];
    for line in text.lines().take(40) {
        if let Some(pause) = line.strip_prefix('~') {
            rig.run(pause.trim().parse::<u64>().unwrap_or(0).min(3000));
            continue;
        }
        let asked = rig.asked.len();
        let until = rig.ms + 1000;
        while rig.asked.len() == asked && rig.ms < until {
            rig.run(1);
        }
        let answer = hex(line);
        let answer = match (line.starts_with('='), rig.asked.last()) {
            (true, _) | (_, None) => answer,
            (false, Some((_, question))) if links.contains("tcp") => {
                let length = u16::try_from(answer.len()).unwrap_or(u16::MAX).to_be_bytes();
                [&question[..question.len().min(4)], &length, &answer].concat()
            }
            (false, Some(_)) => whole(&answer),
        };
        let now = rig.now();
        rig.bus.handle_bytes(&answer, now);
        rig.step_told();
    }
    seen.extend(rig.said().iter().filter_map(|it| {
        let (_, what) = it.split_once(' ')?;
        Some(what.chars().filter(|it| it.is_ascii_alphabetic() || *it == ' ').collect())
    }));
    if links == METER {
        // Values by the book again: what the damaged answers held was theirs to say.
        rig.told.clear();
        rig.absent.clear();
        let since = rig.ms + WELL_AGAIN / 2;
        rig.run(WELL_AGAIN);
        assert_all_read(&rig, since, text);
    }
}
