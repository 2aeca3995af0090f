//! The ledger on disk: what the person wrote, a row an entry, by machine. Rows are added and never
//! altered; those that belong together are added in one transaction, and only behind the row that the
//! writer had read last, so that two commands at once cannot both be the next change.

use std::path::PathBuf;

use rusqlite::{Connection, Transaction, TransactionBehavior, params};
use serde::{Deserialize, Serialize};

use super::crc::crc32c;
use super::damage::Damage;
use super::open::Store;
use super::read::{ReadStoreError, decode, lossy};
use crate::model::{Entry, LedgerEntry, LedgerRow, RunHeader, Verdict, Wall};

/// The ledger could not be read.
#[derive(Debug, thiserror::Error)]
pub enum ReadLedgerError {
    /// A row is not what was written. Leaving it out would falsify every value after it.
    #[error(
        "row {row} of the ledger in `{}` is damaged ({damage}), so the present settings are not known; \
         restore the file, or begin a new record with `--store`",
        path.display()
    )]
    Damaged {
        /// The file.
        path: PathBuf,
        /// Number of the row.
        row: i64,
        /// What is wrong.
        damage: String,
    },
    /// Anything else that SQLite says.
    #[error("cannot read `{}`; check the disk that it lies on", path.display())]
    Sqlite {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: rusqlite::Error,
    },
}

/// Nothing was written into the ledger.
#[derive(Debug, thiserror::Error)]
pub enum WriteLedgerError {
    /// Somebody else wrote since it was read.
    #[error(
        "the ledger was written to at the same time by another command; look at it and try again"
    )]
    Moved,
    /// An entry has no JSON form.
    #[error("an entry of the ledger has no stored form")]
    Encode(#[source] serde_json::Error),
    /// What SQLite says.
    #[error("cannot write `{}`; check the disk that it lies on and its free room", path.display())]
    Sqlite {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: rusqlite::Error,
    },
}

/// A run as the ledger needs it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StoredOutcome {
    /// Number in this store.
    pub run: i64,
    /// Header.
    pub header: RunHeader,
    /// The verdict that holds, once there is one.
    pub verdict: Option<Verdict>,
}

impl Store {
    /// Entries of the machine called `host`, oldest first.
    ///
    /// # Errors
    /// A damaged row, or a file that cannot be read.
    pub fn ledger(&self, host: &str) -> Result<Vec<LedgerRow>, ReadLedgerError> {
        let raw = read_rows(&self.connection, host).map_err(|source| self.no_ledger(source))?;
        let decoded = raw.into_iter().map(|(number, at, body, crc)| {
            let entry = decode(&body, crc).map_err(|damage| ReadLedgerError::Damaged {
                path: self.path.clone(),
                row: number,
                damage: damage_words(&damage),
            })?;
            Ok(LedgerRow {
                number,
                at: Wall(at),
                entry,
            })
        });
        decoded.collect()
    }

    /// Headers and verdicts of the run with this number and of at most `earlier` runs of its suite before it,
    /// oldest first; none where the run has no verdict.
    ///
    /// # Errors
    /// There is no such run, or the file cannot be read.
    pub fn judged_up_to(
        &self,
        run: i64,
        earlier: u32,
    ) -> Result<Vec<StoredOutcome>, ReadStoreError> {
        let suite = self.header(run)?.plan.suite;
        let most = earlier.saturating_add(1);
        let judged = self.verdicts_before(run.saturating_add(1), &suite, most)?;
        // Without a verdict of its own, another run would be shown in its place.
        if judged.first().is_none_or(|(newest, ..)| *newest != run) {
            return Ok(Vec::new());
        }
        let oldest_first = judged.into_iter().rev();
        let outcomes = oldest_first.map(|(run, header, verdict)| StoredOutcome {
            run,
            header,
            verdict: Some(verdict),
        });
        Ok(outcomes.collect())
    }

