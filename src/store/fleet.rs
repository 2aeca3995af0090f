//! What a machine of a fleet still owes its hub, and what the hub's copy of a record needs.
//!
//! A run is owed while it has more rows than the hub gave a receipt for, so the record itself is the
//! outbox and nothing can be left out of it. Of jobs the hub's id is kept for ever: one that is delivered
//! again is known, whatever became of it.

use rusqlite::{OptionalExtension, Row, params};

use super::append::{WriteStoreError, insert, summarise};
use super::damage::Damage;
use super::open::Store;
use super::read::{ReadStoreError, StoredRow};
use crate::model::JobId;

/// A job of the hub's, as it is known here.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HubJob {
    /// The hub's id.
    pub id: String,
    /// Its number in the queue here; none where it was refused at once.
    pub job: Option<JobId>,
    /// What became of it without a run, as it is told to the hub; empty where its run tells.
    pub outcome: Option<String>,
    /// The hub gave a receipt for that.
    pub told: bool,
}

/// A judged run of which the hub lacks rows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UntoldRun {
    /// Its number.
    pub number: i64,
    /// Its id.
    pub id: String,
    /// Rows that it has, the header's included.
    pub rows: i64,
}

/// A copy of a run could not be brought up to date.
#[derive(Debug, thiserror::Error)]
pub enum LengthenRunError {
    /// What came is another record under the same id.
    #[error("row {seq} is not the one that is on record here under the same id")]
    Other {
        /// Number of the row.
        seq: i64,
    },
    /// A row is not what was written.
    #[error("row {seq} is not what was written")]
    Row {
        /// Number of the row.
        seq: i64,
    },
    /// It cannot be read here.
    #[error(transparent)]
    Read(#[from] ReadStoreError),
    /// It cannot be written here.
    #[error(transparent)]
    Write(#[from] WriteStoreError),
}

impl Store {
    /// From the first call on, later runs are owed to the hub.
    ///
    /// # Errors
    /// Nothing is written then.
    pub fn begin_hub_telling(&mut self) -> Result<(), WriteStoreError> {
        self.change(|transaction| {
            transaction.execute(
                "INSERT INTO hub_since (run) SELECT coalesce(max(number), 0) FROM runs
                 WHERE NOT EXISTS (SELECT 1 FROM hub_since)",
                [],
            )?;
            Ok(())
        })
    }

    /// The job that the hub calls `id`, if it ever came here.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn hub_job(&self, id: &str) -> Result<Option<HubJob>, ReadStoreError> {
        let found = self
            .connection
            .query_row(
                "SELECT id, job, outcome, told FROM hub_jobs WHERE id = ?1",
                [id],
                read_job,
            )
            .optional();
        found.map_err(|source| self.unreadable(source))
    }

    /// Jobs of the hub's whose end is not known yet, or not told.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn owed_hub_jobs(&self) -> Result<Vec<HubJob>, ReadStoreError> {
        let read = || {
            let mut statement = self
                .connection
                .prepare("SELECT id, job, outcome, told FROM hub_jobs WHERE NOT told")?;
            let rows = statement.query_map([], read_job)?;
            rows.collect::<rusqlite::Result<Vec<HubJob>>>()
        };
        read().map_err(|source| self.unreadable(source))
    }

    /// Writes down that the hub's job `id` came, and its number in the queue. One that is known stays.
    ///
    /// # Errors
    /// Nothing is written then.
    pub fn keep_hub_job(&mut self, id: &str, job: Option<JobId>) -> Result<(), WriteStoreError> {
        self.change(|transaction| {
            transaction.execute(
                "INSERT INTO hub_jobs (id, job) VALUES (?1, ?2) ON CONFLICT (id) DO NOTHING",
                params![id, job.map(|job| job.0)],
            )?;
            Ok(())
        })
    }

    /// Writes down what became of the hub's job `id`; empty where its run tells. The first word stands.
    ///
    /// # Errors
    /// Nothing is written then.
    pub fn end_hub_job(&mut self, id: &str, outcome: &str) -> Result<(), WriteStoreError> {
        self.change(|transaction| {
            transaction.execute(
                "UPDATE hub_jobs SET outcome = ?2, told = (?2 = '') WHERE id = ?1 AND outcome IS NULL",
                [id, outcome],
            )?;
            Ok(())
        })
    }

