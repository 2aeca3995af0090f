//! Reading the outbox, and the entries that nobody was told of yet.

use rusqlite::{OptionalExtension, params};

use super::open::Store;
use super::outbox::{DeliveryState, read_notice};
use super::read::{ReadStoreError, decode, lossy, read_header};
use crate::model::{Entry, Grade, Notice, RunHeader, Verdict, Wall};

/// Runs that are looked at although they have ended: late errors and recoveries revise verdicts.
const RECENT_RUNS: i64 = 8;

/// How much of the record is looked through for something to tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Look {
    /// Every run.
    Everywhere,
    /// Open runs and the newest ones.
    Recent,
}

/// What happened in a run that nobody was told of yet.
#[derive(Debug, Clone)]
pub struct Untold {
    /// Number of the run.
    pub run: i64,
    /// Its header.
    pub header: RunHeader,
    /// True when not even its beginning was told.
    pub from_start: bool,
    /// True when a finding stands before these entries.
    pub had_finding: bool,
    /// Grade of the last verdict before them.
    pub grade: Option<Grade>,
    /// Entries with their numbers, without samples; damaged ones are left out.
    pub entries: Vec<(i64, Entry)>,
    /// Up to here the run has been looked at.
    pub seq: i64,
}

/// How the queue stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct QueueStanding {
    /// Jobs that wait or run.
    pub open: i64,
    /// Number of the newest job.
    pub last: Option<i64>,
    /// Host of the newest run, empty without one.
    pub host: String,
    /// Whether that run was on a simulated machine.
    pub simulated: bool,
}

/// A line of the list of deliveries.
#[derive(Debug, Clone, PartialEq)]
pub struct DeliveryLine {
    /// Id of the notice.
    pub id: String,
    /// Name of the target.
    pub target: String,
    /// What is told; none when the row is damaged.
    pub notice: Option<Notice>,
    /// When it was put in.
    pub at: Wall,
    /// How it stands.
    pub state: DeliveryState,
    /// Attempts so far.
    pub attempts: u32,
    /// When it is tried next; meaningful while it waits.
    pub due: Wall,
    /// When it was last tried.
    pub last: Option<Wall>,
    /// What came of the last attempt.
    pub answer: String,
}

