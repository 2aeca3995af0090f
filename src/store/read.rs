//! Reading: lists of runs, whole records, and the check of every row.

use std::path::PathBuf;

use rusqlite::{Connection, OptionalExtension, Row};
use serde::{Deserialize, Serialize};

use super::crc::crc32c;
use super::damage::{Damage, DamagedRow};
use super::open::Store;
use crate::model::{Entry, FORMAT, Gap, GapKind, Grade, Record, RunHeader, Wall};

/// Casts to bytes: a damaged text may not be UTF-8 any more, and must not end the reading.
const READ_ENTRIES: &str = "SELECT seq, CAST(kind AS BLOB) AS kind, CAST(body AS BLOB) AS body, crc
     FROM entries WHERE run = ?1 AND seq > ?2 ORDER BY seq LIMIT ?3";
/// How the text of a sample begins.
const SAMPLE: &str = r#"{"entry":"sample","#;
/// Rows that one jump of their numbers counts as missing: a damaged number may be any.
const MOST_MISSING: i64 = 10_000;

/// A record could not be read.
#[derive(Debug, thiserror::Error)]
pub enum ReadStoreError {
    /// There is no such run.
    #[error("no run {run} in `{}`", path.display())]
    UnknownRun {
        /// The file.
        path: PathBuf,
        /// Number asked for.
        run: i64,
    },
    /// Without its header a run has no meaning.
    #[error("the header of run {run} in `{}` is damaged: {row}", path.display())]
    DamagedHeader {
        /// The file.
        path: PathBuf,
        /// Number of the run.
        run: i64,
        /// What is wrong.
        row: DamagedRow,
    },
    /// Written in a newer form.
    #[error(
        "run {run} in `{}` has format {found}, this program knows up to {FORMAT}; use the newer \
         program that wrote it",
        path.display()
    )]
    NewerFormat {
        /// The file.
        path: PathBuf,
        /// Number of the run.
        run: i64,
        /// Its format.
        found: u32,
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

/// A line of the list of runs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RunSummary {
    /// Number in this store.
    pub number: i64,
    /// Globally unique id.
    pub id: String,
    /// Name of the suite.
    pub suite: String,
    /// Host name.
    pub host: String,
    /// Start.
    pub started: Wall,
    /// End, once there is one.
    pub ended: Option<Wall>,
    /// Grade of the last verdict.
    pub grade: Option<Grade>,
    /// Findings on record.
    pub findings: u64,
    /// True when it did not run on a real machine.
    pub simulated: bool,
    /// True while no end is on record.
    pub open: bool,
    /// Boot during which it started.
    pub boot_id: String,
}

/// A stored row before it is trusted; header and entries travel in this form too, so that whoever
/// receives them checks and folds them like a store.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StoredRow {
    /// 0 for the header, from 1 for entries.
    pub seq: i64,
    /// Kind of the entry, `header` for the header.
    pub kind: String,
    /// JSON.
    pub body: String,
    /// CRC-32C of `body`.
    pub crc: i64,
}

impl StoredRow {
    /// What the row of a header says.
    ///
    /// # Errors
    /// It is not what was written.
    pub fn header(&self) -> Result<RunHeader, Damage> {
        decode(&self.body, self.crc)
    }

    /// What the row of an entry says.
    ///
    /// # Errors
    /// It is not what was written.
    pub fn entry(&self) -> Result<Entry, Damage> {
        // Nearly all rows are samples. Read as what they are, they cost half of what an enum costs whose name may
        // stand anywhere in the text.
        if self.body.starts_with(SAMPLE) {
            return decode(&self.body, self.crc).map(Entry::Sample);
        }
        decode(&self.body, self.crc)
    }
}

