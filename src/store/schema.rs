//! The shape of the file and its numbered migrations. A migration that was released is never edited:
//! a change of shape is a new one at the end of the list.

use rusqlite::{Connection, TransactionBehavior};

/// Marks the file as ours (`SOAK`), so that another program's database is never written to.
pub(super) const APPLICATION_ID: i32 = 0x534F_414B;

/// One script a version; entry n brings version n to version n + 1.
const MIGRATIONS: &[&str] = &[
    "
    CREATE TABLE runs (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        id TEXT NOT NULL UNIQUE,
        suite TEXT NOT NULL,
        host TEXT NOT NULL,
        boot_id TEXT NOT NULL,
        simulated INTEGER NOT NULL,
        started_ms INTEGER NOT NULL,
        ended_ms INTEGER,
        grade TEXT,
        findings INTEGER NOT NULL DEFAULT 0,
        header TEXT NOT NULL,
        crc INTEGER NOT NULL
    ) STRICT;
    CREATE TABLE entries (
        run INTEGER NOT NULL REFERENCES runs (number),
        seq INTEGER NOT NULL,
        kind TEXT NOT NULL,
        at_ns INTEGER,
        body TEXT NOT NULL,
        crc INTEGER NOT NULL,
        PRIMARY KEY (run, seq)
    ) STRICT, WITHOUT ROWID;
    CREATE INDEX entries_by_kind ON entries (run, kind) WHERE kind <> 'sample';
",
    "
    CREATE TABLE jobs (
        id INTEGER PRIMARY KEY,
        over INTEGER NOT NULL,
        body TEXT NOT NULL,
        crc INTEGER NOT NULL
    ) STRICT;
    CREATE TABLE queue_marks (
        name TEXT PRIMARY KEY,
        body TEXT NOT NULL,
        crc INTEGER NOT NULL
    ) STRICT, WITHOUT ROWID;
",
    "
    CREATE TABLE ledger (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        host TEXT NOT NULL,
        at_ms INTEGER NOT NULL,
        body TEXT NOT NULL,
        crc INTEGER NOT NULL
    ) STRICT;
",
    "
    CREATE TABLE notices (
        id TEXT PRIMARY KEY,
        key TEXT NOT NULL UNIQUE,
        at_ms INTEGER NOT NULL,
        body TEXT NOT NULL,
        crc INTEGER NOT NULL
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE deliveries (
        notice TEXT NOT NULL REFERENCES notices (id),
        target TEXT NOT NULL,
        state TEXT NOT NULL,
        since_ms INTEGER NOT NULL,
        due_ms INTEGER NOT NULL,
        attempts INTEGER NOT NULL DEFAULT 0,
        last_ms INTEGER,
        answer TEXT NOT NULL,
        PRIMARY KEY (notice, target)
    ) STRICT, WITHOUT ROWID;
    CREATE INDEX deliveries_due ON deliveries (due_ms) WHERE state = 'waiting';
    CREATE TABLE closed_targets (name TEXT PRIMARY KEY, mark TEXT NOT NULL) STRICT, WITHOUT ROWID;
    CREATE TABLE told_runs (
        run INTEGER PRIMARY KEY REFERENCES runs (number),
        seq INTEGER NOT NULL
    ) STRICT;
    CREATE TABLE telling (session TEXT PRIMARY KEY) STRICT, WITHOUT ROWID;
",
    "
    CREATE TABLE hub_jobs (
        id TEXT PRIMARY KEY,
        job INTEGER,
        outcome TEXT,
        told INTEGER NOT NULL DEFAULT 0
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE hub_runs (
        run INTEGER PRIMARY KEY REFERENCES runs (number),
        rows INTEGER NOT NULL
    ) STRICT;
    CREATE TABLE hub_since (run INTEGER NOT NULL) STRICT;
",
];

/// Version that this program writes.
pub const SCHEMA_VERSION: usize = MIGRATIONS.len();

/// What stands in the file's head.
pub(super) struct Stamp {
    pub(super) version: usize,
    pub(super) application: i32,
    pub(super) tables: i64,
}

pub(super) fn read_stamp(connection: &Connection) -> rusqlite::Result<Stamp> {
    let version: i64 = connection.query_row("PRAGMA user_version", [], |row| row.get(0))?;
    let application = connection.query_row("PRAGMA application_id", [], |row| row.get(0))?;
    let tables =
        connection.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
    Ok(Stamp {
        version: usize::try_from(version).unwrap_or(usize::MAX),
        application,
        tables,
    })
}

/// Brings an older file (or an empty one) to [`SCHEMA_VERSION`], whole or not at all.
pub(super) fn migrate(connection: &mut Connection) -> rusqlite::Result<()> {
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    // Read again under the lock: another process may have been faster.
    let version = read_stamp(&transaction)?.version;
    for script in MIGRATIONS.iter().skip(version) {
        transaction.execute_batch(script)?;
    }
    if version < SCHEMA_VERSION {
        transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
        let reached = i64::try_from(SCHEMA_VERSION).unwrap_or(i64::MAX);
        transaction.pragma_update(None, "user_version", reached)?;
    }
    transaction.commit()
}
