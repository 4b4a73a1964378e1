//! Text to lines. Total: any bytes give a line or a reason, never a panic.

use wiring::layout::Position;

use super::{
    crc::crc,
    line::{Answer, Body, Code, Down, Kind, Line, Row, Sample, Scale, Up},
};

/// Longest permit. Unit: ms.
const LONGEST_PERMIT: u32 = 5000;
/// Longest word, in characters.
const LONGEST_WORD: usize = 40;

/// Why a text is no line.
#[derive(Clone, Copy, Debug, Eq, PartialEq, thiserror::Error)]
pub enum LineError {
    /// Not `MARK ADDR ":" SEQ SP BODY "*" CHECK`.
    #[error("is not of the form of a line")]
    Form,
    /// The check does not agree: damaged.
    #[error("is damaged: its check does not agree")]
    Damaged,
    /// `----` where a check is needed.
    #[error("has no check")]
    Unchecked,
    /// An address that this body may not have.
    #[error("has an address that it may not have")]
    Address,
    /// A verb of a later version, or none.
    #[error("has an unknown verb")]
    Verb,
    /// The verb is known, what follows is wrong.
    #[error("has a wrong body")]
    Body,
}

/// Reads a line, without its end.
///
/// # Errors
/// [`LineError`].
pub fn parse(text: &[u8]) -> Result<Line, LineError> {
    let text = std::str::from_utf8(text).map_err(|_| LineError::Form)?;
    let (said, check) = text.split_once('*').ok_or(LineError::Form)?;
    let checked = match check {
        "----" => false,
        _ if hex(check, 4).ok_or(LineError::Form)? == u32::from(crc(said.as_bytes())) => true,
        _ => return Err(LineError::Damaged),
    };
    let (from_node, rest) = match (said.strip_prefix('@'), said.strip_prefix('#')) {
        (Some(rest), _) => (true, rest),
        (None, Some(rest)) => (false, rest),
        (None, None) => return Err(LineError::Form),
    };
    let (head, body) = rest.split_once(' ').ok_or(LineError::Form)?;
    let (addr, seq) = head.split_once(':').ok_or(LineError::Form)?;
    let addr = hex(addr, 2).and_then(|it| u8::try_from(it).ok()).ok_or(LineError::Form)?;
    let seq = hex16(seq).ok_or(LineError::Form)?;
    let body = if from_node { Body::Up(up(body)?) } else { Body::Down(down(body)?) };
    allowed(addr, checked, &body)?;
    Ok(Line { addr, seq, body })
}

/// Address 0 is for `HI`, 255 for `CUT`; a person may leave out the check of what can do no harm.
fn allowed(addr: u8, checked: bool, body: &Body) -> Result<(), LineError> {
    let address = match body {
        Body::Up(_) => (1..=0xFE).contains(&addr),
        Body::Down(Down::Hello { .. }) => addr != 0xFF,
        Body::Down(Down::Cut { .. }) => addr != 0,
        Body::Down(_) => (1..=0xFE).contains(&addr),
    };
    let harmless = match body {
        Body::Up(_) => false,
        Body::Down(
            Down::Hello { .. }
            | Down::Go { .. }
            | Down::Ping
            | Down::Rate { .. }
            | Down::Cut { .. },
        ) => true,
        Body::Down(
            Down::Permit { .. } | Down::Arm { .. } | Down::On { .. } | Down::Throw { .. },
        ) => false,
    };
    match (address, checked || harmless) {
        (false, _) => Err(LineError::Address),
        (true, false) => Err(LineError::Unchecked),
        (true, true) => Ok(()),
    }
}

fn up(text: &str) -> Result<Up, LineError> {
    let (verb, rest) = text.split_once(' ').ok_or(LineError::Verb)?;
    let parts: Vec<&str> = rest.split(' ').collect();
    let read = match verb {
        "HI" => hello(&parts),
        "CH" => row(&parts).map(Up::Channel),
        "CE" => table_end(&parts),
        "RD" => readings(&parts),
        "RP" => packed(&parts),
        "ST" => states(&parts),
        "EV" => event(&parts),
        "HB" => beat(&parts),
        "AK" => ack(&parts),
        "LG" => words(&parts).map(Up::Log),
        _ => return Err(LineError::Verb),
    };
    read.ok_or(LineError::Body)
}

