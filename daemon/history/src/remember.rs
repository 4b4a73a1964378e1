//! What a supervisor starts from after a restart. Names that the layout has no more are left out, with a line in the log.

use rusqlite::Connection;
use supervision::{
    alarm::{AlarmKey, AlarmKind, AlarmState, Subject},
    commission::When,
    record::FaultNumber,
    snapshot::Hand,
    start::{LedgerEntry, LockedOut, Remembered, RememberedAlarm},
};
use wiring::{
    channel::Object,
    units::{MicroA2s, Mono},
};

use crate::{commissioning, names::Names, stored};

/// Reads it all. `now` is the same instant on both clocks.
///
/// Alarms about nodes do not come back: a node has no number before it is heard again, and then raises its own.
pub fn remembered(
    db: &Connection,
    names: &Names,
    now: (Mono, i64),
) -> rusqlite::Result<Remembered> {
    Ok(Remembered {
        next_fault: next_fault(db)?,
        locked_out: locked_out(db, names)?,
        alarms: alarms(db, names, now)?,
        ledger: ledger(db, names)?,
        proved_pairs: commissioning::proved_pairs(db, names)?,
        commissioning: commissioning::remembered(db, names)?,
        culprits: culprits(db, names)?,
    })
}

fn next_fault(db: &Connection) -> rusqlite::Result<u32> {
    db.query_row("SELECT coalesce(max(number), 0) + 1 FROM last_fault", [], |row| row.get(0))
}

fn locked_out(db: &Connection, names: &Names) -> rusqlite::Result<Vec<LockedOut>> {
    let mut read = db.prepare(
        "SELECT lock_out.district, lock_out.fault, cause_data FROM lock_out \
         LEFT JOIN fault ON fault.number = lock_out.fault ORDER BY lock_out.district",
    )?;
    let rows = read.query_map([], |row| {
        Ok((row.get::<_, String>(0)?, row.get::<_, Option<u32>>(1)?, row.get(2)?))
    })?;
    let mut all = Vec::new();
    for row in rows {
        let (name, fault, cause): (String, Option<u32>, Option<String>) = row?;
        let Some(Object::District(district)) = known(names, &name) else { continue };
        all.push(LockedOut {
            district,
            cause: cause.and_then(|text| stored::read(&text, names)),
            fault: fault.map(FaultNumber),
        });
    }
    Ok(all)
}

fn alarms(
    db: &Connection,
    names: &Names,
    (now, utc): (Mono, i64),
) -> rusqlite::Result<Vec<RememberedAlarm>> {
    let mut read = db.prepare(
        "SELECT kind, subject, state, text, shelved_until_us, signed, signed_us FROM alarm \
         ORDER BY changed_us, kind, subject",
    )?;
    let rows = read.query_map([], |row| {
        Ok((
            row.get::<_, String>(0)?,
            row.get::<_, String>(1)?,
            row.get::<_, String>(2)?,
            row.get::<_, String>(3)?,
            row.get::<_, Option<i64>>(4)?,
            row.get::<_, Option<String>>(5)?.zip(row.get::<_, Option<i64>>(6)?),
        ))
    })?;
    let mut all = Vec::new();
    for row in rows {
        let (kind, subject, state, text, until, signed) = row?;
        let (Some(kind), Some(state), Some(subject)) = (
            AlarmKind::from_word(&kind),
            AlarmState::from_word(&state),
            alarm_subject(names, &subject),
        ) else {
            continue;
        };
        // A shelving whose end was not recorded ends at once: nothing is shelved for ever.
        let until = until.unwrap_or(utc).saturating_sub(utc).max(0) as u64;
        let shelved_until =
            (state == AlarmState::Shelved).then(|| now + wiring::units::Micros(until));
        let by = signed.map(|(who, at)| Hand { who, at: When::Utc(at) });
        let alarm = AlarmKey { kind, subject };
        all.push(RememberedAlarm { alarm, state, text, shelved_until, by });
    }
    Ok(all)
}

fn alarm_subject(names: &Names, name: &str) -> Option<Subject> {
    if name == "node/checkrail" {
        return Some(Subject::Checkrail);
    }
    if name.starts_with("node/") {
        return None;
    }
    known(names, name).map(Subject::Object)
}

fn ledger(db: &Connection, names: &Names) -> rusqlite::Result<Vec<LedgerEntry>> {
    let mut read = db.prepare("SELECT pole, hits, energy_ua2s FROM ledger ORDER BY pole")?;
    let rows = read.query_map([], |row| {
        Ok((row.get::<_, String>(0)?, row.get::<_, u32>(1)?, row.get::<_, i64>(2)?))
    })?;
    let mut all = Vec::new();
    for row in rows {
        let (name, hits, energy) = row?;
        let Some(Object::Pole(pole)) = known(names, &name) else { continue };
        all.push(LedgerEntry { pole, hits, energy: MicroA2s(energy.unsigned_abs()) });
    }
    Ok(all)
}

fn culprits(db: &Connection, names: &Names) -> rusqlite::Result<Vec<(wiring::index::FrogIx, u32)>> {
    let mut read =
        db.prepare("SELECT subject, count(*) FROM culprit GROUP BY subject ORDER BY subject")?;
    let rows = read.query_map([], |row| Ok((row.get::<_, String>(0)?, row.get::<_, u32>(1)?)))?;
    let mut all = Vec::new();
    for row in rows {
        let (name, count) = row?;
        // Suspects that are no object (`vehicle`, `wiring` …) have no history of their own.
        if let Some(Object::Frog(frog)) = names.find(&name) {
            all.push((frog, count));
        }
    }
    Ok(all)
}

fn known(names: &Names, name: &str) -> Option<Object> {
    let found = names.find(name);
    if found.is_none() {
        tracing::warn!(name, "the history remembers something that the layout has no more");
    }
    found
}
