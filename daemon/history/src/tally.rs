//! What reports count: time on, rates of alarms, throws, change-over gaps. Small rows beside the event list, whose
//! text is for people.

use rusqlite::{Connection, OptionalExtension, params};
use supervision::{
    alarm::{AlarmChange, AlarmKind, Subject, Transition},
    input::MeasuredPolarity,
};
use wiring::{channel::Object, index::FrogIx};

use crate::names::Names;

/// A frog without power for longer than this during a throw has another cause. Unit: us.
const GAP_MAX: i64 = 10_000_000;

const MINUTE_US: i64 = 60_000_000;

fn run(db: &Connection, sql: &str, values: impl rusqlite::Params) -> rusqlite::Result<()> {
    db.prepare_cached(sql)?.execute(values)?;
    Ok(())
}

/// The run was seen to work.
pub(crate) fn seen(db: &Connection, id: i64, utc: Option<i64>) -> rusqlite::Result<()> {
    let Some(utc) = utc else { return Ok(()) };
    run(db, "UPDATE run SET seen_us = max(coalesce(seen_us, 0), ?) WHERE id = ?", params![utc, id])
}

/// The run ended by a stop.
pub(crate) fn stopped(db: &Connection, id: i64) -> rusqlite::Result<()> {
    run(db, "UPDATE run SET stopped = 1 WHERE id = ?", [id])
}

/// A new proved state of power.
pub(crate) fn power(
    db: &Connection,
    id: i64,
    utc: i64,
    feed: &str,
    state: &str,
) -> rusqlite::Result<()> {
    let values = params![id, utc, feed, state];
    run(db, "INSERT INTO power(run, utc_us, feed, state) VALUES (?, ?, ?, ?)", values)
}

/// One change of an alarm; a mismatch is counted for the machines that feed the frog.
pub(crate) fn alarm(
    db: &Connection,
    names: &Names,
    utc: i64,
    change: &AlarmChange,
    subject: &str,
) -> rusqlite::Result<()> {
    let (kind, transition) = (change.alarm.kind.word(), change.transition.word());
    let (priority, gathered) = (change.priority.word(), change.under.is_some());
    run(
        db,
        "INSERT INTO alarm_change(utc_us, kind, subject, transition, priority, gathered) \
         VALUES (?, ?, ?, ?, ?, ?)",
        params![utc, kind, subject, transition, priority, gathered],
    )?;
    let mismatch =
        change.alarm.kind == AlarmKind::FrogMismatch && change.transition == Transition::Raised;
    let Subject::Object(Object::Frog(frog)) = change.alarm.subject else { return Ok(()) };
    if !mismatch {
        return Ok(());
    }
    for machine in machines(names, frog) {
        run(
            db,
            "INSERT INTO machine(machine, throws, mismatches) VALUES (?, 0, 1) \
             ON CONFLICT DO UPDATE SET mismatches = mismatches + 1",
            [machine],
        )?;
    }
    Ok(())
}

/// A machine came to rest elsewhere.
pub(crate) fn thrown(db: &Connection, utc: i64, machine: &str) -> rusqlite::Result<()> {
    run(
        db,
        "INSERT INTO thrown(minute, machine, throws) VALUES (?, ?, 1) \
         ON CONFLICT DO UPDATE SET throws = throws + 1",
        params![utc.div_euclid(MINUTE_US), machine],
    )
}

/// While a machine throws, its frog loses power and gains it again: the time between is the change-over gap. Only where
/// one machine feeds the frog; else nobody can say whose gap it is.
pub(crate) fn polarity(
    db: &Connection,
    names: &Names,
    utc: i64,
    frog: FrogIx,
    seen: MeasuredPolarity,
) -> rusqlite::Result<()> {
    let machines = machines(names, frog);
    let [machine] = machines.as_slice() else { return Ok(()) };
    let moving: Option<(Option<i64>, Option<i64>)> = db
        .prepare_cached("SELECT moving_since_us, dead_since_us FROM machine WHERE machine = ?")?
        .query_row([machine], |row| Ok((row.get(0)?, row.get(1)?)))
        .optional()?;
    let Some((Some(_), dead_since)) = moving else { return Ok(()) };
    match (seen, dead_since) {
        (MeasuredPolarity::Dead, _) => {
            run(db, "UPDATE machine SET dead_since_us = ? WHERE machine = ?", params![utc, machine])
        }
        (MeasuredPolarity::On(_), Some(since)) if (0..=GAP_MAX).contains(&(utc - since)) => {
            run(db, "UPDATE machine SET dead_since_us = NULL WHERE machine = ?", [machine])?;
            run(
                db,
                "INSERT INTO change_over(machine, utc_us, gap_us) VALUES (?, ?, ?)",
                params![machine, utc, utc - since],
            )
        }
        (MeasuredPolarity::On(_), _) => Ok(()),
    }
}

/// The machines whose poles feed a frog, each once.
fn machines(names: &Names, frog: FrogIx) -> Vec<String> {
    let layout = names.layout();
    let poles = layout.frogs[frog.at()].poles.iter();
    let mut all: Vec<_> = poles.map(|it| layout.poles[it.pole.at()].machine).collect();
    all.sort_unstable();
    all.dedup();
    all.into_iter().map(|it| names.object(Object::Machine(it))).collect()
}
