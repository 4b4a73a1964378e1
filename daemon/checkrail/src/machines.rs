//! `checkrail machines`: what each contact has been through.

use history::{export, report};
use serde_json::json;

use crate::{
    cli::{MachinesArgs, MachinesFormat},
    exit::{Exit, Failure},
    faults::open,
    print,
    run::data_folder,
};

/// Runs `machines`.
///
/// # Errors
/// [`Failure`] when there is no history.
pub fn run(args: &MachinesArgs) -> Result<Exit, Failure> {
    let reader = open(&data_folder(args.data.as_deref()))?;
    let machines = reader.machines().map_err(|why| Failure::Argument(why.to_string()))?;
    match args.format {
        MachinesFormat::Json => print::line(&json!({ "machines": machines }).to_string())?,
        MachinesFormat::Csv => print::line(export::machines_csv(&machines).trim_end())?,
        MachinesFormat::Text if machines.is_empty() => {
            print::line("No machine has thrown and no contact was hit yet.")?;
        }
        MachinesFormat::Text => print::line(&report::machines(&machines))?,
    }
    Ok(Exit::Done)
}
