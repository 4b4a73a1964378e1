//! Writes two faults as JSON, CSV and COMTRADE into the folder named by its argument, for the checks against an
//! independent reader in `tests/peers`.

#[path = "../tests/support/mod.rs"]
mod support;

use std::{env, error::Error, fs, path::Path, time::Duration};

use history::{
    Reader, Settings,
    export::{self, Format},
    json::{Fault, Waveform},
};
use serde_json::{Value, json};

fn main() -> Result<(), Box<dyn Error>> {
    let folder = env::args_os().nth(1).ok_or("usage: export_sample FOLDER")?;
    let folder = Path::new(&folder);
    fs::create_dir_all(folder)?;
    let plain = recorded()?;
    write(folder, "plain", &plain)?;
    write(folder, "awkward", &awkward(plain))
}

/// A fault as the history gives it back.
fn recorded() -> Result<Fault, Box<dyn Error>> {
    let dir = tempfile::tempdir()?;
    let (history, _notices) = support::open(dir.path(), Settings::default());
    history.record(support::opened(10_000, 1));
    history.record(support::closed(1));
    if !history.flush(Duration::from_secs(10)) {
        return Err("the sample could not be saved".into());
    }
    Ok(Reader::open(dir.path())?.fault(1)?)
}

/// Names with commas, more status channels than one word holds, readings without a value, channels that do not share
/// their instants, silence, a current beyond ten amperes.
fn awkward(mut fault: Fault) -> Fault {
    fault.waveforms.push(Waveform {
        channel: "block/q1, west/current".to_owned(),
        unit: Some("A".to_owned()),
        ms: vec![-1999.5, -3.25, 0.001, 7.125, 900.0],
        values: vec![json!(0.0005), json!(17.25), Value::Null, json!(12.003), json!(0.004)],
    });
    for machine in 1..=6 {
        fault.waveforms.push(Waveform {
            channel: format!("machine/M{machine}/position"),
            unit: None,
            ms: vec![-1000.0 + f64::from(machine), 20.0, 40.0 + f64::from(machine)],
            values: vec![json!("normal"), json!("moving"), json!("reverse")],
        });
    }
    fault
}

fn write(folder: &Path, name: &str, fault: &Fault) -> Result<(), Box<dyn Error>> {
    fs::write(folder.join(format!("{name}.json")), export::json(fault))?;
    fs::write(folder.join(format!("{name}.csv")), export::csv(fault))?;
    for (format, word) in [(Format::Ascii, "ascii"), (Format::Binary, "binary")] {
        let record = export::comtrade(fault, "Tamarrow Valley, east", format);
        fs::write(folder.join(format!("{name}-{word}.cfg")), record.cfg)?;
        fs::write(folder.join(format!("{name}-{word}.dat")), record.dat)?;
    }
    Ok(())
}