    /// The hub has what became of its job `id`.
    ///
    /// # Errors
    /// Nothing is written then.
    pub fn hub_job_told(&mut self, id: &str) -> Result<(), WriteStoreError> {
        self.change(|transaction| {
            transaction.execute("UPDATE hub_jobs SET told = 1 WHERE id = ?1", [id])?;
            Ok(())
        })
    }

    /// The hub asks for what became of its job `id` once more, so its end is owed again.
    ///
    /// # Errors
    /// Nothing is written then.
    pub fn owe_hub_job_again(&mut self, id: &str, run: Option<i64>) -> Result<(), WriteStoreError> {
        self.change(|transaction| {
            transaction.execute(
                "UPDATE hub_jobs SET told = (outcome = '') WHERE id = ?1 AND outcome IS NOT NULL",
                [id],
            )?;
            if let Some(run) = run {
                transaction.execute("DELETE FROM hub_runs WHERE run = ?1", [run])?;
            }
            Ok(())
        })
    }

    /// Judged runs of which the hub lacks rows, oldest first, `most` at once.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn untold_runs(&self, most: u32) -> Result<Vec<UntoldRun>, ReadStoreError> {
        let read = || {
            let mut statement = self.connection.prepare(
                "SELECT number, id, rows FROM (
                     SELECT number, id,
                         1 + (SELECT coalesce(max(seq), 0) FROM entries WHERE run = number) AS rows
                     FROM runs WHERE grade IS NOT NULL AND number > (SELECT max(run) FROM hub_since))
                 WHERE rows > coalesce((SELECT rows FROM hub_runs WHERE run = number), 0)
                 ORDER BY number LIMIT ?1",
            )?;
            let rows = statement.query_map([most], |row| {
                Ok(UntoldRun {
                    number: row.get(0)?,
                    id: row.get(1)?,
                    rows: row.get(2)?,
                })
            })?;
            rows.collect::<rusqlite::Result<Vec<UntoldRun>>>()
        };
        read().map_err(|source| self.unreadable(source))
    }

    /// The hub has `rows` rows of the run of this number.
    ///
    /// # Errors
    /// Nothing is written then.
    pub fn hub_has_run(&mut self, run: i64, rows: i64) -> Result<(), WriteStoreError> {
        self.change(|transaction| {
            transaction.execute(
                "INSERT INTO hub_runs (run, rows) VALUES (?1, ?2)
                 ON CONFLICT (run) DO UPDATE SET rows = max(rows, excluded.rows)",
                [run, rows],
            )?;
            Ok(())
        })
    }

    /// Brings a copy of a run up to date: `rows` are all of its rows, of which the first ones must be
    /// those that are here. Gives how many were new.
    ///
    /// # Errors
    /// The rows are of another record, or a row is not what was written. Nothing is written then.
    pub fn lengthen_run(
        &mut self,
        run: i64,
        rows: &[StoredRow],
    ) -> Result<usize, LengthenRunError> {
        let here = self.rows(run, -1, u32::MAX)?;
        if let Some((known, _)) = here.iter().zip(rows).find(|(known, row)| *known != *row) {
            return Err(LengthenRunError::Other { seq: known.seq });
        }
        let new = rows.get(here.len()..).unwrap_or_default();
        let mut entries = Vec::with_capacity(new.len());
        let mut last = here.last().map_or(0, |row| row.seq);
        for row in new {
            let refused = LengthenRunError::Row { seq: row.seq };
            match row.entry() {
                Ok(entry) if row.seq > last => entries.push((row, entry)),
                Ok(_)
                | Err(Damage::Missing | Damage::Checksum { .. } | Damage::Unreadable { .. }) => {
                    return Err(refused);
                }
            }
            last = row.seq;
        }
        self.change(|transaction| {
            for (row, entry) in &entries {
                insert(transaction, (run, row.seq), entry, &row.body)?;
                summarise(transaction, run, entry)?;
            }
            let told = "INSERT INTO told_runs (run, seq) VALUES (?1, ?2)
                 ON CONFLICT (run) DO UPDATE SET seq = max(seq, excluded.seq)";
            transaction.execute(told, params![run, last])?;
            Ok(())
        })?;
        Ok(entries.len())
    }
}

fn read_job(row: &Row<'_>) -> rusqlite::Result<HubJob> {
    Ok(HubJob {
        id: row.get(0)?,
        job: row.get::<_, Option<i64>>(1)?.map(JobId),
        outcome: row.get(2)?,
        told: row.get(3)?,
    })
}
