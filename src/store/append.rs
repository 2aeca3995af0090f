//! Writing: a run's header, then its entries, each call one transaction that is on disk when it
//! returns.

use std::path::{Path, PathBuf};

use rusqlite::{ErrorCode, OptionalExtension, Transaction, params};

use super::crc::crc32c;
use super::open::Store;
use crate::model::{Entry, Mono, RunHeader};

/// Something could not be written down.
#[derive(Debug, thiserror::Error)]
pub enum WriteStoreError {
    /// No room.
    #[error("no room left for `{}`; free some space", path.display())]
    Full {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: rusqlite::Error,
    },
    /// The file may not be written any more.
    #[error("`{}` may not be written any more", path.display())]
    NoAccess {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: rusqlite::Error,
    },
    /// It is not there any more.
    #[error("`{}` was moved or deleted while it was being written", path.display())]
    Gone {
        /// The file.
        path: PathBuf,
    },
    /// Another process holds it for too long.
    #[error("`{}` is held by another process", path.display())]
    Busy {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: rusqlite::Error,
    },
    /// There is no such run.
    #[error("no run {run} in `{}`", path.display())]
    UnknownRun {
        /// The file.
        path: PathBuf,
        /// Number asked for.
        run: i64,
    },
    /// An entry has no JSON form.
    #[error("an entry of kind `{kind}` has no stored form")]
    Encode {
        /// Its kind.
        kind: &'static str,
        /// Why.
        #[source]
        source: serde_json::Error,
    },
    /// Anything else that SQLite says.
    #[error("cannot write `{}`; check the disk that it lies on", path.display())]
    Sqlite {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: rusqlite::Error,
    },
}

impl Store {
    /// Writes the header of a new run and gives it the next number (1, 2, 3 ...).
    ///
    /// # Errors
    /// Nothing is written then.
    pub fn begin_run(&mut self, header: &RunHeader) -> Result<i64, WriteStoreError> {
        let body = encode("header", header)?;
        self.change(|transaction| {
            transaction.execute(
                "INSERT INTO runs (id, suite, host, boot_id, simulated, started_ms, header, crc)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
                params![
                    header.id,
                    header.plan.suite,
                    header.machine.host,
                    header.machine.boot_id,
                    header.machine.simulated,
                    header.started.wall.0,
                    body,
                    crc32c(body.as_bytes()),
                ],
            )?;
            Ok(transaction.last_insert_rowid())
        })
    }

    /// Writes entries behind those that the run has already, all of them or none.
    ///
    /// # Errors
    /// Nothing is written then; what was written before stays readable.
    pub fn append(&mut self, run: i64, entries: &[Entry]) -> Result<(), WriteStoreError> {
        let bodies = entries
            .iter()
            .map(|entry| encode(kind_of(entry), entry))
            .collect::<Result<Vec<String>, WriteStoreError>>()?;
        let path = self.path.clone();
        if !self.is_in_place() {
            return Err(WriteStoreError::Gone { path });
        }
        self.change(|transaction| {
            if !has_run(transaction, run)? {
                return Err(WriteStoreError::UnknownRun { path, run }.into());
            }
            let mut seq = last_seq(transaction, run)?;
            for (entry, body) in entries.iter().zip(&bodies) {
                seq += 1;
                insert(transaction, (run, seq), entry, body)?;
                summarise(transaction, run, entry)?;
            }
            Ok(())
        })
    }
}

pub(super) fn encode(
    kind: &'static str,
    what: &impl serde::Serialize,
) -> Result<String, WriteStoreError> {
    serde_json::to_string(what).map_err(|source| WriteStoreError::Encode { kind, source })
}

fn has_run(transaction: &Transaction<'_>, run: i64) -> rusqlite::Result<bool> {
    transaction
        .query_row("SELECT 1 FROM runs WHERE number = ?1", [run], |_| Ok(()))
        .optional()
        .map(|found| found.is_some())
}

