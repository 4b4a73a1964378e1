//! The ledger of the machines, read.

use crate::{
    json,
    reader::{ReadError, Reader},
    report,
};

/// Change-over gaps whose median is shown.
const GAPS: u32 = 10;

impl Reader {
    /// The ledger, by machine.
    ///
    /// # Errors
    /// [`ReadError::Database`].
    pub fn machines(&self) -> Result<Vec<json::Machine>, ReadError> {
        let mut read = self.db.prepare_cached(
            "SELECT machine, throws, mismatches FROM machine UNION \
             SELECT DISTINCT machine, 0, 0 FROM commissioned \
             WHERE machine NOT IN (SELECT machine FROM machine) UNION \
             SELECT 'machine/' || rtrim(rtrim(substr(pole, 6), '0123456789'), '.'), 0, 0 FROM ledger \
             WHERE 'machine/' || rtrim(rtrim(substr(pole, 6), '0123456789'), '.') \
             NOT IN (SELECT machine FROM machine)",
        )?;
        let mut rows = read
            .query_map([], |row| Ok((row.get::<_, String>(0)?, row.get(1)?, row.get(2)?)))?
            .collect::<rusqlite::Result<Vec<_>>>()?;
        rows.sort_by_key(|(name, ..)| natural(name));
        rows.into_iter().map(|(name, throws, found)| self.machine(name, throws, found)).collect()
    }

    fn machine(
        &self,
        name: String,
        throws: u32,
        mismatches: u32,
    ) -> Result<json::Machine, ReadError> {
        let standing = self.standing(&name)?;
        let (before, unproved_by) = standing.before.unzip();
        let throw_times = self.throw_times(&name)?;
        let trend = report::trend(&throw_times);
        let mut machine = json::Machine {
            throws,
            throw_first: trend.map(|(first, _)| first),
            throw_latest: trend.map(|(_, latest)| latest),
            throw_times,
            change_over_ms: self.change_over(&name)?,
            mismatches,
            poles: self.poles(name.strip_prefix("machine/").unwrap_or(&name))?,
            proved: standing.proved.as_ref().map(|it| it.at.clone()),
            proved_by: standing.proved.map(|it| it.who),
            proved_before: before.map(|it| it.at),
            unproved_by: unproved_by.map(str::to_owned),
            verdict: String::new(),
            because: String::new(),
            machine: name,
        };
        let (verdict, because) = report::verdict(&machine);
        verdict.clone_into(&mut machine.verdict);
        machine.because = because;
        Ok(machine)
    }

    fn poles(&self, machine: &str) -> Result<Vec<json::Pole>, ReadError> {
        let mut read = self.db.prepare_cached(
            "SELECT pole, hits, energy_ua2s, peak_ua, holds_ua2s FROM ledger \
             WHERE rtrim(rtrim(substr(pole, 6), '0123456789'), '.') = ? ORDER BY pole",
        )?;
        let rows = read.query_map([machine], |row| {
            let energy = row.get::<_, i64>(2)? as f64 / 1e6;
            let holds = row.get::<_, i64>(4)? as f64 / 1e6;
            Ok(json::Pole {
                pole: row.get(0)?,
                hits: row.get(1)?,
                energy,
                stress: if holds > 0.0 { energy / holds * 100.0 } else { 0.0 },
                amps: row.get::<_, i64>(3)? as f64 / 1e6,
            })
        })?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    fn throw_times(&self, machine: &str) -> Result<Vec<f64>, ReadError> {
        let mut read = self.db.prepare_cached(
            "SELECT took_us FROM throw WHERE machine = ? ORDER BY id DESC LIMIT 50",
        )?;
        let rows = read.query_map([machine], |row| Ok(row.get::<_, i64>(0)? as f64 / 1e6))?;
        let mut times = rows.collect::<rusqlite::Result<Vec<_>>>()?;
        times.reverse();
        Ok(times)
    }

    fn change_over(&self, machine: &str) -> Result<Option<f64>, ReadError> {
        let mut read = self.db.prepare_cached(
            "SELECT gap_us FROM change_over WHERE machine = ? ORDER BY id DESC LIMIT ?",
        )?;
        let rows = read.query_map(rusqlite::params![machine, GAPS], |row| {
            Ok(row.get::<_, i64>(0)? as f64 / 1e3)
        })?;
        Ok(report::median(&rows.collect::<rusqlite::Result<Vec<_>>>()?))
    }
}

/// Sorts T2 before T10.
fn natural(name: &str) -> (String, u64, String) {
    let letters = name.trim_end_matches(|it: char| it.is_ascii_digit());
    (letters.to_owned(), name[letters.len()..].parse().unwrap_or(0), name.to_owned())
}