impl Store {
    /// What happened that nobody was told of yet, in the order of the runs.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn untold(&self, look: Look) -> Result<Vec<Untold>, ReadStoreError> {
        self.read_untold(look)
            .map_err(|source| self.unreadable(source))
    }

    fn read_untold(&self, look: Look) -> rusqlite::Result<Vec<Untold>> {
        // One instant, although a run may be writing.
        let transaction = self.connection.unchecked_transaction()?;
        let mut runs = transaction.prepare(
            "SELECT number, told_runs.seq FROM runs LEFT JOIN told_runs ON run = number
             WHERE ?1 OR ended_ms IS NULL OR number > (SELECT max(number) FROM runs) - ?2
             ORDER BY number",
        )?;
        let everywhere = look == Look::Everywhere;
        let rows = runs.query_map(params![everywhere, RECENT_RUNS], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })?;
        let mut untold = Vec::new();
        for row in rows {
            let (run, told) = row?;
            untold.extend(self.read_run_news(run, told)?);
        }
        Ok(untold)
    }

    /// News of one run of which entries up to `told` were looked at; none also where its header is
    /// damaged.
    fn read_run_news(&self, run: i64, told: Option<i64>) -> rusqlite::Result<Option<Untold>> {
        let before = told.unwrap_or(0);
        let news = self.read_news(run, before)?;
        let seq = news.last().map(|(seq, _)| *seq);
        let Some(seq) = seq.or(told.is_none().then_some(0)) else {
            return Ok(None);
        };
        let header = read_header(&self.connection, run)?;
        let Some(header) = header.and_then(|(body, crc)| decode(&body, crc).ok()) else {
            return Ok(None);
        };
        let entries = news.into_iter();
        Ok(Some(Untold {
            run,
            header,
            from_start: told.is_none(),
            had_finding: self.read_last(run, "finding", before)?.is_some(),
            grade: self.read_verdict(run, before)?.map(|verdict| verdict.grade),
            entries: entries
                .filter_map(|(seq, entry)| Some((seq, entry?)))
                .collect(),
            seq,
        }))
    }

    /// Entries behind number `told`, without samples; none for damaged ones.
    fn read_news(&self, run: i64, told: i64) -> rusqlite::Result<Vec<(i64, Option<Entry>)>> {
        let mut statement = self.connection.prepare(
            "SELECT seq, CAST(body AS BLOB) AS body, crc FROM entries
             WHERE run = ?1 AND kind <> 'sample' AND seq > ?2 ORDER BY seq",
        )?;
        let rows =
            statement.query_map([run, told], |row| Ok((row.get("seq")?, row_entry(row)?)))?;
        rows.collect()
    }

    /// The last entry of a kind up to number `until`; none also when it is damaged.
    fn read_last(
        &self,
        run: i64,
        kind: &str,
        until: i64,
    ) -> rusqlite::Result<Option<Option<Entry>>> {
        let mut statement = self.connection.prepare(
            "SELECT CAST(body AS BLOB) AS body, crc FROM entries
             WHERE run = ?1 AND kind = ?2 AND kind <> 'sample' AND seq <= ?3
             ORDER BY seq DESC LIMIT 1",
        )?;
        statement
            .query_row(params![run, kind, until], row_entry)
            .optional()
    }

    fn read_verdict(&self, run: i64, until: i64) -> rusqlite::Result<Option<Verdict>> {
        let entry = self.read_last(run, "verdict", until)?.flatten();
        Ok(match entry {
            Some(Entry::Verdict(verdict)) => Some(*verdict),
            Some(_) | None => None,
        })
    }

    /// Numbers, headers and verdicts of at most `most` runs of a suite before `run`, the newest first; those
    /// that cannot be read are left out.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn verdicts_before(
        &self,
        run: i64,
        suite: &str,
        most: u32,
    ) -> Result<Vec<(i64, RunHeader, Verdict)>, ReadStoreError> {
        let read = || {
            let mut statement = self.connection.prepare(
                "SELECT number, CAST(header AS BLOB) AS header FROM runs
                 WHERE number < ?1 AND suite = ?2 AND grade IS NOT NULL
                 ORDER BY number DESC LIMIT ?3",
            )?;
            let rows = statement.query_map(params![run, suite, most], |row| {
                Ok((row.get(0)?, row.get(1)?))
            })?;
            let mut found = Vec::new();
            for row in rows {
                let (number, header): (i64, Vec<u8>) = row?;
                let header: Option<RunHeader> = serde_json::from_slice(&header).ok();
                let judged = header.zip(self.read_verdict(number, i64::MAX)?);
                found.extend(judged.map(|(header, verdict)| (number, header, verdict)));
            }
            Ok(found)
        };
        read().map_err(|source| self.unreadable(source))
    }

    /// All deliveries, oldest first.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn deliveries(&self) -> Result<Vec<DeliveryLine>, ReadStoreError> {
        let read = || {
            let mut statement = self.connection.prepare(
                "SELECT id, at_ms, CAST(body AS BLOB) AS body, crc, target, state, attempts, due_ms,
                        last_ms, answer
                 FROM notices JOIN deliveries ON notice = id ORDER BY at_ms, id, target",
            )?;
            let rows = statement.query_map([], |row| {
                let state: String = row.get("state")?;
                let last: Option<i64> = row.get("last_ms")?;
                Ok(DeliveryLine {
                    id: row.get("id")?,
                    target: row.get("target")?,
                    notice: read_notice(row)?,
                    at: Wall(row.get("at_ms")?),
                    state: match state.as_str() {
                        "waiting" => DeliveryState::Waiting,
                        "delivered" => DeliveryState::Delivered,
                        _ => DeliveryState::Dead,
                    },
                    attempts: row.get("attempts")?,
                    due: Wall(row.get("due_ms")?),
                    last: last.map(Wall),
                    answer: row.get("answer")?,
                })
            })?;
            rows.collect::<rusqlite::Result<_>>()
        };
        read().map_err(|source| self.unreadable(source))
    }

    /// When the next delivery is due, if one waits for a target that is not in `busy`.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn next_due(&self, busy: &[String]) -> Result<Option<Wall>, ReadStoreError> {
        let busy = serde_json::json!(busy).to_string();
        self.connection
            .query_row(
                "SELECT min(due_ms) FROM deliveries
                 WHERE state = 'waiting' AND target NOT IN (SELECT value FROM json_each(?1))",
                [busy],
                |row| row.get(0),
            )
            .map(|due: Option<i64>| due.map(Wall))
            .map_err(|source| self.unreadable(source))
    }

    /// Number of deliveries that wait.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn count_waiting(&self) -> Result<usize, ReadStoreError> {
        self.connection
            .query_row(
                "SELECT count(*) FROM deliveries WHERE state = 'waiting'",
                [],
                |row| row.get(0),
            )
            .map(|count: i64| usize::try_from(count).unwrap_or(0))
            .map_err(|source| self.unreadable(source))
    }

    /// How the queue stands, for those who are told when it is empty.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn queue_standing(&self) -> Result<QueueStanding, ReadStoreError> {
        self.connection
            .query_row(
                "SELECT count(*) FILTER (WHERE NOT over), max(id),
                        (SELECT host FROM runs ORDER BY number DESC LIMIT 1),
                        (SELECT simulated FROM runs ORDER BY number DESC LIMIT 1)
                 FROM jobs",
                [],
                |row| {
                    let host: Option<String> = row.get(2)?;
                    let simulated: Option<bool> = row.get(3)?;
                    Ok(QueueStanding {
                        open: row.get(0)?,
                        last: row.get(1)?,
                        host: host.unwrap_or_default(),
                        simulated: simulated.unwrap_or_default(),
                    })
                },
            )
            .map_err(|source| self.unreadable(source))
    }

    /// The mark under which a target was closed, if it is.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn closed_mark(&self, target: &str) -> Result<Option<String>, ReadStoreError> {
        self.connection
            .query_row(
                "SELECT mark FROM closed_targets WHERE name = ?1",
                [target],
                |row| row.get(0),
            )
            .optional()
            .map_err(|source| self.unreadable(source))
    }

    /// A number that changes when another connection has written.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn change_mark(&self) -> Result<i64, ReadStoreError> {
        self.connection
            .query_row("PRAGMA data_version", [], |row| row.get(0))
            .map_err(|source| self.unreadable(source))
    }
}

fn row_entry(row: &rusqlite::Row<'_>) -> rusqlite::Result<Option<Entry>> {
    let body = lossy(row.get("body")?);
    Ok(decode(&body, row.get("crc")?).ok())
}
