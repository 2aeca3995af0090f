//! Taking in a run that was recorded elsewhere: every row is looked at before the first one is
//! written, and all of them are written or none.

use rusqlite::{OptionalExtension, Transaction, params};

use super::append::{WriteStoreError, insert, summarise};
use super::damage::Damage;
use super::open::Store;
use super::read::StoredRow;
use crate::model::RunHeader;

/// A run could not be taken in; nothing of it was.
#[derive(Debug, thiserror::Error)]
pub enum ImportRunError {
    /// It is here already.
    #[error("it is on record here as run {number}")]
    Known {
        /// Its number.
        number: i64,
    },
    /// There is no row at all, or the first is not the header's.
    #[error("it has no header")]
    NoHeader,
    /// A row is not what was written.
    #[error("row {seq} is {}", words(damage))]
    Row {
        /// Place in the list of rows, from 0.
        index: usize,
        /// Its number: 0 for the header.
        seq: i64,
        /// What is wrong.
        damage: Damage,
    },
    /// It cannot be written here.
    #[error(transparent)]
    Write(#[from] WriteStoreError),
}

fn words(damage: &Damage) -> String {
    match damage {
        Damage::Checksum { .. } => "not what its checksum says".to_owned(),
        Damage::Unreadable { reason } => format!("not readable ({reason})"),
        Damage::Missing => "missing".to_owned(),
    }
}

impl Store {
    /// Writes a run that was recorded elsewhere, under the next number here. A number that is missing
    /// among those of the rows stays missing, so that the record goes on saying so. Nobody is sent a
    /// notice of what happened elsewhere.
    ///
    /// # Errors
    /// A row that is not what was written, a run that is here already, or a file that cannot be
    /// written. Nothing is written then.
    pub fn import_run(&mut self, rows: &[StoredRow]) -> Result<i64, ImportRunError> {
        let (head, rest) = rows.split_first().ok_or(ImportRunError::NoHeader)?;
        if head.seq != 0 {
            return Err(ImportRunError::NoHeader);
        }
        let refuse = |index: usize, damage| ImportRunError::Row {
            index,
            seq: rows.get(index).map_or(0, |row| row.seq),
            damage,
        };
        let header: RunHeader = head.header().map_err(|damage| refuse(0, damage))?;
        let mut last = 0;
        let mut entries = Vec::with_capacity(rest.len());
        for (index, row) in rest.iter().enumerate() {
            if row.seq <= last {
                return Err(refuse(index + 1, Damage::Missing));
            }
            last = row.seq;
            let entry = row.entry().map_err(|damage| refuse(index + 1, damage))?;
            entries.push((row, entry));
        }
        let mut here = None;
        let number = self.change(|transaction| {
            let known = "SELECT number FROM runs WHERE id = ?1";
            let known = transaction.query_row(known, [&header.id], |row| row.get(0));
            here = known.optional()?;
            if here.is_some() {
                return Ok(0);
            }
            let number = begin(transaction, &header, head)?;
            for (row, entry) in &entries {
                insert(transaction, (number, row.seq), entry, &row.body)?;
                summarise(transaction, number, entry)?;
            }
            let told = "INSERT INTO told_runs (run, seq) VALUES (?1, ?2)";
            transaction.execute(told, params![number, last])?;
            // Nor is it this machine's to tell a hub of.
            let owed = "INSERT INTO hub_runs (run, rows) VALUES (?1, ?2)";
            transaction.execute(owed, params![number, i64::MAX])?;
            Ok(number)
        })?;
        match here {
            Some(number) => Err(ImportRunError::Known { number }),
            None => Ok(number),
        }
    }
}

/// Puts the header down as it was written elsewhere.
fn begin(
    transaction: &Transaction<'_>,
    header: &RunHeader,
    row: &StoredRow,
) -> rusqlite::Result<i64> {
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
            row.body,
            row.crc,
        ],
    )?;
    Ok(transaction.last_insert_rowid())
}
