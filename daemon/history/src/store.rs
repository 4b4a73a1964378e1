//! Writing: what each item does to the tables. All items of a batch go in one transaction.

use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior, params};
use supervision::{
    alarm::{AlarmChange, AlarmKey, AlarmState, Subject},
    cause::Cause,
    commission::Kept,
    input::MachinePosition,
    output::{Event, EventKind},
    record::{FaultNumber, FaultRecord},
    words,
};
use wiring::{
    channel::Object,
    fingerprint,
    index::{MachineIx, PoleIx},
};

use crate::{
    codec,
    commissioning::{self, PASSED},
    item::{Commissioned, Item, Proving, What},
    names::Names,
    render, renumber, stored, tally,
};

/// Where a run's items go.
#[derive(Debug)]
pub(crate) struct Store {
    pub(crate) db: Connection,
    names: Names,
    run: i64,
    /// Added to the fault numbers of this run, whose supervisor did not know the last one.
    later_by: u32,
}

impl Store {
    /// Begins a run on an open database.
    pub(crate) fn begin(db: Connection, names: Names, now_utc: i64) -> rusqlite::Result<Self> {
        db.execute(
            "INSERT INTO run(started_us, layout) VALUES (?, ?)",
            params![now_utc, names.layout().name],
        )?;
        let run = db.last_insert_rowid();
        wired(&db, &names)?;
        Ok(Self { db, names, run, later_by: 0 })
    }

    /// Goes on with a run in a new file, after the old one was damaged.
    pub(crate) fn resume(&mut self, db: Connection, now_utc: i64) -> rusqlite::Result<()> {
        let later_by = self.later_by;
        *self = Self { later_by, ..Self::begin(db, self.names.clone(), now_utc)? };
        Ok(())
    }

    /// The supervisor of this run began to number before the last number was known.
    pub(crate) const fn renumber_by(&mut self, later_by: u32) {
        self.later_by = later_by;
    }

    /// The number under which a fault of this run is stored.
    pub(crate) const fn stored(&self, number: FaultNumber) -> FaultNumber {
        FaultNumber(number.0.saturating_add(self.later_by))
    }

    /// Saves all of them, or none. Durable when it returns.
    pub(crate) fn save<'a>(
        &mut self,
        items: impl Iterator<Item = &'a Item>,
    ) -> rusqlite::Result<()> {
        let change = self.db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let writing = Writing { db: &change, names: &self.names, run: self.run };
        let mut seen = None;
        for item in items {
            match self.later_by {
                0 => writing.item(item)?,
                by => writing.item(&renumber::later(item.clone(), by))?,
            }
            seen = Some(item.utc);
        }
        tally::seen(&change, self.run, seen)?;
        change.commit()
    }

    /// The run still works, though nothing happens.
    pub(crate) fn beat(&self, utc: i64) -> rusqlite::Result<()> {
        tally::seen(&self.db, self.run, Some(utc))
    }

    /// A line about the history itself.
    pub(crate) fn remark(&self, utc: i64, text: &str) -> rusqlite::Result<()> {
        self.db.execute(
            "INSERT INTO event(run, mono_us, utc_us, kind, subject, fault, text) \
             VALUES (?, 0, ?, 'history', 'node/checkrail', NULL, ?)",
            params![self.run, utc, text],
        )?;
        Ok(())
    }
}

/// One transaction under way.
struct Writing<'a> {
    db: &'a Transaction<'a>,
    names: &'a Names,
    run: i64,
}

