//! A cause as the database keeps it, so that a district locked out before a restart still says why.

use serde::{Deserialize, Serialize};
use supervision::cause::Cause;
use wiring::{
    channel::Object,
    units::{Microamps, Micros, Millivolts},
};

use crate::names::Names;

/// The fields of [`Cause`], by name. Units: microampere, microsecond, millivolt.
#[derive(Debug, Deserialize, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
enum Stored {
    Short { seen: i64, pickup: i64, lasted: u64 },
    HalfShort { step: i64, lasted: u64 },
    AtLimit { seen: i64, limit: i64, lasted: u64 },
    Overload { seen: i64, pickup: i64 },
    Contact { pole: String, amps: i64, estimated: bool },
    Mismatch { frog: String },
    TrippedElsewhere { seen: i64 },
    PowerGone { seen: i64 },
    CutFailure { seen: Option<i64>, waited: u64 },
    Stale,
    LowVoltage { seen: i64, step: i64 },
    TestLimit { seen: i64, limit: i64 },
    Operator,
    Shutdown,
    Retry(u8),
    Start,
}

/// The cause as JSON text.
pub(crate) fn write(cause: Cause, names: &Names) -> String {
    let stored = match cause {
        Cause::Short { seen, pickup, lasted } => {
            Stored::Short { seen: seen.0, pickup: pickup.0, lasted: lasted.0 }
        }
        Cause::HalfShort { step, lasted } => Stored::HalfShort { step: step.0, lasted: lasted.0 },
        Cause::AtLimit { seen, limit, lasted } => {
            Stored::AtLimit { seen: seen.0, limit: limit.0, lasted: lasted.0 }
        }
        Cause::Overload { seen, pickup } => Stored::Overload { seen: seen.0, pickup: pickup.0 },
        Cause::Contact { pole, amps, estimated } => {
            Stored::Contact { pole: names.object(Object::Pole(pole)), amps: amps.0, estimated }
        }
        Cause::Mismatch { frog } => Stored::Mismatch { frog: names.object(Object::Frog(frog)) },
        Cause::TrippedElsewhere { seen } => Stored::TrippedElsewhere { seen: seen.0 },
        Cause::PowerGone { seen } => Stored::PowerGone { seen: seen.0 },
        Cause::CutFailure { seen, waited } => {
            Stored::CutFailure { seen: seen.map(|amps| amps.0), waited: waited.0 }
        }
        Cause::Stale => Stored::Stale,
        Cause::LowVoltage { seen, step } => Stored::LowVoltage { seen: seen.0, step: step.0 },
        Cause::TestLimit { seen, limit } => Stored::TestLimit { seen: seen.0, limit: limit.0 },
        Cause::Operator => Stored::Operator,
        Cause::Shutdown => Stored::Shutdown,
        Cause::Retry(count) => Stored::Retry(count),
        Cause::Start => Stored::Start,
    };
    serde_json::to_string(&stored).unwrap_or_default()
}

/// The cause of a JSON text; none when it is of another version or names what the layout has no more.
pub(crate) fn read(text: &str, names: &Names) -> Option<Cause> {
    Some(match serde_json::from_str(text).ok()? {
        Stored::Short { seen, pickup, lasted } => Cause::Short {
            seen: Microamps(seen),
            pickup: Microamps(pickup),
            lasted: Micros(lasted),
        },
        Stored::HalfShort { step, lasted } => {
            Cause::HalfShort { step: Microamps(step), lasted: Micros(lasted) }
        }
        Stored::AtLimit { seen, limit, lasted } => Cause::AtLimit {
            seen: Microamps(seen),
            limit: Microamps(limit),
            lasted: Micros(lasted),
        },
        Stored::Overload { seen, pickup } => {
            Cause::Overload { seen: Microamps(seen), pickup: Microamps(pickup) }
        }
        Stored::Contact { pole, amps, estimated } => {
            let Object::Pole(pole) = names.find(&pole)? else { return None };
            Cause::Contact { pole, amps: Microamps(amps), estimated }
        }
        Stored::Mismatch { frog } => {
            let Object::Frog(frog) = names.find(&frog)? else { return None };
            Cause::Mismatch { frog }
        }
        Stored::TrippedElsewhere { seen } => Cause::TrippedElsewhere { seen: Microamps(seen) },
        Stored::PowerGone { seen } => Cause::PowerGone { seen: Microamps(seen) },
        Stored::CutFailure { seen, waited } => {
            Cause::CutFailure { seen: seen.map(Microamps), waited: Micros(waited) }
        }
        Stored::Stale => Cause::Stale,
        Stored::LowVoltage { seen, step } => {
            Cause::LowVoltage { seen: Millivolts(seen), step: Microamps(step) }
        }
        Stored::TestLimit { seen, limit } => {
            Cause::TestLimit { seen: Microamps(seen), limit: Microamps(limit) }
        }
        Stored::Operator => Cause::Operator,
        Stored::Shutdown => Cause::Shutdown,
        Stored::Retry(count) => Cause::Retry(count),
        Stored::Start => Cause::Start,
    })
}
