-- The shape of a record of version 2, as it was released. Never to be edited.
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
PRAGMA application_id = 1397702987;
PRAGMA user_version = 2;
