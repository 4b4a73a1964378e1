//! Results of commissioning, read: which turnout is proved, and whether that still counts.

use rusqlite::{OptionalExtension, Row, params};

use crate::{
    item::Outcome,
    json,
    reader::{ReadError, Reader},
    report::time,
};

const RESULT: &str = "SELECT commissioned.machine, utc_us, who, outcome, commissioned.wiring, steps, \
                      wired.wiring IS NOT NULL AND wired.wiring = commissioned.wiring \
                      FROM commissioned LEFT JOIN wired ON wired.machine = commissioned.machine";

/// What commissioning says of a machine.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Standing {
    /// Passed, and that counts.
    pub(crate) proved: Option<json::Commissioned>,
    /// Passed, and that counts no more; and why.
    pub(crate) before: Option<(json::Commissioned, &'static str)>,
}

impl Reader {
    /// Results of commissioning, the latest first; of one machine (`machine/T14`) where it is given.
    ///
    /// # Errors
    /// [`ReadError::Database`].
    pub fn commissioned(
        &self,
        machine: Option<&str>,
    ) -> Result<Vec<json::Commissioned>, ReadError> {
        let mut read = self.db.prepare_cached(&format!(
            "{RESULT} WHERE ?1 IS NULL OR commissioned.machine = ?1 ORDER BY id DESC"
        ))?;
        let rows = read.query_map([machine], result)?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// The result by which a machine is proved: it passed, did not fail since, and its wiring is still what was proved.
    ///
    /// # Errors
    /// [`ReadError::Database`].
    pub fn proof_of(&self, machine: &str) -> Result<Option<json::Commissioned>, ReadError> {
        Ok(self.standing(machine)?.proved)
    }

    pub(crate) fn standing(&self, machine: &str) -> Result<Standing, ReadError> {
        let mut read = self.db.prepare_cached(&format!(
            "{RESULT} WHERE commissioned.machine = ? AND outcome != ? ORDER BY id DESC LIMIT 1"
        ))?;
        let abandoned = Outcome::Abandoned.word();
        let latest = read.query_row(params![machine, abandoned], result).optional()?;
        let passed = |it: &json::Commissioned| it.outcome == Outcome::Passed.word();
        Ok(match latest {
            Some(it) if passed(&it) && it.same_wiring => {
                Standing { proved: Some(it), before: None }
            }
            Some(it) if passed(&it) => Standing { proved: None, before: Some((it, "rewired")) },
            Some(_) => {
                let before = self.last_passed(machine)?.map(|it| (it, "failed"));
                Standing { proved: None, before }
            }
            None => Standing::default(),
        })
    }

    fn last_passed(&self, machine: &str) -> Result<Option<json::Commissioned>, ReadError> {
        let mut read = self.db.prepare_cached(&format!(
            "{RESULT} WHERE commissioned.machine = ? AND outcome = ? ORDER BY id DESC LIMIT 1"
        ))?;
        Ok(read.query_row(params![machine, Outcome::Passed.word()], result).optional()?)
    }
}

fn result(row: &Row<'_>) -> rusqlite::Result<json::Commissioned> {
    let at_us = row.get(1)?;
    let steps: String = row.get(5)?;
    Ok(json::Commissioned {
        machine: row.get(0)?,
        at: time::utc(at_us),
        at_us,
        who: row.get(2)?,
        outcome: row.get(3)?,
        wiring: row.get(4)?,
        same_wiring: row.get(6)?,
        // Steps that are no JSON are shown as the text that they are.
        steps: serde_json::from_str(&steps).unwrap_or(serde_json::Value::String(steps)),
    })
}