fn down(text: &str) -> Result<Down, LineError> {
    let parts: Vec<&str> = text.split(' ').collect();
    let read = match parts.as_slice() {
        ["HI", clp] => version(clp).map(|version| Down::Hello { version }),
        ["GO", clp, boot, host] => go(clp, boot, host),
        ["PM", boot, ms] => permit(boot, ms),
        ["CUT", "ALL", why @ ..] => words(why).map(|words| Down::Cut { channel: None, words }),
        ["CUT", at, why @ ..] => cut(at, why),
        ["ARM", at] => channel(at).map(|channel| Down::Arm { channel }),
        ["ON", at, token] => on(at, token),
        ["THROW", at, to, ms] => throw(at, to, ms),
        ["RATE", at, hz] => rate(at, hz),
        ["PING"] => Some(Down::Ping),
        ["HI" | "GO" | "PM" | "CUT" | "ARM" | "ON" | "THROW" | "RATE" | "PING", ..] => None,
        [..] => return Err(LineError::Verb),
    };
    read.ok_or(LineError::Body)
}

fn hello(parts: &[&str]) -> Option<Up> {
    let (versions, keys) = parts.split_first()?;
    let (low, high) = versions.strip_prefix("clp=")?.split_once('-')?;
    let keys: Option<Vec<_>> = keys.iter().map(|part| key_word(part)).collect();
    let keys = keys.filter(|keys| !keys.is_empty())?;
    Some(Up::Hello { versions: (number(low)?, number(high)?), keys })
}

fn key_word(part: &str) -> Option<(String, String)> {
    let (key, value) = part.split_once('=')?;
    let good = (1..=8).contains(&key.len()) && key.bytes().all(|b| b.is_ascii_lowercase());
    good.then_some(())?;
    Some((key.to_owned(), word(value)?))
}

fn row(parts: &[&str]) -> Option<Row> {
    let [at, kind, unit, scale, hz, label] = parts else { return None };
    let good_unit = *unit == "-"
        || ((1..=3).contains(&unit.len()) && unit.bytes().all(|b| b.is_ascii_alphabetic()));
    good_unit.then_some(())?;
    let (kind, _) = Kind::ALL.iter().find(|(_, word)| word == kind)?;
    Some(Row {
        channel: channel(at)?,
        kind: *kind,
        unit: (*unit).to_owned(),
        scale: decimal(scale)?,
        hz: number(hz)?,
        label: word(label)?,
        spelled: format!("CH {}", parts.join(" ")),
    })
}

fn table_end(parts: &[&str]) -> Option<Up> {
    let [count, check] = parts else { return None };
    Some(Up::TableEnd { count: number(count)?, check: hex16(check)? })
}

fn readings(parts: &[&str]) -> Option<Up> {
    let [ms, first, values @ ..] = parts else { return None };
    let values: Option<Vec<_>> = values.iter().map(|value| sample(value)).collect();
    let values = values.filter(|values| !values.is_empty())?;
    Some(Up::Readings { ms: number(ms)?, first: channel(first)?, values })
}

fn sample(text: &str) -> Option<Sample> {
    match text {
        "-" => Some(Sample::Missing),
        "^" => Some(Sample::Over),
        "_" => Some(Sample::Under),
        _ => {
            let digits = text.strip_prefix('-').unwrap_or(text);
            let good = (1..=6).contains(&digits.len()) && all_digits(digits);
            good.then_some(())?;
            text.parse().ok().map(Sample::Value)
        }
    }
}

fn packed(parts: &[&str]) -> Option<Up> {
    let [ms, first, digits] = parts else { return None };
    ((1..=8).contains(&ms.len()) && !digits.is_empty() && digits.len().is_multiple_of(3))
        .then_some(())?;
    let values: Option<Vec<_>> =
        (0..digits.len()).step_by(3).map(|at| packed_value(digits.get(at..at + 3)?)).collect();
    let first = u8::try_from(hex(first, 2)?).ok()?;
    Some(Up::Packed { ms: hex(ms, ms.len())?, first, values: values? })
}