/// Folds rows of run number `run`, wherever they were kept: the header's first, then the entries' in
/// order. Damaged rows are left out; a gap in the record says so.
///
/// # Errors
/// There is no header, or it is damaged.
pub fn record_of(run: i64, rows: Vec<StoredRow>) -> Result<Record, DamagedRow> {
    let mut rows = rows.into_iter();
    let header = header_of(run, rows.next())?;
    Ok(fold(header, checked(run, rows)))
}

/// Entries that could be read, each with the damage that stands in the place of the others.
type Checked = Result<Entry, DamagedRow>;

impl Store {
    /// The list of runs, oldest first.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn runs(&self) -> Result<Vec<RunSummary>, ReadStoreError> {
        read_runs(&self.connection).map_err(|source| self.unreadable(source))
    }

    /// What the list says of one run; none where there is no such run.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn summary(&self, run: i64) -> Result<Option<RunSummary>, ReadStoreError> {
        let found = self.connection.query_row(
            "SELECT number, id, suite, host, started_ms, ended_ms, grade, findings, simulated, boot_id
             FROM runs WHERE number = ?1",
            [run],
            parse_summary,
        );
        found.optional().map_err(|source| self.unreadable(source))
    }

    /// A whole record. Damaged rows are left out; a gap in the record says so.
    ///
    /// # Errors
    /// No such run, a damaged or newer header, or a file that cannot be read.
    pub fn record(&self, run: i64) -> Result<Record, ReadStoreError> {
        self.read_whole(run, |header, rows| Ok(fold(self.known(run, header)?, rows)))?
    }

    /// Up to `most` rows of a run behind row `after`; the header's comes first where `after` is
    /// negative.
    ///
    /// # Errors
    /// No such run, or a file that cannot be read.
    pub fn rows(&self, run: i64, after: i64, most: u32) -> Result<Vec<StoredRow>, ReadStoreError> {
        let header = Some(self.header_row(&self.connection, run)?).filter(|_| after < 0);
        let entries = read_entries(&self.connection, (run, after, most))
            .map_err(|source| self.unreadable(source))?;
        Ok(header.into_iter().chain(entries).collect())
    }

    /// What was known of a run when it began.
    ///
    /// # Errors
    /// As [`Store::record`].
    pub fn header(&self, run: i64) -> Result<RunHeader, ReadStoreError> {
        let row = self.header_row(&self.connection, run)?;
        self.known(run, header_of(run, Some(row)))
    }

    fn header_row(&self, connection: &Connection, run: i64) -> Result<StoredRow, ReadStoreError> {
        let found = read_header(connection, run).map_err(|source| self.unreadable(source))?;
        let (body, crc) = found.ok_or_else(|| ReadStoreError::UnknownRun {
            path: self.path.clone(),
            run,
        })?;
        Ok(StoredRow {
            seq: 0,
            kind: "header".to_owned(),
            body,
            crc,
        })
    }

    /// A header that is whole, and of a form that this program knows.
    fn known(
        &self,
        run: i64,
        header: Result<RunHeader, DamagedRow>,
    ) -> Result<RunHeader, ReadStoreError> {
        let header = header.map_err(|row| ReadStoreError::DamagedHeader {
            path: self.path.clone(),
            run,
            row,
        })?;
        if header.format > FORMAT {
            return Err(ReadStoreError::NewerFormat {
                path: self.path.clone(),
                run,
                found: header.format,
            });
        }
        Ok(header)
    }

    /// A record without its samples, which are most of it. Damaged rows are left out; a gap says so.
    ///
    /// # Errors
    /// As [`Store::record`].
    pub fn record_without_samples(&self, run: i64) -> Result<Record, ReadStoreError> {
        let header = self.header(run)?;
        let failed = |source| self.unreadable(source);
        let mut statement = self
            .connection
            .prepare(
                "SELECT seq, CAST(kind AS BLOB) AS kind, CAST(body AS BLOB) AS body, crc
                 FROM entries WHERE run = ?1 AND kind <> 'sample' ORDER BY seq",
            )
            .map_err(failed)?;
        let rows = statement.query_map([run], parse_row).map_err(failed)?;
        let rows: rusqlite::Result<Vec<Checked>> =
            rows.map(|row| row.map(|row| check_row(run, row))).collect();
        Ok(fold(header, rows.map_err(failed)?))
    }

    /// The newest row of one kind, where a run has any.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn last_row(&self, run: i64, kind: &str) -> Result<Option<StoredRow>, ReadStoreError> {
        let mut statement = self
            .connection
            .prepare(
                "SELECT seq, CAST(kind AS BLOB) AS kind, CAST(body AS BLOB) AS body, crc
                 FROM entries WHERE run = ?1 AND kind = ?2 ORDER BY seq DESC LIMIT 1",
            )
            .map_err(|source| self.unreadable(source))?;
        let row = statement.query_row((run, kind), parse_row).optional();
        row.map_err(|source| self.unreadable(source))
    }

    /// Every row of a run that is not what was written.
    ///
    /// # Errors
    /// No such run, or a file that cannot be read.
    pub fn check_run(&self, run: i64) -> Result<Vec<DamagedRow>, ReadStoreError> {
        self.read_whole(run, |header, rows| {
            header
                .err()
                .into_iter()
                .chain(rows.filter_map(Result::err))
                .collect()
        })
    }

    pub(super) fn unreadable(&self, source: rusqlite::Error) -> ReadStoreError {
        ReadStoreError::Sqlite {
            path: self.path.clone(),
            source,
        }
    }

    /// Passes on header and entries of one instant, although another process may be writing; the entries one by
    /// one, for a night's are far larger as text than what they say.
    fn read_whole<T>(
        &self,
        run: i64,
        take: impl FnOnce(Result<RunHeader, DamagedRow>, &mut dyn Iterator<Item = Checked>) -> T,
    ) -> Result<T, ReadStoreError> {
        let failed = |source| self.unreadable(source);
        let transaction = self.connection.unchecked_transaction().map_err(failed)?;
        let header = header_of(run, Some(self.header_row(&transaction, run)?));
        let mut statement = transaction.prepare(READ_ENTRIES).map_err(failed)?;
        let rows = statement.query_map((run, 0, u32::MAX), parse_row);
        let mut failure = None;
        let rows = rows
            .map_err(failed)?
            .map_while(|row| row.map_err(|source| failure = Some(source)).ok());
        let taken = take(header, &mut checked(run, rows));
        failure.map_or(Ok(taken), |source| Err(failed(source)))
    }
}

