//! What came of it, as it is kept and asked for.

use rusqlite::types::Value;
use rusqlite::{OptionalExtension, Row, params, params_from_iter};
use serde::Serialize;

use super::export::local_time;
use super::keep::{Keep, KeepError, Place};
use crate::fleet::protocol::{JobEnd, MachineName, Word};
use crate::model::{Grade, Wall};

/// Most outcomes given at once.
const MOST_ROWS: u32 = 10_000;
/// Refusals that are remembered of one machine; a flood of them pushes out its own only.
const MOST_UNSETTLED: u32 = 256;

/// One run, or the end of a job without one.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KeptOutcome {
    /// Id of the run, else that of the outcome.
    pub key: String,
    /// Whose.
    pub machine: MachineName,
    /// Serial number.
    pub serial: Option<String>,
    /// The hub's job.
    pub job: Option<String>,
    /// What became of it.
    pub job_end: Option<JobEnd>,
    /// Id of the run.
    pub run: Option<String>,
    /// Rows of the record that are here.
    pub rows: Option<i64>,
    /// Its number in the hub's record.
    pub number: Option<i64>,
    /// Name of the suite.
    pub suite: Option<String>,
    /// Host name.
    pub host: Option<String>,
    /// Processor, board and memory modules.
    pub parts: String,
    /// The grade as it is given here, from the record.
    pub grade: Option<Grade>,
    /// The grade as the machine gave it.
    pub grade_there: Option<Grade>,
    /// One sentence.
    pub reason: String,
    /// Hottest reading of the processor, in degrees Celsius.
    pub peak_c: Option<f64>,
    /// True when it did not run on a real machine.
    pub simulated: bool,
    /// When it ended, by the machine's clock.
    pub at: Wall,
    /// When it came here.
    pub copied: Wall,
}

impl KeptOutcome {
    /// Of `machine`, with nothing known of it yet.
    pub fn of(machine: MachineName, key: String) -> Self {
        Self {
            key,
            machine,
            serial: None,
            job: None,
            job_end: None,
            run: None,
            rows: None,
            number: None,
            suite: None,
            host: None,
            parts: String::new(),
            grade: None,
            grade_there: None,
            reason: String::new(),
            peak_c: None,
            simulated: false,
            at: Wall(0),
            copied: Wall(0),
        }
    }
}

impl KeptOutcome {
    /// The grade, or what became of a job without one.
    pub fn grade_words(&self) -> String {
        let simulated = if self.simulated { " (simulated)" } else { "" };
        self.grade.map_or_else(
            || "no run".to_owned(),
            |grade| format!("{grade}{simulated}"),
        )
    }
}

/// Which outcomes are wanted; nothing given means all.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Query {
    /// Of this machine.
    pub machine: Option<MachineName>,
    /// With this serial number.
    pub serial: Option<String>,
    /// Ended at or after this instant.
    pub since: Option<Wall>,
    /// Ended before this instant.
    pub until: Option<Wall>,
    /// Of this grade.
    pub grade: Option<Grade>,
    /// With a part whose name contains this, in upper or lower case.
    pub part: Option<String>,
    /// Of this order.
    pub order: Option<String>,
    /// Only the newest so many.
    pub most: Option<u32>,
}

/// A machine that fell silent in mid-job.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Lost {
    /// Which.
    pub machine: MachineName,
    /// When it was heard last.
    pub at: Wall,
    /// The hub's job that it had.
    pub job: Option<String>,
    /// What it was at.
    pub doing: String,
    /// When it was heard again.
    pub back: Option<Wall>,
}

impl Lost {
    /// What is known since then.
    pub fn back_words(&self) -> String {
        self.back.map_or_else(
            || "not heard since".to_owned(),
            |back| format!("heard again {}", local_time(back)),
        )
    }
}

