//! The tables, and the steps from each version of them to the next. A step is never changed once released.

use rusqlite::{Connection, TransactionBehavior};

/// Steps in order: the first makes version 1 of an empty file.
const STEPS: [&str; 5] = [VERSION_1, VERSION_2, VERSION_3, VERSION_4, VERSION_5];

const VERSION_1: &str = "
-- One row a run of the daemon: monotonic instants belong to a run.
CREATE TABLE run (
  id INTEGER PRIMARY KEY,
  started_us INTEGER NOT NULL,
  layout TEXT NOT NULL
) STRICT;

CREATE TABLE event (
  id INTEGER PRIMARY KEY,
  run INTEGER NOT NULL REFERENCES run(id),
  mono_us INTEGER NOT NULL,
  utc_us INTEGER NOT NULL,
  kind TEXT NOT NULL,
  subject TEXT,
  fault INTEGER,
  text TEXT NOT NULL
) STRICT;
CREATE INDEX event_by_time ON event(utc_us);
CREATE TRIGGER event_is_final BEFORE UPDATE ON event
BEGIN SELECT RAISE(ABORT, 'events are never changed'); END;

-- `record` is the JSON of a fault without its samples; null while its window is open.
CREATE TABLE fault (
  number INTEGER PRIMARY KEY,
  run INTEGER NOT NULL REFERENCES run(id),
  district TEXT NOT NULL,
  cause TEXT NOT NULL,
  cause_data TEXT NOT NULL,
  cause_text TEXT NOT NULL,
  trigger_us INTEGER NOT NULL,
  peak_ua INTEGER,
  cleared_us INTEGER,
  suspect TEXT,
  share INTEGER,
  samples TEXT NOT NULL DEFAULT 'none',
  record TEXT
) STRICT;
-- The highest number ever given, on a page of its own: numbers go on even where the rows of faults are lost.
CREATE TABLE last_fault (
  id INTEGER PRIMARY KEY CHECK (id = 1),
  number INTEGER NOT NULL
) STRICT;
INSERT INTO last_fault VALUES (1, 0);
CREATE TRIGGER fault_is_counted AFTER INSERT ON fault
BEGIN UPDATE last_fault SET number = max(number, NEW.number); END;

CREATE INDEX fault_by_time ON fault(trigger_us);
CREATE TRIGGER fault_record_is_final BEFORE UPDATE OF record ON fault WHEN OLD.record IS NOT NULL
BEGIN SELECT RAISE(ABORT, 'a fault record is never changed'); END;

CREATE TABLE waveform (
  fault INTEGER NOT NULL REFERENCES fault(number),
  channel TEXT NOT NULL,
  samples INTEGER NOT NULL,
  data BLOB NOT NULL,
  PRIMARY KEY (fault, channel)
) STRICT;
CREATE TRIGGER waveform_is_final BEFORE UPDATE ON waveform
BEGIN SELECT RAISE(ABORT, 'samples are never changed'); END;

CREATE TABLE note (
  id INTEGER PRIMARY KEY,
  fault INTEGER NOT NULL REFERENCES fault(number),
  utc_us INTEGER NOT NULL,
  who TEXT NOT NULL,
  text TEXT NOT NULL
) STRICT;

CREATE TABLE culprit (
  fault INTEGER PRIMARY KEY REFERENCES fault(number),
  subject TEXT NOT NULL,
  utc_us INTEGER NOT NULL,
  who TEXT NOT NULL
) STRICT;

-- Alarms that are not normal.
CREATE TABLE alarm (
  kind TEXT NOT NULL,
  subject TEXT NOT NULL,
  state TEXT NOT NULL,
  text TEXT NOT NULL,
  changed_us INTEGER NOT NULL,
  shelved_until_us INTEGER,
  PRIMARY KEY (kind, subject)
) STRICT;

CREATE TABLE lock_out (
  district TEXT PRIMARY KEY,
  fault INTEGER,
  utc_us INTEGER NOT NULL
) STRICT;

CREATE TABLE ledger (
  pole TEXT PRIMARY KEY,
  hits INTEGER NOT NULL,
  energy_ua2s INTEGER NOT NULL,
  peak_ua INTEGER NOT NULL,
  -- What the pole's thermal image holds: rating squared times time constant.
  holds_ua2s INTEGER NOT NULL,
  last_us INTEGER NOT NULL
) STRICT;

CREATE TABLE machine (
  machine TEXT PRIMARY KEY,
  throws INTEGER NOT NULL,
  rest TEXT,
  moving_since_us INTEGER
) STRICT;

CREATE TABLE throw (
  id INTEGER PRIMARY KEY,
  machine TEXT NOT NULL,
  utc_us INTEGER NOT NULL,
  took_us INTEGER NOT NULL
) STRICT;
CREATE INDEX throw_by_machine ON throw(machine, id);

CREATE TABLE commissioning (
  id INTEGER PRIMARY KEY,
  utc_us INTEGER NOT NULL,
  subject TEXT NOT NULL,
  step TEXT NOT NULL,
  passed INTEGER NOT NULL,
  detail TEXT NOT NULL,
  who TEXT NOT NULL
) STRICT;
CREATE TRIGGER commissioning_is_final BEFORE UPDATE ON commissioning
BEGIN SELECT RAISE(ABORT, 'a commissioning result is never changed'); END;