fn read_runs(connection: &Connection) -> rusqlite::Result<Vec<RunSummary>> {
    let mut statement = connection.prepare(
        "SELECT number, id, suite, host, started_ms, ended_ms, grade, findings, simulated, boot_id
         FROM runs ORDER BY number",
    )?;
    let rows = statement.query_map([], parse_summary)?;
    rows.collect()
}

fn parse_summary(row: &Row<'_>) -> rusqlite::Result<RunSummary> {
    let ended: Option<i64> = row.get("ended_ms")?;
    let grade: Option<String> = row.get("grade")?;
    let findings: i64 = row.get("findings")?;
    Ok(RunSummary {
        number: row.get("number")?,
        id: row.get("id")?,
        suite: row.get("suite")?,
        host: row.get("host")?,
        started: Wall(row.get("started_ms")?),
        ended: ended.map(Wall),
        grade: grade.and_then(|name| serde_json::from_value(name.into()).ok()),
        findings: u64::try_from(findings).unwrap_or(0),
        simulated: row.get("simulated")?,
        open: ended.is_none(),
        boot_id: row.get("boot_id")?,
    })
}

pub(super) fn read_header(
    connection: &Connection,
    run: i64,
) -> rusqlite::Result<Option<(String, i64)>> {
    connection
        .query_row(
            "SELECT CAST(header AS BLOB), crc FROM runs WHERE number = ?1",
            [run],
            |row| Ok((lossy(row.get("CAST(header AS BLOB)")?), row.get("crc")?)),
        )
        .optional()
}

