//! The hub's own file: what was said at the desk, what came of it, and how far both streams are copied.
//!
//! What is taken out of a stream and how far the stream was read are one transaction, so that a hub which is
//! killed anywhere goes on with the next message, and one that reads a message again changes nothing.

use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};

use crate::fleet::floor::{Floor, KnownEnd};
use crate::fleet::protocol::{DeskEntry, DeskNote, JobEnd, MOST_CHUNK, MOST_CHUNKS, MachineName};
use crate::model::Wall;

/// Name of the file within the hub's folder.
const FILE_NAME: &str = "hub.sqlite";
/// Marks the file as ours (`SOHB`).
const APPLICATION_ID: i32 = 0x534F_4842;
/// How long another process's write is waited for.
const BUSY_WAIT: Duration = Duration::from_secs(10);
/// Chunks of one machine that wait for the rest of their parcels: two whole parcels.
const MOST_WAITING_CHUNKS: u32 = 2 * MOST_CHUNKS;
/// An order is over after this time, and what came of it decides nothing any more.
const ORDERS_MATTER_FOR: Duration = Duration::from_hours(90 * 24);

/// One script a version; a released one is never edited.
const MIGRATIONS: &[&str] = &[
    "
    CREATE TABLE copied (stream TEXT PRIMARY KEY, created TEXT NOT NULL, seq INTEGER NOT NULL)
        STRICT, WITHOUT ROWID;
    CREATE TABLE desk (id TEXT PRIMARY KEY, at_ms INTEGER NOT NULL, body TEXT NOT NULL)
        STRICT, WITHOUT ROWID;
    CREATE TABLE chunks (
        machine TEXT NOT NULL,
        parcel TEXT NOT NULL,
        number INTEGER NOT NULL,
        at_ms INTEGER NOT NULL,
        body BLOB NOT NULL,
        PRIMARY KEY (machine, parcel, number)
    ) STRICT;
    CREATE TABLE outcomes (
        key TEXT PRIMARY KEY,
        machine TEXT NOT NULL,
        serial TEXT,
        job TEXT,
        job_end TEXT,
        run TEXT,
        rows INTEGER,
        number INTEGER,
        suite TEXT,
        host TEXT,
        parts TEXT,
        grade TEXT,
        grade_there TEXT,
        reason TEXT NOT NULL,
        peak_c REAL,
        simulated INTEGER NOT NULL,
        at_ms INTEGER NOT NULL,
        copied_ms INTEGER NOT NULL
    ) STRICT;
    CREATE INDEX outcomes_by_serial ON outcomes (serial, at_ms);
    CREATE INDEX outcomes_by_machine ON outcomes (machine, at_ms);
    CREATE INDEX outcomes_by_time ON outcomes (at_ms);
    CREATE INDEX outcomes_by_grade ON outcomes (grade, at_ms);
    CREATE INDEX outcomes_by_job ON outcomes (job) WHERE job IS NOT NULL;
    CREATE TABLE unsettled (
        machine TEXT NOT NULL,
        outcome TEXT NOT NULL,
        refused TEXT,
        at_ms INTEGER NOT NULL,
        PRIMARY KEY (machine, outcome)
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE lost (
        machine TEXT NOT NULL,
        at_ms INTEGER NOT NULL,
        job TEXT,
        doing TEXT NOT NULL,
        back_ms INTEGER,
        PRIMARY KEY (machine, at_ms)
    ) STRICT, WITHOUT ROWID;
",
    "
    CREATE INDEX outcomes_by_number ON outcomes (number) WHERE number IS NOT NULL;
",
];

/// The hub's file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum KeepError {
    /// What SQLite says.
    #[error("the hub's file `{}` cannot be used", path.display())]
    Sqlite {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: rusqlite::Error,
    },
    /// Not ours, or of a newer program.
    #[error("`{}` is no file of a hub that this program knows", .0.display())]
    Strange(PathBuf),
}

/// The hub's file.
#[derive(Debug)]
pub struct Keep {
    pub(super) connection: Connection,
    path: PathBuf,
}