/// Twelve bits, two's complement; 800 is no value.
fn packed_value(digits: &str) -> Option<Option<i16>> {
    let bits = u16::try_from(hex(digits, 3)?).ok()?;
    let value = (bits << 4).cast_signed() >> 4;
    Some((bits != 0x800).then_some(value))
}

fn states(parts: &[&str]) -> Option<Up> {
    let (ms, codes) = parts.split_first()?;
    let codes: Option<Vec<_>> = codes.iter().map(|part| state(part)).collect();
    let codes = codes.filter(|codes| !codes.is_empty())?;
    Some(Up::States { ms: number(ms)?, codes })
}

fn state(part: &str) -> Option<(u16, Code)> {
    let (at, letter) = part.split_once('=')?;
    let (code, _) = Code::ALL.iter().find(|(_, it)| *it == letter)?;
    Some((channel(at)?, *code))
}

fn event(parts: &[&str]) -> Option<Up> {
    let [ms, at, kind, more @ ..] = parts else { return None };
    (!kind.is_empty() && kind.bytes().all(|b| b.is_ascii_uppercase())).then_some(())?;
    Some(Up::Event {
        ms: number(ms)?,
        channel: channel(at)?,
        kind: (*kind).to_owned(),
        words: words(more)?,
    })
}

fn beat(parts: &[&str]) -> Option<Up> {
    let [ms, boot, permit_ms, dropped, bad] = parts else { return None };
    Some(Up::Beat {
        ms: number(ms)?,
        boot: hex16(boot)?,
        permit_ms: number(permit_ms)?,
        dropped: number(dropped)?,
        bad: number(bad)?,
    })
}

fn ack(parts: &[&str]) -> Option<Up> {
    let (seq, answer) = parts.split_first()?;
    let (answer, more) = match answer {
        ["OK", more @ ..] => (Answer::Ok, more),
        ["DONE", more @ ..] => (Answer::Done, more),
        ["TOK", token, ms, more @ ..] => {
            (Answer::Token { token: hex16(token)?, ms: number(ms)? }, more)
        }
        ["NO", why, more @ ..] => (Answer::No(word(why)?), more),
        [..] => return None,
    };
    Some(Up::Ack { seq: hex16(seq)?, answer, words: words(more)? })
}

fn go(clp: &str, boot: &str, host: &str) -> Option<Down> {
    let boot = hex16(boot.strip_prefix("boot=")?)?;
    Some(Down::Go { version: version(clp)?, boot, host: hex16(host.strip_prefix("host=")?)? })
}

fn permit(boot: &str, ms: &str) -> Option<Down> {
    let ms = number(ms).filter(|ms| *ms <= LONGEST_PERMIT)?;
    Some(Down::Permit { boot: hex16(boot)?, ms })
}

fn cut(at: &str, why: &[&str]) -> Option<Down> {
    Some(Down::Cut { channel: Some(channel(at)?), words: words(why)? })
}

fn on(at: &str, token: &str) -> Option<Down> {
    Some(Down::On { channel: channel(at)?, token: hex16(token)? })
}

fn throw(at: &str, to: &str, ms: &str) -> Option<Down> {
    let to = match to {
        "N" => Position::Normal,
        "R" => Position::Reverse,
        _ => return None,
    };
    Some(Down::Throw { channel: channel(at)?, to, ms: number(ms)? })
}

fn rate(at: &str, hz: &str) -> Option<Down> {
    Some(Down::Rate { channel: channel(at)?, hz: number(hz)? })
}

fn version(text: &str) -> Option<u32> {
    number(text.strip_prefix("clp=")?)
}

fn words(parts: &[&str]) -> Option<Vec<String>> {
    parts.iter().map(|part| word(part)).collect()
}

fn word(text: &str) -> Option<String> {
    let fits = |b: u8| matches!(b, 0x21..=0x22 | 0x24..=0x29 | 0x2B..=0x3F | 0x41..=0x7E);
    let good = (1..=LONGEST_WORD).contains(&text.len()) && text.bytes().all(fits);
    good.then(|| text.to_owned())
}

fn channel(text: &str) -> Option<u16> {
    ((1..=3).contains(&text.len()) && all_digits(text)).then_some(())?;
    text.parse().ok()
}