fn read_entries(
    connection: &Connection,
    (run, after, most): (i64, i64, u32),
) -> rusqlite::Result<Vec<StoredRow>> {
    let mut statement = connection.prepare(READ_ENTRIES)?;
    let rows = statement.query_map((run, after, most), parse_row)?;
    rows.collect()
}

fn parse_row(row: &Row<'_>) -> rusqlite::Result<StoredRow> {
    Ok(StoredRow {
        seq: row.get("seq")?,
        kind: lossy(row.get("kind")?),
        body: lossy(row.get("body")?),
        crc: row.get("crc")?,
    })
}

pub(super) fn lossy(bytes: Vec<u8>) -> String {
    String::from_utf8(bytes).unwrap_or_else(|e| String::from_utf8_lossy(e.as_bytes()).into_owned())
}

pub(super) fn decode<T: serde::de::DeserializeOwned>(body: &str, crc: i64) -> Result<T, Damage> {
    let computed = crc32c(body.as_bytes());
    if i64::from(computed) != crc {
        return Err(Damage::Checksum {
            stored: crc,
            computed,
        });
    }
    serde_json::from_str(body).map_err(|error| Damage::Unreadable {
        reason: error.to_string(),
    })
}

fn header_of(run: i64, row: Option<StoredRow>) -> Result<RunHeader, DamagedRow> {
    let row = row.filter(|row| row.seq == 0).ok_or(Damage::Missing);
    row.and_then(|row| row.header())
        .map_err(|damage| DamagedRow {
            run,
            seq: None,
            kind: "header".to_owned(),
            damage,
        })
}

/// What the rows say, with the damage in the place of those that are missing.
fn checked(run: i64, rows: impl Iterator<Item = StoredRow>) -> impl Iterator<Item = Checked> {
    let mut expected = 1_i64;
    rows.flat_map(move |row| {
        let missing = expected..row.seq.min(expected.saturating_add(MOST_MISSING));
        expected = row.seq.saturating_add(1);
        let missing = missing.map(move |seq| {
            Err(DamagedRow {
                run,
                seq: Some(seq),
                kind: String::new(),
                damage: Damage::Missing,
            })
        });
        missing.chain([check_row(run, row)])
    })
}

fn check_row(run: i64, row: StoredRow) -> Checked {
    row.entry().map_err(|damage| DamagedRow {
        run,
        seq: Some(row.seq),
        kind: row.kind,
        damage,
    })
}

/// Folds what could be read. A repeated finding is named by its index, so damaged findings are
/// counted to keep the later ones apart.
fn fold(header: RunHeader, rows: impl IntoIterator<Item = Checked>) -> Record {
    let mut record = Record::new(header);
    let mut places: Vec<Option<usize>> = Vec::new();
    let mut damaged = Vec::new();
    for row in rows {
        match row {
            Ok(Entry::Repeated { finding, events }) => {
                let place = places.get(finding as usize).copied().flatten();
                if let Some(known) = place.and_then(|place| record.findings.get_mut(place)) {
                    known.events = events;
                }
            }
            Ok(entry) => {
                if matches!(entry, Entry::Finding(_)) {
                    places.push(Some(record.findings.len()));
                }
                record.apply(entry);
            }
            Err(row) => {
                if row.kind == "finding" {
                    places.push(None);
                }
                damaged.push(row);
            }
        }
    }
    if let Some(first) = damaged.first() {
        record.gaps.push(damage_gap(damaged.len(), first));
    }
    record
}

fn damage_gap(count: usize, first: &DamagedRow) -> Gap {
    Gap {
        kind: GapKind::RecordDamaged,
        about: format!("{count} rows of the record are damaged and left out, the first is {first}"),
        remedy: "check the disk and the memory of the machine that keeps the record".to_owned(),
    }
}
