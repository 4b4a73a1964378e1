//! Opening the database: settings of the connection, migrations, and what to do with a damaged file.

use std::{
    fs, io,
    path::{Path, PathBuf},
    time::Duration,
};

use rusqlite::{Connection, ErrorCode, OpenFlags, Statement, params_from_iter, types::Value};

use crate::schema;

/// The database inside its directory.
const FILE: &str = "history.db";

/// How long a start waits for a file that it can only read.
const READ_BUSY: Duration = Duration::from_millis(200);

/// Why the history cannot be opened.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// The directory cannot be made.
    #[error("cannot make the directory {}", .path.display())]
    Directory {
        /// The directory.
        path: PathBuf,
        /// Why.
        #[source]
        source: io::Error,
    },
    /// The file cannot be opened or brought up to date.
    #[error("cannot open {}", .path.display())]
    Database {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: rusqlite::Error,
    },
    /// The file was written by a later version of this program.
    #[error("{} is of version {found}, this program knows up to {known}", .path.display())]
    TooNew {
        /// The file.
        path: PathBuf,
        /// Its version.
        found: i64,
        /// The newest that this program knows.
        known: i64,
    },
}

/// How the database was found.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Opened {
    /// In order, or new.
    InOrder,
    /// Damaged: what could be read was copied into a new file, the damaged one is kept under this name.
    Replaced {
        /// Where the damaged file is.
        kept: PathBuf,
        /// Tables that were not read to their end.
        lost_from: Vec<String>,
    },
}

impl Opened {
    /// A line for the event list; none when there is nothing to say.
    pub(crate) fn remark(&self) -> Option<String> {
        match self {
            Self::InOrder => None,
            Self::Replaced { kept, lost_from } => {
                let name = kept.file_name().unwrap_or_default().to_string_lossy();
                let lost = if lost_from.is_empty() {
                    "everything in it was copied".to_owned()
                } else {
                    format!("not all of it could be copied: {}", lost_from.join(", "))
                };
                Some(format!("the history was damaged and is kept as {name}; {lost}"))
            }
        }
    }
}

/// The database file of a directory.
#[must_use]
pub(crate) fn file(dir: &Path) -> PathBuf {
    dir.join(FILE)
}

/// Opens for writing, making or repairing the file as needed.
pub(crate) fn for_writing(
    dir: &Path,
    now_utc: i64,
    busy: Duration,
) -> Result<(Connection, Opened), OpenError> {
    fs::create_dir_all(dir)
        .map_err(|source| OpenError::Directory { path: dir.to_owned(), source })?;
    let path = file(dir);
    match ready(&path, busy) {
        Ok(db) => Ok((db, Opened::InOrder)),
        Err(OpenError::Database { source, .. }) if is_damage(&source) => {
            replaced(&path, now_utc, busy)
        }
        Err(error) => Err(error),
    }
}

/// Opens for reading alone, where opening for writing has failed; none where that fails too, or there is nothing.
pub(crate) fn for_reading(dir: &Path) -> Option<Connection> {
    let path = file(dir);
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let escaped = path.to_str()?.replace('%', "%25").replace('?', "%3f").replace('#', "%23");
    // A folder without the right to write has no room for the shared memory of a log: then the file alone is read.
    let alone = format!("file:{escaped}?immutable=1");
    let plain = Connection::open_with_flags(&path, flags).ok().filter(is_readable);
    plain.or_else(|| {
        let flags = flags | OpenFlags::SQLITE_OPEN_URI;
        Connection::open_with_flags(alone, flags).ok().filter(is_readable)
    })
}

fn is_readable(db: &Connection) -> bool {
    let version = db.busy_timeout(READ_BUSY).and_then(|()| schema::version(db));
    version.is_ok_and(|version| (1..=schema::NEWEST).contains(&version))
}

/// The file itself is bad, as opposed to locked, full or not permitted.
pub(crate) fn is_damage(error: &rusqlite::Error) -> bool {
    matches!(error.sqlite_error_code(), Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase))
}

fn ready(path: &Path, busy: Duration) -> Result<Connection, OpenError> {
    let failed = |source| OpenError::Database { path: path.to_owned(), source };
    let mut db = Connection::open(path).map_err(failed)?;
    settings(&db, busy).map_err(failed)?;
    let found = schema::version(&db).map_err(failed)?;
    if schema::NEWEST < found {
        let known = schema::NEWEST;
        return Err(OpenError::TooNew { path: path.to_owned(), found, known });
    }
    schema::migrate(&mut db).map_err(failed)?;
    sound(&db).map_err(failed)?;
    Ok(db)
}