/// At most ten digits, and no more than 32 bits.
fn number(text: &str) -> Option<u32> {
    ((1..=10).contains(&text.len()) && all_digits(text)).then_some(())?;
    text.parse().ok()
}

fn decimal(text: &str) -> Option<Scale> {
    let (whole, fraction) = text.split_once('.').unwrap_or((text, ""));
    let good = (1..=9).contains(&whole.len()) && fraction.len() <= 6;
    let good = good && all_digits(whole) && all_digits(fraction) && !text.ends_with('.');
    good.then_some(())?;
    let digits = format!("{whole}{fraction}").parse().ok()?;
    Some(Scale { digits, places: u8::try_from(fraction.len()).ok()? })
}

fn all_digits(text: &str) -> bool {
    text.bytes().all(|b| b.is_ascii_digit())
}

fn hex16(text: &str) -> Option<u16> {
    u16::try_from(hex(text, 4)?).ok()
}

/// Exactly `digits` upper-case hexadecimal digits, at most eight.
fn hex(text: &str, digits: usize) -> Option<u32> {
    let upper = |b: u8| b.is_ascii_digit() || (b'A'..=b'F').contains(&b);
    (text.len() == digits && text.bytes().all(upper)).then_some(())?;
    u32::from_str_radix(text, 16).ok()
}

#[cfg(test)]
mod tests {
    use super::{super::format::encode, *};

    fn sealed(text: &str) -> Vec<u8> {
        format!("{text}*{:04X}", crc(text.as_bytes())).into_bytes()
    }

    #[test]
    fn what_the_grammar_refuses_is_refused_with_its_reason() {
        use LineError as E;
        let cases = [
            ("@01:0001 XX 1", E::Verb),
            ("@01:0001 RD 1 0", E::Body),
            ("@01:0001 RD 1 0 1234567", E::Body),
            ("@01:0001 RD 1 0  5", E::Body),
            ("@01:0001 RD 4294967296 0 5", E::Body),
            ("@01:0001 RD 1 1000 5", E::Body),
            ("@01:0001 ST 1 3=X", E::Body),
            ("@01:0001 RP 1 00 12", E::Body),
            ("@01:0001 HB 1 9c41 0 0 0", E::Body),
            ("@00:0001 LG x", E::Address),
            ("@FF:0001 LG x", E::Address),
            ("#FF:0001 PING", E::Address),
            ("#00:0001 CUT ALL", E::Address),
            ("#01:0001 PM 9C41 5001", E::Body),
            ("#01:0001 FLY", E::Verb),
            ("@1:0001 LG x", E::Form),
            ("@01:001 LG x", E::Form),
            (">01:0001 LG x", E::Form),
            ("@01:0001", E::Form),
        ];
        for (text, want) in cases {
            assert_eq!(parse(&sealed(text)), Err(want), "{text}");
        }
        assert_eq!(parse(b"@01:0008 AK 0001 OK*5703"), Err(E::Damaged));
        assert_eq!(parse(b"@01:0008 AK 0001 OK*570"), Err(E::Form));
        assert_eq!(parse(b"\xff\xfe"), Err(E::Form));
    }

    #[test]
    fn a_person_may_leave_out_the_check_of_what_does_no_harm() {
        for text in ["#01:0000 PING*----", "#00:0000 HI clp=1*----", "#FF:0000 CUT ALL*----"] {
            assert!(parse(text.as_bytes()).is_ok(), "{text}");
        }
        for text in ["#01:0000 ON 5 7C21*----", "#01:0000 PM 9C41 1000*----", "@01:0000 LG x*----"]
        {
            assert_eq!(parse(text.as_bytes()), Err(LineError::Unchecked), "{text}");
        }
    }

    #[test]
    fn packed_values_are_twelve_bit_twos_complement() {
        let line = parse(&sealed("@01:0017 RP 42D8 00 32C8007FFFFF801")).expect("a line");
        let Body::Up(Up::Packed { ms, values, .. }) = &line.body else { panic!("{line:?}") };
        assert_eq!(*ms, 0x42D8);
        assert_eq!(*values, [Some(812), None, Some(2047), Some(-1), Some(-2047)]);
        assert!(encode(&line).starts_with("@01:0017 RP 42D8 00 32C8007FFFFF801*"));
    }
}