CREATE TABLE action (
  id INTEGER PRIMARY KEY,
  utc_us INTEGER NOT NULL,
  who TEXT NOT NULL,
  what TEXT NOT NULL,
  refused TEXT
) STRICT;
CREATE TRIGGER action_is_final BEFORE UPDATE ON action
BEGIN SELECT RAISE(ABORT, 'what an operator did is never changed'); END;
";

const VERSION_2: &str = "
-- When a run was last seen to work, and whether it ended by a stop.
ALTER TABLE run ADD COLUMN seen_us INTEGER;
ALTER TABLE run ADD COLUMN stopped INTEGER NOT NULL DEFAULT 0;

-- Proved states of power, for the time that each district was on.
CREATE TABLE power (
  id INTEGER PRIMARY KEY,
  run INTEGER NOT NULL,
  utc_us INTEGER NOT NULL,
  feed TEXT NOT NULL,
  state TEXT NOT NULL
) STRICT;
CREATE INDEX power_by_time ON power(utc_us);

-- Changes of alarms, for their rates. `gathered`: it was shown under another alarm and not on its own.
CREATE TABLE alarm_change (
  id INTEGER PRIMARY KEY,
  utc_us INTEGER NOT NULL,
  kind TEXT NOT NULL,
  subject TEXT NOT NULL,
  transition TEXT NOT NULL,
  priority TEXT NOT NULL,
  gathered INTEGER NOT NULL
) STRICT;
CREATE INDEX alarm_change_by_time ON alarm_change(utc_us);

-- Throws by machine and minute, timed or not.
CREATE TABLE thrown (
  minute INTEGER NOT NULL,
  machine TEXT NOT NULL,
  throws INTEGER NOT NULL,
  PRIMARY KEY (minute, machine)
) STRICT, WITHOUT ROWID;

-- How long a frog had no power while its machine threw.
CREATE TABLE change_over (
  id INTEGER PRIMARY KEY,
  machine TEXT NOT NULL,
  utc_us INTEGER NOT NULL,
  gap_us INTEGER NOT NULL
) STRICT;
CREATE INDEX change_over_by_machine ON change_over(machine, id);

ALTER TABLE machine ADD COLUMN dead_since_us INTEGER;
ALTER TABLE machine ADD COLUMN mismatches INTEGER NOT NULL DEFAULT 0;
";

const VERSION_3: &str = "
-- The result of one commissioning of a turnout. `wiring` is the fingerprint of what was proved.
CREATE TABLE commissioned (
  id INTEGER PRIMARY KEY,
  machine TEXT NOT NULL,
  utc_us INTEGER NOT NULL,
  who TEXT NOT NULL,
  outcome TEXT NOT NULL,
  wiring TEXT NOT NULL,
  steps TEXT NOT NULL
) STRICT;
CREATE INDEX commissioned_by_machine ON commissioned(machine, id);
CREATE TRIGGER commissioned_is_final BEFORE UPDATE ON commissioned
BEGIN SELECT RAISE(ABORT, 'a commissioning result is never changed'); END;

-- Fingerprints of the layout that ran last: readers have no layout.
CREATE TABLE wired (
  machine TEXT PRIMARY KEY,
  wiring TEXT NOT NULL
) STRICT, WITHOUT ROWID;
";

const VERSION_4: &str = "
-- Steps of commissioning as they end: `passed failed skipped`, and the fingerprint of the wiring that they are about.
ALTER TABLE commissioning ADD COLUMN outcome TEXT;
ALTER TABLE commissioning ADD COLUMN wiring TEXT;
";

const VERSION_5: &str = "
-- Who acknowledged an alarm, shelved it or took it out of service, and when.
ALTER TABLE alarm ADD COLUMN signed TEXT;
ALTER TABLE alarm ADD COLUMN signed_us INTEGER;
";

/// The tables that are worth saving from a damaged file, those that a restart needs first.
pub(crate) const WORTH_SAVING: [&str; 18] = [
    "last_fault",
    "run",
    "fault",
    "lock_out",
    "alarm",
    "ledger",
    "culprit",
    "note",
    "machine",
    "commissioning",
    "commissioned",
    "action",
    "power",
    "alarm_change",
    "thrown",
    "change_over",
    "waveform",
    "event",
];

/// The newest version of the tables.
pub(crate) const NEWEST: i64 = STEPS.len() as i64;

/// Version of the tables in a file; 0 for an empty one.
pub(crate) fn version(db: &Connection) -> rusqlite::Result<i64> {
    db.query_row("PRAGMA user_version", [], |row| row.get(0))
}

/// Brings the tables to the newest version, each step in a transaction of its own.
pub(crate) fn migrate(db: &mut Connection) -> rusqlite::Result<()> {
    for (step, sql) in STEPS.iter().enumerate().skip(version(db)? as usize) {
        let change = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        change.execute_batch(sql)?;
        change.pragma_update(None, "user_version", step as i64 + 1)?;
        change.commit()?;
    }
    Ok(())
}
