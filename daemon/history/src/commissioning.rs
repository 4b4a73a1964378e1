//! Commissioning step by step: what is kept as it happens, and what a supervisor starts from.

use std::collections::BTreeMap;

use rusqlite::{Connection, Row};
use serde_json::{Value, json};
use supervision::commission::{
    Kept, KeptWhat, Outcome, Proved, Remembered, Step, StepResult, When,
};
use wiring::{
    channel::Object,
    fingerprint,
    index::{FrogIx, MachineIx},
};

use crate::{
    item::{self, Commissioned, Proving},
    names::Names,
};

/// Steps that are none: the ends of a session.
const BEGUN: &str = "begun";
const ENDED: &str = "ended";
/// The word of a good outcome.
pub(crate) const PASSED: &str = Outcome::Passed.word();

/// One row of the table.
pub(crate) struct StepRow {
    pub(crate) subject: String,
    pub(crate) step: &'static str,
    pub(crate) outcome: &'static str,
    pub(crate) detail: String,
}

/// The row of something that is kept.
pub(crate) fn row(kept: &Kept, names: &Names) -> StepRow {
    let outcome = |good: bool| if good { Outcome::Passed } else { Outcome::Failed };
    let (step, outcome, detail) = match &kept.what {
        KeptWhat::Begun => (BEGUN, Outcome::Passed, String::new()),
        KeptWhat::Ended { why, .. } => (ENDED, Outcome::Skipped, why.clone()),
        KeptWhat::Signed { proved, detail, .. } => {
            (Step::Sign.word(), outcome(*proved), detail.clone())
        }
        KeptWhat::Result { step, outcome, detail } => (step.word(), *outcome, detail.clone()),
        KeptWhat::BothPoles { carry, detail, .. } => {
            (Proving::BOTH_POLES, outcome(*carry), detail.clone())
        }
    };
    let subject = match kept.what {
        KeptWhat::BothPoles { frog, .. } => Object::Frog(frog),
        KeptWhat::Begun
        | KeptWhat::Ended { .. }
        | KeptWhat::Signed { .. }
        | KeptWhat::Result { .. } => Object::Machine(kept.machine),
    };
    StepRow { subject: names.object(subject), step, outcome: outcome.word(), detail }
}

/// The whole of a session that ended; none while it goes on.
pub(crate) fn whole(kept: &Kept, names: &Names) -> Option<Commissioned> {
    let (outcome, results) = match &kept.what {
        KeptWhat::Signed { proved: true, results, .. } => (item::Outcome::Passed, results),
        KeptWhat::Signed { proved: false, results, .. } => (item::Outcome::Failed, results),
        KeptWhat::Ended { results, .. } => (item::Outcome::Abandoned, results),
        KeptWhat::Begun | KeptWhat::Result { .. } | KeptWhat::BothPoles { .. } => return None,
    };
    Some(Commissioned {
        machine: names.object(Object::Machine(kept.machine)),
        who: kept.who.clone(),
        outcome,
        wiring: kept.wiring.clone(),
        steps: steps(results),
    })
}

/// Steps as pages and reports know them.
fn steps(results: &[StepResult]) -> Value {
    let step = |it: &StepResult| json!({ "step": it.step.word(), "outcome": it.outcome.word(), "detail": it.detail, "who": it.who });
    results.iter().map(step).collect()
}

/// A row as read.
struct Read {
    subject: String,
    step: String,
    outcome: Option<String>,
    detail: String,
    who: String,
    wiring: Option<String>,
}

/// What a supervisor starts from, by machine.
pub(crate) fn remembered(db: &Connection, names: &Names) -> rusqlite::Result<Vec<Remembered>> {
    let prints = fingerprint::of_machines(names.layout());
    let mut all: BTreeMap<MachineIx, Remembered> = BTreeMap::new();
    let mut read = db.prepare(
        "SELECT subject, step, outcome, detail, who, wiring FROM commissioning \
         WHERE subject LIKE 'machine/%' ORDER BY id",
    )?;
    for row in read.query_map([], of_row)? {
        let row = row?;
        let Some(Object::Machine(machine)) = names.find(&row.subject) else { continue };
        let it = all.entry(machine).or_insert_with(|| nothing(machine));
        heed(it, row, prints.get(machine.at()));
    }
    for (machine, proved) in signatures(db, names)? {
        all.entry(machine).or_insert_with(|| nothing(machine)).proved = Some(proved);
    }
    Ok(all.into_values().collect())
}