impl Keep {
    /// Opens the file in the hub's `folder`; makes it where it is not there.
    ///
    /// # Errors
    /// It cannot be opened, or is of something else.
    pub fn open(folder: &Path) -> Result<Self, KeepError> {
        let path = folder.join(FILE_NAME);
        let opened = Connection::open(&path);
        let mut keep = Self {
            connection: opened.map_err(|source| KeepError::Sqlite {
                path: path.clone(),
                source,
            })?,
            path,
        };
        keep.prepare()?;
        Ok(keep)
    }

    fn prepare(&mut self) -> Result<(), KeepError> {
        let (version, ours, tables) = self.ask(|connection| {
            connection.busy_timeout(BUSY_WAIT)?;
            let number = |text: &str| connection.query_row(text, [], |row| row.get::<_, i64>(0));
            Ok((
                number("PRAGMA user_version")?,
                number("PRAGMA application_id")? == i64::from(APPLICATION_ID),
                number("SELECT count(*) FROM sqlite_schema")?,
            ))
        })?;
        let known = usize::try_from(version).is_ok_and(|version| version <= MIGRATIONS.len());
        if !known || (!ours && tables > 0) {
            return Err(KeepError::Strange(self.path.clone()));
        }
        self.ask(|connection| {
            connection.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(()))?;
            connection.execute_batch("PRAGMA synchronous = FULL;")
        })?;
        // Pages and commands open it often, and each change waits for the disk.
        if ours && usize::try_from(version).is_ok_and(|version| version == MIGRATIONS.len()) {
            return Ok(());
        }
        self.change(|change| {
            let version: i64 = change.query_row("PRAGMA user_version", [], |row| row.get(0))?;
            let done = usize::try_from(version).unwrap_or(0);
            for script in MIGRATIONS.iter().skip(done) {
                change.execute_batch(script)?;
            }
            change.pragma_update(None, "application_id", APPLICATION_ID)?;
            let reached = i64::try_from(MIGRATIONS.len()).unwrap_or(i64::MAX);
            change.pragma_update(None, "user_version", reached)
        })
    }

    /// Reads.
    pub(super) fn ask<T>(
        &self,
        ask: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, KeepError> {
        ask(&self.connection).map_err(|source| KeepError::Sqlite {
            path: self.path.clone(),
            source,
        })
    }

    /// Changes, whole or not at all; on disk when it returns.
    pub(super) fn change<T>(
        &mut self,
        change: impl FnOnce(&rusqlite::Transaction<'_>) -> rusqlite::Result<T>,
    ) -> Result<T, KeepError> {
        let path = self.path.clone();
        let failed = |source| KeepError::Sqlite { path, source };
        let work = || {
            let transaction = self
                .connection
                .transaction_with_behavior(TransactionBehavior::Immediate)?;
            let done = change(&transaction)?;
            transaction.commit()?;
            Ok(done)
        };
        work().map_err(failed)
    }

    /// The first message of the stream `name` that is not copied. `created` tells one stream from another of
    /// the same name that was made after it was lost.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn next_seq(&self, name: &str, created: &str) -> Result<u64, KeepError> {
        let found = self.ask(|connection| {
            connection
                .query_row(
                    "SELECT seq FROM copied WHERE stream = ?1 AND created = ?2",
                    [name, created],
                    |row| row.get::<_, i64>(0),
                )
                .optional()
        })?;
        let seq = found.and_then(|seq| u64::try_from(seq).ok()).unwrap_or(0);
        Ok(seq + 1)
    }

    /// Takes notes of the desk in, and how far the stream is read by them: together, since a note goes with each
    /// job, and the disk takes its time for each change.
    ///
    /// # Errors
    /// Nothing is written then.
    pub fn put_notes(&mut self, notes: &[DeskNote], at: &Place<'_>) -> Result<(), KeepError> {
        self.change(|change| {
            for note in notes {
                let body = serde_json::to_string(note).unwrap_or_default();
                change.execute(
                    "INSERT INTO desk (id, at_ms, body) VALUES (?1, ?2, ?3) ON CONFLICT (id) DO NOTHING",
                    params![note.stamp.id, note.stamp.at.0, body],
                )?;
            }
            at.reached(change)
        })
    }

    /// Passes a message over.
    ///
    /// # Errors
    /// Nothing is written then.
    pub fn pass_over(&mut self, at: &Place<'_>) -> Result<(), KeepError> {
        self.change(|change| at.reached(change))
    }

    /// Keeps a chunk of a parcel until its outcome comes; the machine's oldest ones make room.
    ///
    /// # Errors
    /// Nothing is written then.
    pub fn put_chunk(
        &mut self,
        (machine, parcel, number): (&MachineName, &str, u32),
        body: &[u8],
        at: &Place<'_>,
    ) -> Result<(), KeepError> {
        debug_assert!(body.len() <= MOST_CHUNK, "the caller refuses longer ones");
        self.change(|change| {
            change.execute(
                "INSERT INTO chunks (machine, parcel, number, at_ms, body) VALUES (?1, ?2, ?3, ?4, ?5)
                 ON CONFLICT DO NOTHING",
                params![machine.as_str(), parcel, number, at.now.0, body],
            )?;
            change.execute(
                "DELETE FROM chunks WHERE machine = ?1 AND rowid NOT IN (
                     SELECT rowid FROM chunks WHERE machine = ?1 ORDER BY rowid DESC LIMIT ?2)",
                params![machine.as_str(), MOST_WAITING_CHUNKS],
            )?;
            at.reached(change)
        })
    }

    /// The bytes of a parcel, as far as its chunks are here without a hole.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn parcel(&self, machine: &MachineName, parcel: &str) -> Result<Vec<u8>, KeepError> {
        self.ask(|connection| {
            let mut statement = connection.prepare(
                "SELECT number, body FROM chunks WHERE machine = ?1 AND parcel = ?2 ORDER BY number",
            )?;
            let mut rows = statement.query([machine.as_str(), parcel])?;
            let (mut bytes, mut next) = (Vec::new(), 0_i64);
            while let Some(row) = rows.next()? {
                if row.get::<_, i64>(0)? != next {
                    break;
                }
                let body: Vec<u8> = row.get(1)?;
                bytes.extend(body);
                next += 1;
            }
            Ok(bytes)
        })
    }

    /// The floor as far as it is copied.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn floor(&self, now: Wall) -> Result<Floor, KeepError> {
        let since = now.minus(ORDERS_MATTER_FOR);
        self.ask(|connection| {
            let mut floor = Floor::since(since);
            let mut ends = connection.prepare(
                "SELECT job, job_end, key FROM outcomes
                 WHERE job IS NOT NULL AND job_end IS NOT NULL AND copied_ms >= ?1",
            )?;
            let mut rows = ends.query([since.0])?;
            while let Some(row) = rows.next()? {
                let (job, end): (String, String) = (row.get(0)?, row.get(1)?);
                if let Ok(end) = serde_json::from_str::<JobEnd>(&end) {
                    let outcome = row.get(2)?;
                    floor.know_end(&job, KnownEnd { end, outcome });
                }
            }
            let mut notes = connection.prepare("SELECT body FROM desk")?;
            let notes = notes.query_map([], |row| row.get::<_, String>(0))?;
            // In any order they come to the same floor. Last, an order is looked at once for each machine; before what
            // was sent and what came of it, it would be looked at with each of them.
            let mut orders = Vec::new();
            for note in notes {
                match serde_json::from_str::<DeskNote>(&note?) {
                    Ok(note) if matches!(note.entry, DeskEntry::Order(_)) => orders.push(note),
                    Ok(note) => floor.hear(&note),
                    Err(error) => tracing::error!(%error, "a note of the desk cannot be read"),
                }
            }
            for order in &orders {
                floor.hear(order);
            }
            Ok(floor)
        })
    }
}

/// A place in a stream.
#[derive(Debug, Clone, Copy)]
pub struct Place<'p> {
    /// Name of the stream.
    pub stream: &'p str,
    /// When it was made.
    pub created: &'p str,
    /// Number of the message.
    pub seq: u64,
    /// The present.
    pub now: Wall,
}

impl Place<'_> {
    /// Writes down that the stream is read up to here.
    pub(super) fn reached(&self, change: &rusqlite::Transaction<'_>) -> rusqlite::Result<()> {
        let seq = i64::try_from(self.seq).unwrap_or(i64::MAX);
        change
            .execute(
                "INSERT INTO copied (stream, created, seq) VALUES (?1, ?2, ?3)
                 ON CONFLICT (stream) DO UPDATE SET created = excluded.created,
                     seq = CASE WHEN created = excluded.created THEN max(seq, excluded.seq)
                           ELSE excluded.seq END",
                params![self.stream, self.created, seq],
            )
            .map(drop)
    }
}