/// WAL with FULL: a commit that has returned survives a kill and, with an honest disk, a loss of power. NORMAL may lose
/// the last commits.
fn settings(db: &Connection, busy: Duration) -> rusqlite::Result<()> {
    db.busy_timeout(busy)?;
    db.pragma_update(None, "auto_vacuum", "INCREMENTAL")?;
    db.query_row("PRAGMA journal_mode=WAL", [], |row| row.get::<_, String>(0))?;
    db.execute_batch(
        "PRAGMA synchronous=FULL;
         PRAGMA foreign_keys=ON;
         PRAGMA trusted_schema=OFF;
         PRAGMA wal_autocheckpoint=1000;
         PRAGMA journal_size_limit=16777216;",
    )
}

fn sound(db: &Connection) -> rusqlite::Result<()> {
    let verdict: String = db.query_row("PRAGMA quick_check(1)", [], |row| row.get(0))?;
    if verdict == "ok" {
        return Ok(());
    }
    let code = rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_CORRUPT);
    Err(rusqlite::Error::SqliteFailure(code, Some(verdict)))
}

/// Sets a damaged file aside and copies what can be read of it into a new one: fault numbers go on, lock-outs hold.
fn replaced(path: &Path, now_utc: i64, busy: Duration) -> Result<(Connection, Opened), OpenError> {
    let kept = path.with_extension(format!("damaged-{now_utc}.db"));
    set_aside(path, &kept)
        .map_err(|source| OpenError::Directory { path: path.to_owned(), source })?;
    let db = ready(path, busy)?;
    let lost_from = match Connection::open_with_flags(&kept, OpenFlags::SQLITE_OPEN_READ_WRITE) {
        Ok(old) => salvage(&old, &db),
        Err(_) => schema::WORTH_SAVING.map(str::to_owned).to_vec(),
    };
    Ok((db, Opened::Replaced { kept, lost_from }))
}

/// The log of a file belongs to it: both go together.
fn set_aside(path: &Path, kept: &Path) -> io::Result<()> {
    for suffix in ["", "-wal", "-shm"] {
        let with = |path: &Path| {
            let mut name = path.as_os_str().to_owned();
            name.push(suffix);
            PathBuf::from(name)
        };
        match fs::rename(with(path), with(kept)) {
            Err(error) if error.kind() == io::ErrorKind::NotFound && !suffix.is_empty() => {}
            other => other?,
        }
    }
    Ok(())
}

/// Copies row by row, from both ends of a table as far as it can be read; tells which ones had a gap.
fn salvage(old: &Connection, new: &Connection) -> Vec<String> {
    let mut lost = Vec::new();
    // Rows may refer to rows that are lost.
    let _ = new.pragma_update(None, "foreign_keys", "OFF");
    for table in schema::WORTH_SAVING {
        if copy(old, new, table, "ASC").is_err() {
            lost.push(table.to_owned());
            // The gap is known already; what the other end yields is a gain.
            let _ = copy(old, new, table, "DESC");
        }
    }
    let _ = new.pragma_update(None, "foreign_keys", "ON");
    lost
}

fn copy(old: &Connection, new: &Connection, table: &str, order: &str) -> rusqlite::Result<()> {
    let mut read = old.prepare(&format!("SELECT * FROM {table} ORDER BY rowid {order}"))?;
    let columns = read.column_count();
    let places = vec!["?"; columns].join(",");
    let mut write = new.prepare(&format!("INSERT OR REPLACE INTO {table} VALUES ({places})"))?;
    new.execute_batch("BEGIN IMMEDIATE")?;
    let outcome = copy_rows(&mut read, &mut write);
    new.execute_batch("COMMIT")?;
    outcome
}

fn copy_rows(read: &mut Statement<'_>, write: &mut Statement<'_>) -> rusqlite::Result<()> {
    let columns = read.column_count();
    let mut rows = read.query([])?;
    while let Some(row) = rows.next()? {
        let values =
            (0..columns).map(|at| row.get::<_, Value>(at)).collect::<rusqlite::Result<Vec<_>>>()?;
        write.execute(params_from_iter(values))?;
    }
    Ok(())
}