fn last_seq(transaction: &Transaction<'_>, run: i64) -> rusqlite::Result<i64> {
    transaction.query_row(
        "SELECT coalesce(max(seq), 0) FROM entries WHERE run = ?1",
        [run],
        |row| row.get(0),
    )
}

pub(super) fn insert(
    transaction: &Transaction<'_>,
    (run, seq): (i64, i64),
    entry: &Entry,
    body: &str,
) -> rusqlite::Result<()> {
    let at_ns = mono_of(entry).map(|mono| i64::try_from(mono.0).unwrap_or(i64::MAX));
    transaction
        .execute(
            "INSERT INTO entries (run, seq, kind, at_ns, body, crc) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
            params![
                run,
                seq,
                kind_of(entry),
                at_ns,
                body,
                crc32c(body.as_bytes())
            ],
        )
        .map(|_| ())
}

/// Keeps the columns up to date that lists of runs are made from.
pub(super) fn summarise(
    transaction: &Transaction<'_>,
    run: i64,
    entry: &Entry,
) -> rusqlite::Result<()> {
    match entry {
        Entry::Finding(_) => transaction.execute(
            "UPDATE runs SET findings = findings + 1 WHERE number = ?1",
            [run],
        )?,
        Entry::End(end) => transaction.execute(
            "UPDATE runs SET ended_ms = ?2 WHERE number = ?1",
            params![run, end.at.wall.0],
        )?,
        Entry::Verdict(verdict) => transaction.execute(
            "UPDATE runs SET grade = ?2 WHERE number = ?1",
            params![run, verdict.grade.to_string()],
        )?,
        Entry::Stage(_)
        | Entry::Sample(_)
        | Entry::WorkerDone(_)
        | Entry::ProgramRun(_)
        | Entry::Repeated { .. }
        | Entry::Gap(_)
        | Entry::StopMark(_)
        | Entry::Aftermath(_)
        | Entry::Note(_) => 0,
    };
    Ok(())
}

/// The name of an entry's kind, as in its JSON form.
fn kind_of(entry: &Entry) -> &'static str {
    match entry {
        Entry::Stage(_) => "stage",
        Entry::Sample(_) => "sample",
        Entry::WorkerDone(_) => "worker-done",
        Entry::ProgramRun(_) => "program-run",
        Entry::Finding(_) => "finding",
        Entry::Repeated { .. } => "repeated",
        Entry::Gap(_) => "gap",
        Entry::StopMark(_) => "stop-mark",
        Entry::Aftermath(_) => "aftermath",
        Entry::Note(_) => "note",
        Entry::End(_) => "end",
        Entry::Verdict(_) => "verdict",
    }
}

fn mono_of(entry: &Entry) -> Option<Mono> {
    match entry {
        Entry::Stage(mark) => Some(mark.at.mono),
        Entry::Sample(sample) => Some(sample.at.mono),
        Entry::WorkerDone(done) => Some(done.at.mono),
        Entry::ProgramRun(run) => Some(run.at.mono),
        Entry::Finding(finding) => Some(finding.at.mono),
        Entry::End(end) => Some(end.at.mono),
        Entry::StopMark(mark) => Some(mark.at.mono),
        // Said in another boot, perhaps, whose clock began anew.
        Entry::Aftermath(_) | Entry::Note(_) => None,
        Entry::Repeated { .. } | Entry::Gap(_) | Entry::Verdict(_) => None,
    }
}

pub(super) fn explain(path: &Path, source: rusqlite::Error) -> WriteStoreError {
    let path = path.to_path_buf();
    match source.sqlite_error_code() {
        Some(ErrorCode::DiskFull) => WriteStoreError::Full { path, source },
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            WriteStoreError::Busy { path, source }
        }
        Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied | ErrorCode::CannotOpen) => {
            WriteStoreError::NoAccess { path, source }
        }
        Some(_) | None => WriteStoreError::Sqlite { path, source },
    }
}
