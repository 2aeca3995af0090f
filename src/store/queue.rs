//! The queue on disk: jobs and marks in their JSON form with a CRC-32C each. Alterations come in
//! batches, each one transaction that is on disk when the call returns, because a job that is about
//! to start must be known as started although the machine goes down in the next second.

use rusqlite::{Connection, Transaction, params};

use super::append::encode;
use super::crc::crc32c;
use super::open::Store;
use super::read::{ReadStoreError, decode};
use super::{DamagedRow, WriteStoreError};
use crate::model::{Job, Queue, QueueChange, QueueMark};

/// Jobs that are over and kept to be looked at; older ones are forgotten.
pub const ENDED_JOBS_KEPT: usize = 500;

impl Store {
    /// The queue, and how many of its rows could not be read.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn queue(&self) -> Result<(Queue, usize), ReadStoreError> {
        read_queue(&self.connection).map_err(|source| ReadStoreError::Sqlite {
            path: self.path.clone(),
            source,
        })
    }

    /// Makes all of `changes`, or none.
    ///
    /// # Errors
    /// Nothing is written then.
    pub fn change_queue(&mut self, changes: &[QueueChange]) -> Result<(), WriteStoreError> {
        self.change(|transaction| {
            for change in changes {
                match change {
                    QueueChange::Put(job) => {
                        put_job(transaction, job, &encode("job", job)?)?;
                    }
                    QueueChange::Mark(mark) => {
                        put_mark(transaction, mark, &encode("mark", mark)?)?;
                    }
                    QueueChange::Forget(name) => {
                        transaction.execute("DELETE FROM queue_marks WHERE name = ?1", [name])?;
                    }
                }
            }
            Ok(forget_old(transaction)?)
        })
    }

    /// Number of the last run after `seen` that a reset cut short: it ended in one, or it is open
    /// and began during another boot than `boot_id`.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn reset_after(&self, seen: i64, boot_id: &str) -> Result<Option<i64>, ReadStoreError> {
        let found = self.connection.query_row(
            "SELECT max(number) FROM runs WHERE number > ?1 AND (
                 (ended_ms IS NULL AND boot_id <> ?2) OR EXISTS (
                     SELECT 1 FROM entries
                     WHERE run = number AND kind = 'end' AND instr(body, '\"why\":\"reset\"') > 0))",
            params![seen, boot_id],
            |row| row.get(0),
        );
        found.map_err(|source| ReadStoreError::Sqlite {
            path: self.path.clone(),
            source,
        })
    }
}

fn put_job(transaction: &Transaction<'_>, job: &Job, body: &str) -> rusqlite::Result<()> {
    transaction
        .execute(
            "INSERT INTO jobs (id, over, body, crc) VALUES (?1, ?2, ?3, ?4)
             ON CONFLICT (id) DO UPDATE SET over = ?2, body = ?3, crc = ?4",
            params![job.id.0, job.state.is_over(), body, crc32c(body.as_bytes())],
        )
        .map(drop)
}

fn put_mark(transaction: &Transaction<'_>, mark: &QueueMark, body: &str) -> rusqlite::Result<()> {
    transaction
        .execute(
            "INSERT INTO queue_marks (name, body, crc) VALUES (?1, ?2, ?3)
             ON CONFLICT (name) DO UPDATE SET body = ?2, crc = ?3",
            params![mark.name(), body, crc32c(body.as_bytes())],
        )
        .map(drop)
}

/// The newest job stays whatever it is, so that its number is not given again.
fn forget_old(transaction: &Transaction<'_>) -> rusqlite::Result<()> {
    transaction
        .execute(
            "DELETE FROM jobs WHERE over AND id < (SELECT max(id) FROM jobs) AND id NOT IN (
                 SELECT id FROM jobs WHERE over ORDER BY id DESC LIMIT ?1)",
            [i64::try_from(ENDED_JOBS_KEPT).unwrap_or(i64::MAX)],
        )
        .map(drop)
}

fn read_queue(connection: &Connection) -> rusqlite::Result<(Queue, usize)> {
    let transaction = connection.unchecked_transaction()?;
    let (jobs, bad_jobs) = read_rows(
        &transaction,
        "SELECT CAST(body AS BLOB), crc FROM jobs ORDER BY id",
    )?;
    let (marks, bad_marks) = read_rows(
        &transaction,
        "SELECT CAST(body AS BLOB), crc FROM queue_marks ORDER BY name",
    )?;
    Ok((Queue { jobs, marks }, bad_jobs + bad_marks))
}

/// Rows that can be trusted, and the number of the others.
fn read_rows<T: serde::de::DeserializeOwned>(
    connection: &Connection,
    select: &str,
) -> rusqlite::Result<(Vec<T>, usize)> {
    let mut statement = connection.prepare(select)?;
    let rows = statement.query_map([], |row| {
        let bytes: Vec<u8> = row.get(0)?;
        let crc: i64 = row.get(1)?;
        Ok((String::from_utf8_lossy(&bytes).into_owned(), crc))
    })?;
    let mut trusted = Vec::new();
    let mut damaged = 0;
    for row in rows {
        let (body, crc) = row?;
        match decode(&body, crc) {
            Ok(value) => trusted.push(value),
            Err(damage) => {
                let row = DamagedRow {
                    run: 0,
                    seq: None,
                    kind: "queue".to_owned(),
                    damage,
                };
                tracing::error!(%row, "a row of the queue is damaged and left out");
                damaged += 1;
            }
        }
    }
    Ok((trusted, damaged))
}