impl Keep {
    /// Keeps an outcome, once; with more rows of the same run, in place of the one before.
    ///
    /// # Errors
    /// Nothing is written then.
    pub(super) fn put_outcome(
        &mut self,
        kept: &KeptOutcome,
        (outcome, at): (&str, &Place<'_>),
    ) -> Result<(), KeepError> {
        let end = kept.job_end.as_ref();
        let end = end.map(|end| serde_json::to_string(end).unwrap_or_default());
        self.change(|change| {
            change.execute(
                "INSERT INTO outcomes (key, machine, serial, job, job_end, run, rows, number, suite, host,
                     parts, grade, grade_there, reason, peak_c, simulated, at_ms, copied_ms)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18)
                 ON CONFLICT (key) DO UPDATE SET rows = ?7, number = ?8, parts = ?11, grade = ?12,
                     grade_there = ?13, reason = ?14, peak_c = ?15,
                     job = coalesce(job, ?4), job_end = coalesce(?5, job_end)
                     WHERE machine = ?2 AND coalesce(rows, 0) < coalesce(?7, 0)",
                params![
                    kept.key,
                    kept.machine.as_str(),
                    kept.serial,
                    kept.job,
                    end,
                    kept.run,
                    kept.rows,
                    kept.number,
                    kept.suite,
                    kept.host,
                    kept.parts,
                    kept.grade.map(|grade| grade.to_string()),
                    kept.grade_there.map(|grade| grade.to_string()),
                    kept.reason,
                    kept.peak_c,
                    kept.simulated,
                    kept.at.0,
                    kept.copied.0,
                ],
            )?;
            change.execute(
                "DELETE FROM unsettled WHERE machine = ?1 AND outcome = ?2",
                [kept.machine.as_str(), outcome],
            )?;
            at.reached(change)
        })
    }

    /// The machine under which the outcome `key` is kept.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub(super) fn owner(&self, key: &str) -> Result<Option<String>, KeepError> {
        self.ask(|connection| {
            connection
                .query_row(
                    "SELECT machine FROM outcomes WHERE key = ?1",
                    [key],
                    |row| row.get(0),
                )
                .optional()
        })
    }

    /// Writes down that an outcome was refused (with the reason), or lacks parts; the machine's oldest ones
    /// make room.
    ///
    /// # Errors
    /// Nothing is written then.
    pub(super) fn put_unsettled(
        &mut self,
        (machine, outcome): (&MachineName, &str),
        refused: Option<&str>,
        at: &Place<'_>,
    ) -> Result<(), KeepError> {
        self.change(|change| {
            change.execute(
                "INSERT INTO unsettled (outcome, machine, refused, at_ms) VALUES (?1, ?2, ?3, ?4)
                 ON CONFLICT (machine, outcome) DO UPDATE SET refused = ?3, at_ms = ?4",
                params![outcome, machine.as_str(), refused, at.now.0],
            )?;
            change.execute(
                "DELETE FROM unsettled WHERE machine = ?1 AND outcome NOT IN (
                     SELECT outcome FROM unsettled WHERE machine = ?1 ORDER BY at_ms DESC, outcome DESC LIMIT ?2)",
                params![machine.as_str(), MOST_UNSETTLED],
            )?;
            at.reached(change)
        })
    }

    /// Chunks of a parcel that is kept are not needed any more.
    ///
    /// # Errors
    /// Nothing is deleted then.
    pub(super) fn drop_parcel(
        &mut self,
        machine: &MachineName,
        parcel: &str,
    ) -> Result<(), KeepError> {
        self.change(|change| {
            change
                .execute(
                    "DELETE FROM chunks WHERE machine = ?1 AND parcel = ?2",
                    [machine.as_str(), parcel],
                )
                .map(drop)
        })
    }

    /// What is to be said to `machine` of its outcome `id`: that it is kept, refused, or lacks parts; nothing
    /// where it has not come yet.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn answer(&self, machine: &MachineName, id: &str) -> Result<Option<Word>, KeepError> {
        // A run's outcome is named by its run and its rows; a job's, by the job.
        let of_run = id.rsplit_once('.').and_then(|(run, rows)| {
            let rows: i64 = rows.parse().ok()?;
            Some((run, rows))
        });
        let (key, rows) = of_run.unwrap_or((id, 0));
        self.ask(|connection| {
            let kept: Option<i64> = connection
                .query_row(
                    "SELECT 1 FROM outcomes WHERE key = ?1 AND machine = ?2 AND coalesce(rows, 0) >= ?3",
                    params![key, machine.as_str(), rows],
                    |row| row.get(0),
                )
                .optional()?;
            if kept.is_some() {
                return Ok(Some(Word::Receipt { id: id.to_owned() }));
            }
            let unsettled: Option<Option<String>> = connection
                .query_row(
                    "SELECT refused FROM unsettled WHERE outcome = ?1 AND machine = ?2",
                    [id, machine.as_str()],
                    |row| row.get(0),
                )
                .optional()?;
            Ok(unsettled.map(|refused| match refused {
                Some(why) => Word::Refusal {
                    id: id.to_owned(),
                    why,
                },
                None => Word::Again { id: id.to_owned() },
            }))
        })
    }

    /// Outcomes, newest first.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn outcomes(&self, query: &Query) -> Result<Vec<KeptOutcome>, KeepError> {
        let mut wheres = Vec::new();
        let mut values: Vec<Value> = Vec::new();
        let mut want = |clause: &str, value: Value| {
            wheres.push(clause.to_owned());
            values.push(value);
        };
        if let Some(machine) = &query.machine {
            want("machine = ?", machine.to_string().into());
        }
        if let Some(serial) = &query.serial {
            want("serial = ?", serial.clone().into());
        }
        if let Some(since) = query.since {
            want("at_ms >= ?", since.0.into());
        }
        if let Some(until) = query.until {
            want("at_ms < ?", until.0.into());
        }
        if let Some(grade) = query.grade {
            want("grade = ?", grade.to_string().into());
        }
        if let Some(part) = &query.part {
            want("instr(lower(parts), lower(?)) > 0", part.clone().into());
        }
        if let Some(order) = &query.order {
            // Ids of jobs begin with that of their order and a `/`, after which comes `0`: an index can do that.
            want("job >= ?", format!("{order}/").into());
            want("job < ?", format!("{order}0").into());
        }
        let wheres = if wheres.is_empty() {
            "1".to_owned()
        } else {
            wheres.join(" AND ")
        };
        let most = query.most.unwrap_or(MOST_ROWS).min(MOST_ROWS);
        let text =
            format!("SELECT * FROM outcomes WHERE {wheres} ORDER BY at_ms DESC, key LIMIT {most}");
        self.ask(|connection| {
            let mut statement = connection.prepare(&text)?;
            let rows = statement.query_map(params_from_iter(values), read_outcome)?;
            rows.collect()
        })
    }

    /// The serial number that goes with run `number` of the hub's record.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub(super) fn serial_of_run(&self, number: i64) -> Result<Option<String>, KeepError> {
        self.ask(|connection| {
            let found = connection.query_row(
                "SELECT serial FROM outcomes WHERE number = ?1",
                [number],
                |row| row.get(0),
            );
            Ok(found.optional()?.flatten())
        })
    }

    /// The last outcome of each machine.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn last_outcomes(&self) -> Result<Vec<KeptOutcome>, KeepError> {
        self.ask(|connection| {
            let mut statement = connection.prepare(
                "SELECT o.* FROM (SELECT DISTINCT machine FROM outcomes) m JOIN outcomes o ON o.key = (
                     SELECT key FROM outcomes WHERE machine = m.machine ORDER BY at_ms DESC, key LIMIT 1)",
            )?;
            let rows = statement.query_map([], read_outcome)?;
            rows.collect()
        })
    }

    /// A machine fell silent in mid-job.
    ///
    /// # Errors
    /// Nothing is written then.
    pub(super) fn put_lost(&mut self, lost: &Lost) -> Result<(), KeepError> {
        self.change(|change| {
            change
                .execute(
                    "INSERT INTO lost (machine, at_ms, job, doing) VALUES (?1, ?2, ?3, ?4)
                     ON CONFLICT DO NOTHING",
                    params![lost.machine.as_str(), lost.at.0, lost.job, lost.doing],
                )
                .map(drop)
        })
    }

    /// A machine that was silent is heard again.
    ///
    /// # Errors
    /// Nothing is written then.
    pub(super) fn put_back(&mut self, machine: &MachineName, now: Wall) -> Result<(), KeepError> {
        self.change(|change| {
            change
                .execute(
                    "UPDATE lost SET back_ms = ?2 WHERE machine = ?1 AND back_ms IS NULL",
                    params![machine.as_str(), now.0],
                )
                .map(drop)
        })
    }

    /// Machines that fell silent in mid-job, of one machine or of all, newest first.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn lost(&self, machine: Option<&MachineName>) -> Result<Vec<Lost>, KeepError> {
        self.ask(|connection| {
            let mut statement = connection.prepare(
                "SELECT machine, at_ms, job, doing, back_ms FROM lost
                 WHERE ?1 IS NULL OR machine = ?1 ORDER BY at_ms DESC LIMIT ?2",
            )?;
            let name = machine.map(MachineName::as_str);
            let rows = statement.query_map(params![name, MOST_ROWS], |row| {
                Ok(Lost {
                    machine: read_name(row, 0)?,
                    at: Wall(row.get(1)?),
                    job: row.get(2)?,
                    doing: row.get(3)?,
                    back: row.get::<_, Option<i64>>(4)?.map(Wall),
                })
            })?;
            rows.collect()
        })
    }

    /// Outcomes that were refused, with the reason, of one machine or of all, newest first.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn refusals(
        &self,
        machine: Option<&MachineName>,
    ) -> Result<Vec<(MachineName, Wall, String)>, KeepError> {
        self.ask(|connection| {
            let mut statement = connection.prepare(
                "SELECT machine, at_ms, refused FROM unsettled
                 WHERE refused IS NOT NULL AND (?1 IS NULL OR machine = ?1)
                 ORDER BY at_ms DESC LIMIT ?2",
            )?;
            let name = machine.map(MachineName::as_str);
            let rows = statement.query_map(params![name, MOST_ROWS], |row| {
                Ok((read_name(row, 0)?, Wall(row.get(1)?), row.get(2)?))
            })?;
            rows.collect()
        })
    }
}

