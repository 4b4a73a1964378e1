//! Wall-clock text.

use jiff::{Timestamp, tz::TimeZone};

/// RFC 3339 in UTC with milliseconds: `2026-11-25T10:19:22.123Z`.
pub(crate) fn utc(micros: i64) -> String {
    stamp(micros).strftime("%Y-%m-%dT%H:%M:%S.%3fZ").to_string()
}

/// Local date and time with milliseconds, for a person: `2026-11-25 10:19:22.123`.
pub(crate) fn local(micros: i64, zone: &TimeZone) -> String {
    stamp(micros).to_zoned_datetime(zone.clone()).strftime("%Y-%m-%d %H:%M:%S.%3f").to_string()
}

/// `25/11/2026,10:19:22.123456` in UTC, as COMTRADE writes it.
pub(crate) fn comtrade(micros: i64) -> String {
    stamp(micros).strftime("%d/%m/%Y,%H:%M:%S.%6f").to_string()
}

/// A clock beyond what the calendar holds is shown as its epoch rather than as nothing.
fn stamp(micros: i64) -> Timestamp {
    Timestamp::from_microsecond(micros).unwrap_or_default()
}
