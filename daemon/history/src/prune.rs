//! Bounds on age and size, kept honestly: a fault loses its samples and says so, never its record.

use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};

/// How much is kept.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Limits {
    /// Samples older than this go. Unit: days. Default 730.
    pub samples_days: u32,
    /// Bytes of samples, compressed; the oldest faults' go first. Default 96 MiB.
    pub samples_bytes: u64,
    /// Lines of the event list; the oldest go first. Faults keep their own. Default 400 000.
    pub event_lines: u64,
    /// Timed throws of one machine; the oldest go first. Default 200.
    pub throws_each: u32,
}

impl Default for Limits {
    fn default() -> Self {
        Self { samples_days: 730, samples_bytes: 96 << 20, event_lines: 400_000, throws_each: 200 }
    }
}

/// What went.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub(crate) struct Pruned {
    /// Faults that lost their samples.
    pub(crate) faults: usize,
    /// Lines of the event list.
    pub(crate) lines: usize,
    /// Timed throws.
    pub(crate) throws: usize,
}

impl Pruned {
    pub(crate) const fn anything(self) -> bool {
        self.faults + self.lines + self.throws > 0
    }
}

const DAY_US: i64 = 86_400_000_000;

/// Rows in one transaction: the writer must not keep supervision's items waiting for long.
const STEP: u64 = 5000;

/// Free pages given back to the disk at once.
const VACUUM_PAGES: u32 = 2000;

/// Removes what is beyond the limits.
pub(crate) fn prune(
    db: &mut Connection,
    limits: &Limits,
    now_utc: i64,
) -> rusqlite::Result<Pruned> {
    let mut pruned = Pruned::default();
    let oldest = now_utc.saturating_sub(i64::from(limits.samples_days).saturating_mul(DAY_US));
    while let Some(fault) = beyond(db, limits, oldest)? {
        remove_samples(db, fault)?;
        pruned.faults += 1;
    }
    pruned.lines = remove_lines(db, limits.event_lines)?;
    pruned.throws = remove_throws(db, limits.throws_each)?;
    if pruned.anything() {
        // As a query: it steps through as many rows as it frees pages.
        let mut free = db.prepare(&format!("PRAGMA incremental_vacuum({VACUUM_PAGES})"))?;
        let mut rows = free.query([])?;
        while rows.next()?.is_some() {}
    }
    Ok(pruned)
}

/// The oldest fault with samples, if it is too old or there are too many bytes of them.
fn beyond(db: &Connection, limits: &Limits, oldest: i64) -> rusqlite::Result<Option<i64>> {
    let first: Option<(i64, i64)> = db
        .prepare_cached(
            "SELECT number, trigger_us FROM fault WHERE samples = 'kept' \
             ORDER BY trigger_us, number LIMIT 1",
        )?
        .query_row([], |row| Ok((row.get(0)?, row.get(1)?)))
        .optional()?;
    let Some((number, trigger)) = first else { return Ok(None) };
    if trigger < oldest {
        return Ok(Some(number));
    }
    let bytes: i64 = db
        .prepare_cached("SELECT coalesce(sum(length(data)), 0) FROM waveform")?
        .query_row([], |row| row.get(0))?;
    Ok((limits.samples_bytes < bytes as u64).then_some(number))
}

fn remove_samples(db: &mut Connection, fault: i64) -> rusqlite::Result<()> {
    let change = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    change.execute("DELETE FROM waveform WHERE fault = ?", [fault])?;
    change.execute("UPDATE fault SET samples = 'pruned' WHERE number = ?", [fault])?;
    change.commit()
}

fn remove_lines(db: &Connection, most: u64) -> rusqlite::Result<usize> {
    let (count, first): (i64, Option<i64>) =
        db.query_row("SELECT count(*), min(id) FROM event", [], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })?;
    let over = (count as u64).saturating_sub(most).min(STEP);
    let Some(first) = first.filter(|_| over > 0) else { return Ok(0) };
    db.execute("DELETE FROM event WHERE id < ?", [first + over as i64])
}

fn remove_throws(db: &Connection, each: u32) -> rusqlite::Result<usize> {
    db.execute(
        "DELETE FROM change_over WHERE id IN (SELECT id FROM (SELECT id, row_number() OVER \
         (PARTITION BY machine ORDER BY id DESC) AS place FROM change_over) WHERE place > ? LIMIT ?)",
        params![each, STEP as i64],
    )?;
    db.execute(
        "DELETE FROM throw WHERE id IN (SELECT id FROM (SELECT id, row_number() OVER \
         (PARTITION BY machine ORDER BY id DESC) AS place FROM throw) WHERE place > ? LIMIT ?)",
        params![each, STEP as i64],
    )
}
