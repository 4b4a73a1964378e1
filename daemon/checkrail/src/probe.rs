//! `checkrail probe`: asks a Modbus device once and prints everything that its registers may mean.

use std::io::ErrorKind;

use links::modbus::{
    decode::words,
    pdu::{Answer, Question, exception},
    probe::{Decoded, ProbeError, ask, decodings},
    wire::Fault,
};
use wiring::{
    links::{ModbusSettings, ModbusTable},
    quantity::{Dimension, amount},
    units::Micros,
};

use crate::{
    cli::{ProbeArgs, ProbeParity},
    exit::{Exit, Failure},
    print,
    run::block_on,
    table::table,
};

/// Runs `probe`.
///
/// # Errors
/// [`Failure`] when the device cannot be had or gives no good answer.
pub fn run(args: &ProbeArgs) -> Result<Exit, Failure> {
    let settings = settings(args)?;
    let table = ModbusTable::of(i64::from(args.function)).unwrap_or(ModbusTable::InputRegisters);
    let question = Question::Read { table, address: args.addr, count: args.count };
    if !question.is_askable() {
        let most = if table.is_bits() { 2000 } else { 125 };
        let why = format!("function {} reads at most {most} addresses, up to 65535", args.function);
        return Err(Failure::Argument(why));
    }
    block_on(async {
        match ask(&settings, args.unit, question).await {
            Ok(Answer::Data(data)) => show(args, table, &words(table, &data, args.count)),
            Ok(Answer::Exception(code)) => {
                print::error_line(&format!(
                    "unit {} answers exception {code}: {}{}",
                    args.unit,
                    exception(code),
                    if code == 2 { "; try another function, address or count" } else { "" }
                ));
                Ok(Exit::ErrorsFound)
            }
            Ok(Answer::Done) => Ok(Exit::Done),
            Err(error) => {
                print::error_line(&format!("checkrail: {error}{}", hint(&error)));
                Ok(Exit::ErrorsFound)
            }
        }
    })
}

fn settings(args: &ProbeArgs) -> Result<ModbusSettings, Failure> {
    let wrong = |why: String| Failure::Argument(format!("--timeout {}: {why}", args.timeout));
    let timeout = amount(&args.timeout, Dimension::Time)
        .map_err(|_| wrong("a time with its unit is needed, such as \"500 ms\"".to_owned()))?;
    let timeout = u64::try_from(timeout).ok().filter(|micros| (1000..=60_000_000).contains(micros));
    let timeout = timeout.ok_or_else(|| wrong("a time from 1 ms to 60 s is needed".to_owned()))?;
    // A device is a path; what has a port and is none is an address.
    let tcp = !args.device.contains('/') && args.device.contains(':');
    Ok(ModbusSettings {
        name: "probe".to_owned(),
        device: args.device.clone(),
        tcp,
        baud: args.baud,
        parity: match args.parity {
            ProbeParity::Even => 'E',
            ProbeParity::Odd => 'O',
            ProbeParity::None => 'N',
        },
        stop: args.stop,
        quiet: Micros::ZERO,
        timeout: Micros(timeout),
        reply_max: Micros(timeout.min(500_000)),
        broadcast_off: None,
        units: Vec::new(),
    })
}

fn hint(error: &ProbeError) -> &'static str {
    match error {
        ProbeError::Fault(Fault::Silent) => {
            "; is the unit number right, are baud rate and parity, are the two wires swapped?"
        }
        ProbeError::Fault(Fault::Check | Fault::Short(_) | Fault::Long) => {
            "; baud rate or parity may be wrong, or two units have one number"
        }
        ProbeError::Open { source, .. } => match source.kind() {
            ErrorKind::PermissionDenied => {
                "; the user needs access to it, on most systems by the group `dialout`"
            }
            ErrorKind::ConnectionRefused | ErrorKind::TimedOut => {
                "; does the device or gateway listen there, and do address and port fit?"
            }
            _ => "; is it a serial device, is it plugged in, and does its name fit?",
        },
        ProbeError::Fault(Fault::OwnEcho | Fault::Unit(_) | Fault::Other(_) | Fault::Header)
        | ProbeError::Line(_)
        | ProbeError::Busy => "",
    }
}

fn show(args: &ProbeArgs, kind: ModbusTable, words: &[u16]) -> Result<Exit, Failure> {
    if kind.is_bits() {
        let mut shown = table(&["addr", "bit"]);
        for (address, bit) in (args.addr..).zip(words) {
            shown.add_row(vec![address.to_string(), bit.to_string()]);
        }
        print::line(&shown.to_string())?;
        return Ok(Exit::Done);
    }
    let mut shown = table(&[
        "addr",
        "hex",
        "u16",
        "i16",
        "u32 hi-lo",
        "u32 lo-hi",
        "f32 hi-lo",
        "f32 lo-hi",
        "bits 15-0",
    ]);
    for it in decodings(args.addr, words) {
        shown.add_row(row(&it));
    }
    print::line(&shown.to_string())?;
    print::line("A 32-bit value takes this register and the next one.")?;
    Ok(Exit::Done)
}

fn row(it: &Decoded) -> Vec<String> {
    let mut cells = vec![
        it.address.to_string(),
        format!("{:04x}", it.word),
        it.word.to_string(),
        it.i16.to_string(),
    ];
    match it.double {
        Some([(high, high_float), (low, low_float)]) => {
            cells.extend([high.to_string(), low.to_string(), float(high_float), float(low_float)])
        }
        None => cells.extend(["", "", "", ""].map(str::to_owned)),
    }
    cells.push(format!(
        "{:04b} {:04b} {:04b} {:04b}",
        it.word >> 12,
        it.word >> 8 & 15,
        it.word >> 4 & 15,
        it.word & 15
    ));
    cells
}

/// Seven digits are what a single has.
fn float(value: f32) -> String {
    let size = value.abs();
    if !value.is_finite() {
        return "-".to_owned();
    }
    if size == 0.0 || (1e-3..1e7).contains(&size) {
        format!("{value}")
    } else {
        format!("{value:.3e}")
    }
}