fn read_name(row: &Row<'_>, column: usize) -> rusqlite::Result<MachineName> {
    let text: String = row.get(column)?;
    text.parse().map_err(|error| {
        rusqlite::Error::FromSqlConversionFailure(
            column,
            rusqlite::types::Type::Text,
            Box::new(error),
        )
    })
}

fn read_outcome(row: &Row<'_>) -> rusqlite::Result<KeptOutcome> {
    let grade = |name: Option<String>| -> Option<Grade> {
        name.and_then(|name| serde_json::from_value(name.into()).ok())
    };
    let end: Option<String> = row.get("job_end")?;
    Ok(KeptOutcome {
        key: row.get("key")?,
        machine: read_name(row, row.as_ref().column_index("machine")?)?,
        serial: row.get("serial")?,
        job: row.get("job")?,
        job_end: end.and_then(|end| serde_json::from_str(&end).ok()),
        run: row.get("run")?,
        rows: row.get("rows")?,
        number: row.get("number")?,
        suite: row.get("suite")?,
        host: row.get("host")?,
        parts: row.get::<_, Option<String>>("parts")?.unwrap_or_default(),
        grade: grade(row.get("grade")?),
        grade_there: grade(row.get("grade_there")?),
        reason: row.get("reason")?,
        peak_c: row.get("peak_c")?,
        simulated: row.get("simulated")?,
        at: Wall(row.get("at_ms")?),
        copied: Wall(row.get("copied_ms")?),
    })
}