    /// Adds `entries` of the machine called `host`, all of them or none, provided that its newest row
    /// is still number `after` (0: none yet).
    ///
    /// # Errors
    /// Nothing is written then.
    pub fn append_ledger(
        &mut self,
        (host, after): (&str, i64),
        at: Wall,
        entries: &[LedgerEntry],
    ) -> Result<(), WriteLedgerError> {
        let bodies = entries
            .iter()
            .map(|entry| serde_json::to_string(entry).map_err(WriteLedgerError::Encode))
            .collect::<Result<Vec<String>, WriteLedgerError>>()?;
        let path = self.path.clone();
        let failed = |source| WriteLedgerError::Sqlite {
            path: path.clone(),
            source,
        };
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(failed)?;
        if newest(&transaction, host).map_err(failed)? != after {
            return Err(WriteLedgerError::Moved);
        }
        for body in &bodies {
            let crc = crc32c(body.as_bytes());
            transaction
                .execute(
                    "INSERT INTO ledger (host, at_ms, body, crc) VALUES (?1, ?2, ?3, ?4)",
                    params![host, at.0, body, crc],
                )
                .map_err(failed)?;
        }
        transaction.commit().map_err(failed)
    }

    /// Runs on the machine called `host` that began at `since` or later, oldest first, without their
    /// samples. One whose header or
    /// verdict is damaged is left out: `report` tells of it.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn outcomes(&self, host: &str, since: Wall) -> Result<Vec<StoredOutcome>, ReadLedgerError> {
        let raw = read_outcomes(&self.connection, (host, since))
            .map_err(|source| self.no_ledger(source))?;
        let decoded = raw.into_iter().filter_map(|row| {
            let header = decode(&row.header.0, row.header.1).ok()?;
            let verdict = match row.verdict {
                Some((body, crc)) => {
                    let Entry::Verdict(verdict) = decode(&body, crc).ok()? else {
                        return None;
                    };
                    Some(*verdict)
                }
                None => None,
            };
            Some(StoredOutcome {
                run: row.run,
                header,
                verdict,
            })
        });
        Ok(decoded.collect())
    }

    fn no_ledger(&self, source: rusqlite::Error) -> ReadLedgerError {
        ReadLedgerError::Sqlite {
            path: self.path.clone(),
            source,
        }
    }
}

fn damage_words(damage: &Damage) -> String {
    match damage {
        Damage::Checksum { .. } => "its checksum does not fit".to_owned(),
        Damage::Unreadable { reason } => reason.clone(),
        Damage::Missing => "it is missing".to_owned(),
    }
}

fn newest(transaction: &Transaction<'_>, host: &str) -> rusqlite::Result<i64> {
    transaction.query_row(
        "SELECT coalesce(max(number), 0) FROM ledger WHERE host = ?1",
        [host],
        |row| row.get(0),
    )
}

type RawRow = (i64, i64, String, i64);

fn read_rows(connection: &Connection, host: &str) -> rusqlite::Result<Vec<RawRow>> {
    let mut statement = connection.prepare(
        "SELECT number, at_ms, CAST(body AS BLOB), crc FROM ledger WHERE host = ?1 ORDER BY number",
    )?;
    let rows = statement.query_map([host], |row| {
        Ok((row.get(0)?, row.get(1)?, lossy(row.get(2)?), row.get(3)?))
    })?;
    rows.collect()
}

struct RawOutcome {
    run: i64,
    header: (String, i64),
    verdict: Option<(String, i64)>,
}

fn read_outcomes(
    connection: &Connection,
    (host, since): (&str, Wall),
) -> rusqlite::Result<Vec<RawOutcome>> {
    let mut statement = connection.prepare(
        "SELECT r.number, CAST(r.header AS BLOB), r.crc, CAST(e.body AS BLOB), e.crc
         FROM runs r LEFT JOIN entries e ON e.run = r.number AND e.seq =
             (SELECT max(seq) FROM entries WHERE run = r.number AND kind = 'verdict')
         WHERE r.host = ?1 AND r.started_ms >= ?2 ORDER BY r.number",
    )?;
    let rows = statement.query_map(params![host, since.0], |row| {
        let body: Option<Vec<u8>> = row.get(3)?;
        let crc: Option<i64> = row.get(4)?;
        Ok(RawOutcome {
            run: row.get(0)?,
            header: (lossy(row.get(1)?), row.get(2)?),
            verdict: body.map(lossy).zip(crc),
        })
    })?;
    rows.collect()
}