const fn nothing(machine: MachineIx) -> Remembered {
    Remembered { machine, proved: None, results: Vec::new(), open: None }
}

fn of_row(row: &Row<'_>) -> rusqlite::Result<Read> {
    Ok(Read {
        subject: row.get(0)?,
        step: row.get(1)?,
        outcome: row.get(2)?,
        detail: row.get(3)?,
        who: row.get(4)?,
        wiring: row.get(5)?,
    })
}

/// Results are good since the last signature, for the wiring as it is now.
fn heed(it: &mut Remembered, row: Read, print: Option<&String>) {
    let same = row.wiring.as_ref().is_some_and(|wiring| Some(wiring) == print);
    match row.step.as_str() {
        BEGUN => it.open = Some(row.who),
        ENDED => it.open = None,
        word => {
            let Some(step) = Step::from_word(word) else { return };
            if step == Step::Sign {
                it.open = None;
                it.results.clear();
                return;
            }
            let outcome = row.outcome.as_deref().and_then(Outcome::from_word);
            let Some(outcome) = outcome.filter(|_| same) else { return };
            it.results.retain(|known| known.step != step);
            it.results.push(StepResult { step, outcome, detail: row.detail, who: row.who });
        }
    }
}

/// By machine the signature that proved it, unless a later one did not.
fn signatures(db: &Connection, names: &Names) -> rusqlite::Result<Vec<(MachineIx, Proved)>> {
    let mut read = db.prepare(
        "SELECT machine, utc_us, who, wiring, outcome FROM commissioned \
         WHERE id IN (SELECT max(id) FROM commissioned WHERE outcome != ? GROUP BY machine)",
    )?;
    let abandoned = item::Outcome::Abandoned.word();
    let rows = read.query_map([abandoned], |row| {
        let proved = Proved { when: When::Utc(row.get(1)?), who: row.get(2)?, wiring: row.get(3)? };
        Ok((row.get::<_, String>(0)?, proved, row.get::<_, String>(4)?))
    })?;
    let mut all = Vec::new();
    for row in rows {
        let (machine, proved, outcome) = row?;
        let passed = outcome == item::Outcome::Passed.word();
        if let (true, Some(Object::Machine(machine))) = (passed, names.find(&machine)) {
            all.push((machine, proved));
        }
    }
    Ok(all)
}

/// The frogs of which both poles were shown to carry with the wires as they are now. The latest result counts: a pair
/// that failed its later test is proved no more. Results without a fingerprint are of an older version, and count.
pub(crate) fn proved_pairs(db: &Connection, names: &Names) -> rusqlite::Result<Vec<FrogIx>> {
    let mut read = db.prepare(
        "SELECT subject, wiring FROM (SELECT subject, wiring, passed, max(id) FROM commissioning \
         WHERE step = ? GROUP BY subject) WHERE passed ORDER BY subject",
    )?;
    let rows = read.query_map([Proving::BOTH_POLES], |row| {
        Ok((row.get::<_, String>(0)?, row.get::<_, Option<String>>(1)?))
    })?;
    let layout = names.layout();
    let mut all = Vec::new();
    for row in rows {
        let (name, wiring) = row?;
        let Some(Object::Frog(frog)) = names.find(&name) else {
            tracing::warn!(name, "the history remembers something that the layout has no more");
            continue;
        };
        let machine = layout.frogs[frog.at()].poles.first();
        let machine = machine.map(|it| layout.poles[it.pole.at()].machine);
        let now = machine.map(|it| fingerprint::of_machine(layout, it));
        if wiring.is_none() || wiring == now {
            all.push(frog);
        }
    }
    Ok(all)
}