impl Writing<'_> {
    fn item(&self, item: &Item) -> rusqlite::Result<()> {
        match &item.what {
            What::Order(order) => self.line(
                item,
                "order",
                Some(&render::order_subject(order, self.names)),
                order.fault,
                &render::order_text(order, self.names),
            ),
            What::Alarm { change, node } => self.alarm(item, change, node.as_deref()),
            What::Event(event) => self.event(item, event),
            What::FaultOpened { fault, district, cause } => {
                let id = &self.names.layout().districts[district.at()].id;
                self.opened(item, *fault, id, *cause)
            }
            What::FaultClosed(record) => self.closed(item, record),
            What::Shelving { alarm, until } => self.shelving(item, alarm, item.utc_at(*until)),
            What::Hand { alarm, who } => self.hand(item, alarm, who),
            What::Culprit { fault, suspect, who } => self.culprit(item, *fault, *suspect, who),
            What::Note { fault, who, text } => self.note(item, *fault, who, text),
            What::Proving(proving) => self.proving(item, proving),
            What::Commissioning(kept) => self.commissioning(item, kept),
            What::Commissioned(result) => self.commissioned(item, result),
        }
    }

    fn run_sql(&self, sql: &str, values: impl rusqlite::Params) -> rusqlite::Result<usize> {
        self.db.prepare_cached(sql)?.execute(values)
    }

    fn line(
        &self,
        item: &Item,
        kind: &str,
        subject: Option<&str>,
        fault: Option<FaultNumber>,
        text: &str,
    ) -> rusqlite::Result<()> {
        self.run_sql(
            "INSERT INTO event(run, mono_us, utc_us, kind, subject, fault, text) \
             VALUES (?, ?, ?, ?, ?, ?, ?)",
            params![
                self.run,
                i64::try_from(item.at.0).unwrap_or(i64::MAX),
                item.utc,
                kind,
                subject,
                fault.map(|number| number.0),
                text
            ],
        )?;
        Ok(())
    }

    fn alarm(&self, item: &Item, change: &AlarmChange, node: Option<&str>) -> rusqlite::Result<()> {
        let subject = self.names.subject(change.alarm.subject, node);
        self.line(item, "alarm", Some(&subject), None, &render::alarm_text(change))?;
        tally::alarm(self.db, self.names, item.utc, change, &subject)?;
        let kind = change.alarm.kind.word();
        if change.state == AlarmState::Normal {
            self.run_sql("DELETE FROM alarm WHERE kind = ? AND subject = ?", [kind, &subject])?;
            return Ok(());
        }
        self.run_sql(
            "INSERT INTO alarm(kind, subject, state, text, changed_us) VALUES (?, ?, ?, ?, ?) \
             ON CONFLICT DO UPDATE SET state = excluded.state, text = excluded.text, \
             changed_us = excluded.changed_us, \
             shelved_until_us = CASE excluded.state WHEN 'shelved' THEN shelved_until_us END",
            params![kind, subject, change.state.word(), &*change.text, item.utc],
        )?;
        if change.transition.is_unsigned() {
            self.run_sql(
                "UPDATE alarm SET signed = NULL, signed_us = NULL WHERE kind = ? AND subject = ?",
                [kind, &subject],
            )?;
        }
        Ok(())
    }

    /// It comes after the change that it signs; what is normal meanwhile needs no name.
    fn hand(&self, item: &Item, alarm: &AlarmKey, who: &str) -> rusqlite::Result<()> {
        let Subject::Object(object) = alarm.subject else {
            return Ok(()); // Alarms of nodes do not come back after a restart.
        };
        self.run_sql(
            "UPDATE alarm SET signed = ?, signed_us = ? WHERE kind = ? AND subject = ?",
            params![who, item.utc, alarm.kind.word(), self.names.object(object)],
        )?;
        Ok(())
    }

    fn shelving(&self, item: &Item, alarm: &AlarmKey, until: i64) -> rusqlite::Result<()> {
        let Subject::Object(object) = alarm.subject else {
            return Ok(()); // Alarms of nodes do not come back after a restart.
        };
        self.run_sql(
            "INSERT INTO alarm(kind, subject, state, text, changed_us, shelved_until_us) \
             VALUES (?, ?, 'shelved', '', ?, ?) \
             ON CONFLICT DO UPDATE SET shelved_until_us = excluded.shelved_until_us",
            params![alarm.kind.word(), self.names.object(object), item.utc, until],
        )?;
        Ok(())
    }

    fn event(&self, item: &Item, event: &Event) -> rusqlite::Result<()> {
        let subject = render::event_subject(&event.kind, self.names);
        let text = words::event_text(event, self.names.layout());
        self.line(item, event.kind.word(), subject.as_deref(), event.fault, &text)?;
        match &event.kind {
            EventKind::LockedOut(district) => {
                let id = self.names.object(Object::District(*district));
                self.run_sql(
                    "INSERT OR REPLACE INTO lock_out(district, fault, utc_us) VALUES (?, ?, ?)",
                    params![id, event.fault.map(|number| number.0), item.utc],
                )?;
            }
            EventKind::LockOutOpened(district) => {
                let id = self.names.object(Object::District(*district));
                self.run_sql("DELETE FROM lock_out WHERE district = ?", [id])?;
            }
            EventKind::Hit { pole, hits, energy, amps, .. } => {
                self.hit(item, *pole, *hits, energy.0, amps.0)?;
            }
            EventKind::PositionChanged(machine, position) => {
                self.position(item, *machine, *position)?;
            }
            EventKind::Operated { who, what, refused } => {
                let refused = refused.map(words::refusal_text);
                self.run_sql(
                    "INSERT INTO action(utc_us, who, what, refused) VALUES (?, ?, ?, ?)",
                    params![item.utc, who, what, refused],
                )?;
            }
            EventKind::Stopping => tally::stopped(self.db, self.run)?,
            EventKind::PowerChanged(feed, state) => {
                let feed = self.names.feed(*feed);
                tally::power(self.db, self.run, item.utc, &feed, state.word())?;
            }
            EventKind::PolarityChanged(frog, seen) => {
                tally::polarity(self.db, self.names, item.utc, *frog, *seen)?;
            }
            EventKind::Started
            | EventKind::PickedUp(..)
            | EventKind::DroppedOut(..)
            | EventKind::OccupancyChanged(..)
            | EventKind::ReverserChanged(..)
            | EventKind::CutProved(..)
            | EventKind::Node { .. }
            | EventKind::ReadingBad { .. } => {}
        }
        Ok(())
    }

    fn hit(
        &self,
        item: &Item,
        pole: PoleIx,
        hits: u32,
        energy: u64,
        amps: i64,
    ) -> rusqlite::Result<()> {
        let layout = self.names.layout();
        let machine = &layout.machines[layout.poles[pole.at()].machine.at()];
        let holds =
            machine.contact_rating.amps().powi(2) * machine.contact_time_constant.seconds() * 1e6;
        self.run_sql(
            "INSERT INTO ledger(pole, hits, energy_ua2s, peak_ua, holds_ua2s, last_us) \
             VALUES (?, ?, ?, ?, ?, ?) \
             ON CONFLICT DO UPDATE SET hits = hits + excluded.hits, \
             energy_ua2s = energy_ua2s + excluded.energy_ua2s, \
             peak_ua = max(peak_ua, excluded.peak_ua), holds_ua2s = excluded.holds_ua2s, \
             last_us = excluded.last_us",
            params![
                self.names.object(Object::Pole(pole)),
                hits,
                i64::try_from(energy).unwrap_or(i64::MAX),
                amps,
                holds.round() as i64,
                item.utc
            ],
        )?;
        Ok(())
    }

    /// Counts a throw when a machine comes to rest elsewhere than it rested before, and times it where it was seen to
    /// start.
    fn position(
        &self,
        item: &Item,
        machine: MachineIx,
        position: MachinePosition,
    ) -> rusqlite::Result<()> {
        let name = self.names.object(Object::Machine(machine));
        let before: Option<(Option<String>, Option<i64>)> = self
            .db
            .prepare_cached("SELECT rest, moving_since_us FROM machine WHERE machine = ?")?
            .query_row([&name], |row| Ok((row.get(0)?, row.get(1)?)))
            .optional()?;
        let (rest, since) = before.unwrap_or_default();
        let (throws, rest, moving) = match position {
            MachinePosition::Normal | MachinePosition::Reverse => {
                let thrown = rest.as_deref().is_some_and(|rest| rest != position.word());
                if let (true, Some(since)) = (thrown, since) {
                    self.run_sql(
                        "INSERT INTO throw(machine, utc_us, took_us) VALUES (?, ?, ?)",
                        params![name, item.utc, (item.utc - since).max(0)],
                    )?;
                }
                if thrown {
                    tally::thrown(self.db, item.utc, &name)?;
                }
                (i64::from(thrown), Some(position.word().to_owned()), None)
            }
            MachinePosition::Moving => (0, rest, since.or(Some(item.utc))),
            MachinePosition::Unknown => (0, rest, None),
        };
        self.run_sql(
            "INSERT INTO machine(machine, throws, rest, moving_since_us) VALUES (?, ?, ?, ?) \
             ON CONFLICT DO UPDATE SET throws = throws + excluded.throws, rest = excluded.rest, \
             moving_since_us = excluded.moving_since_us, dead_since_us = NULL",
            params![name, throws, rest, moving],
        )?;
        Ok(())
    }

    fn opened(
        &self,
        item: &Item,
        fault: FaultNumber,
        district: &str,
        cause: Cause,
    ) -> rusqlite::Result<()> {
        let text = words::cause_text(cause, self.names.layout());
        let subject = format!("district/{district}");
        self.line(item, "trigger", Some(&subject), Some(fault), &words::sentence(&text))?;
        self.run_sql(
            "INSERT INTO fault(number, run, district, cause, cause_data, cause_text, trigger_us) \
             VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
            params![
                fault.0,
                self.run,
                district,
                cause.word(),
                stored::write(cause, self.names),
                text,
                item.utc
            ],
        )?;
        Ok(())
    }

    fn closed(&self, item: &Item, record: &FaultRecord) -> rusqlite::Result<()> {
        let trigger = item.utc_at(record.trigger);
        let fault = render::fault(record, trigger, self.names);
        let text = serde_json::to_string(&fault)
            .map_err(|error| rusqlite::Error::ToSqlConversionFailure(Box::new(error)))?;
        let summary = &fault.summary;
        self.run_sql(
            "INSERT INTO fault(number, run, district, cause, cause_data, cause_text, trigger_us, \
             peak_ua, cleared_us, suspect, share, samples, record) \
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) \
             ON CONFLICT DO UPDATE SET cause = excluded.cause, cause_data = excluded.cause_data, \
             cause_text = excluded.cause_text, trigger_us = excluded.trigger_us, \
             peak_ua = excluded.peak_ua, cleared_us = excluded.cleared_us, \
             suspect = excluded.suspect, share = excluded.share, samples = excluded.samples, \
             record = excluded.record",
            params![
                record.number.0,
                self.run,
                summary.district,
                summary.cause,
                stored::write(record.cause, self.names),
                summary.text,
                trigger,
                record.peak.0,
                record.cleared_after.map(|span| i64::try_from(span.0).unwrap_or(i64::MAX)),
                summary.suspect,
                record.suspects.first().map(|it| it.share),
                summary.samples.word(),
                text
            ],
        )?;
        self.waveforms(record)
    }

    fn waveforms(&self, record: &FaultRecord) -> rusqlite::Result<()> {
        for waveform in &record.waveforms {
            let samples = render::samples(waveform, record.trigger);
            self.run_sql(
                "INSERT INTO waveform(fault, channel, samples, data) VALUES (?, ?, ?, ?)",
                params![
                    record.number.0,
                    self.names.channel(waveform.channel),
                    i64::try_from(samples.len()).unwrap_or(i64::MAX),
                    codec::encode(&samples)
                ],
            )?;
        }
        Ok(())
    }

    /// The suspect by its place in the record; an index beyond it, or a fault without a record, names nobody.
    fn culprit(
        &self,
        item: &Item,
        fault: FaultNumber,
        suspect: usize,
        who: &str,
    ) -> rusqlite::Result<()> {
        let path = format!("$.suspects[{suspect}].subject");
        self.run_sql(
            "INSERT OR REPLACE INTO culprit(fault, subject, utc_us, who) \
             SELECT number, record ->> ?2, ?3, ?4 FROM fault \
             WHERE number = ?1 AND record ->> ?2 IS NOT NULL",
            params![fault.0, path, item.utc, who],
        )?;
        Ok(())
    }

    fn note(&self, item: &Item, fault: FaultNumber, who: &str, text: &str) -> rusqlite::Result<()> {
        self.run_sql(
            "INSERT INTO note(fault, utc_us, who, text) SELECT number, ?2, ?3, ?4 FROM fault \
             WHERE number = ?1",
            params![fault.0, item.utc, who, text],
        )?;
        Ok(())
    }

    fn proving(&self, item: &Item, it: &Proving) -> rusqlite::Result<()> {
        self.run_sql(
            "INSERT INTO commissioning(utc_us, subject, step, passed, detail, who) \
             VALUES (?, ?, ?, ?, ?, ?)",
            params![item.utc, it.subject, it.step, it.passed, it.detail, it.who],
        )?;
        Ok(())
    }

    /// One row a step, and one for the whole when it ends.
    fn commissioning(&self, item: &Item, kept: &Kept) -> rusqlite::Result<()> {
        let row = commissioning::row(kept, self.names);
        self.run_sql(
            "INSERT INTO commissioning(utc_us, subject, step, passed, detail, who, outcome, wiring) \
             VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            params![
                item.utc,
                row.subject,
                row.step,
                row.outcome == PASSED,
                row.detail,
                kept.who,
                row.outcome,
                kept.wiring
            ],
        )?;
        match commissioning::whole(kept, self.names) {
            Some(whole) => self.commissioned(item, &whole),
            None => Ok(()),
        }
    }

    fn commissioned(&self, item: &Item, it: &Commissioned) -> rusqlite::Result<()> {
        self.run_sql(
            "INSERT INTO commissioned(machine, utc_us, who, outcome, wiring, steps) \
             VALUES (?, ?, ?, ?, ?, ?)",
            params![
                it.machine,
                item.utc,
                it.who,
                it.outcome.word(),
                it.wiring,
                it.steps.to_string()
            ],
        )?;
        Ok(())
    }
}

/// Notes how each machine is wired by the layout of this run: a result of commissioning is valid for one wiring.
fn wired(db: &Connection, names: &Names) -> rusqlite::Result<()> {
    let layout = names.layout();
    let change = db.unchecked_transaction()?;
    change.execute("DELETE FROM wired", [])?;
    let mut write = change.prepare("INSERT INTO wired(machine, wiring) VALUES (?, ?)")?;
    for (at, print) in fingerprint::of_machines(layout).into_iter().enumerate() {
        let name = names.object(Object::Machine(MachineIx::new(at)));
        write.execute(params![name, print])?;
    }
    drop(write);
    change.commit()
}
