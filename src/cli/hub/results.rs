//! `hub results`, `hub export`, `hub sheets`.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};
use serde_json::json;

use super::super::run::style;
use super::super::verify::sheet_of;
use super::super::{Exit, Failure, put, put_json, tell};
use super::arguments::{DayArguments, ResultsArguments, SheetsArguments, WhichResults};
use crate::fleet::hub::{Keep, KeptOutcome, Query};
use crate::model::Wall;
use crate::os;
use crate::report::{self, Column};
use crate::store::Store;

/// Shows results.
pub(super) fn results(wanted: &ResultsArguments) -> Result<Exit, Failure> {
    let folder = wanted.show.place.folder()?;
    let outcomes = Keep::open(folder.path())?.outcomes(&query(&wanted.which)?)?;
    if wanted.show.output.json {
        put_json(&json!({ "schema": "soakproof.hub.results/1", "results": outcomes }));
    } else {
        put(&table(&outcomes));
    }
    Ok(Exit::Fine)
}

/// Results as a table.
pub(super) fn table(outcomes: &[KeptOutcome]) -> String {
    let rows: Vec<Vec<String>> = outcomes
        .iter()
        .map(|kept| {
            vec![
                time_words(kept.at),
                kept.machine.to_string(),
                kept.serial.clone().unwrap_or_default(),
                kept.suite.clone().unwrap_or_default(),
                grade_words(kept),
                kept.number.map_or_else(String::new, |run| run.to_string()),
            ]
        })
        .collect();
    let mut text = report::table_text(
        &[
            Column::Words("ended"),
            Column::Words("machine"),
            Column::Words("serial"),
            Column::Words("suite"),
            Column::Words("grade"),
            Column::Figures("run"),
        ],
        &rows,
        "No such result is here.",
        &style(),
    );
    for kept in outcomes.iter().filter(|kept| !kept.reason.is_empty()) {
        let (machine, at) = (&kept.machine, time_words(kept.at));
        text.push_str(&format!(
            "{machine}, {at}: {}\n",
            report::escape(&kept.reason)
        ));
    }
    text
}

/// The grade, or what became of a job without one.
pub(super) fn grade_words(kept: &KeptOutcome) -> String {
    let simulated = if kept.simulated { " (simulated)" } else { "" };
    kept.grade.map_or_else(
        || "no run".to_owned(),
        |grade| format!("{grade}{simulated}"),
    )
}

/// When, by the clock on the wall here.
pub(super) fn time_words(at: Wall) -> String {
    match Timestamp::from_millisecond(at.0) {
        Ok(time) => time
            .to_zoned(TimeZone::system())
            .strftime("%Y-%m-%d %H:%M:%S")
            .to_string(),
        Err(_) => "a time that cannot be shown".to_owned(),
    }
}

fn query(wanted: &WhichResults) -> Result<Query, Failure> {
    let since = wanted.since.as_deref().map(day).transpose()?;
    Ok(Query {
        machine: wanted.machine.clone(),
        serial: wanted.serial.clone(),
        since: since.map(|(from, _)| from),
        until: None,
        grade: wanted.grade.map(Into::into),
        part: wanted.part.clone(),
        order: wanted.order.clone(),
        most: wanted.most,
    })
}

/// First instant of a day, and of the next one, by the clock on the wall here.
fn day(text: &str) -> Result<(Wall, Wall), Failure> {
    let wrong = || {
        Failure::usage(anyhow::anyhow!(
            "`{}` is no day; write it like 2026-11-20",
            report::escape(text)
        ))
    };
    let date: Date = text.parse().map_err(|_| wrong())?;
    let begin = |date: Date| {
        let zoned = date.to_zoned(TimeZone::system()).ok()?;
        Some(Wall(zoned.timestamp().as_millisecond()))
    };
    let next = date.checked_add(1.day()).ok();
    begin(date).zip(next.and_then(begin)).ok_or_else(wrong)
}

/// Writes the results of a day as CSV (RFC 4180).
pub(super) fn export(wanted: &DayArguments) -> Result<Exit, Failure> {
    let folder = wanted.place.folder()?;
    let today = || {
        let now = Timestamp::from_millisecond(os::moment().wall.0).unwrap_or_default();
        now.to_zoned(TimeZone::system()).date().to_string()
    };
    let (from, until) = day(&wanted.day.clone().unwrap_or_else(today))?;
    let mut outcomes = Keep::open(folder.path())?.outcomes(&Query {
        since: Some(from),
        until: Some(until),
        ..Query::default()
    })?;
    outcomes.reverse();
    let text = csv_text(&outcomes)?;
    match &wanted.to {
        Some(path) => os::write_file(path, |to| to.write_all(&text))?,
        None => put(&String::from_utf8_lossy(&text)),
    }
    Ok(Exit::Fine)
}

fn csv_text(outcomes: &[KeptOutcome]) -> Result<Vec<u8>, Failure> {
    let mut writer = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(Vec::new());
    writer.write_record([
        "ended [UTC]",
        "machine",
        "serial",
        "suite",
        "grade",
        "grade there",
        "why",
        "hottest [C]",
        "parts",
        "order and round",
        "run id",
        "simulated",
    ])?;
    for kept in outcomes {
        let at = Timestamp::from_millisecond(kept.at.0).map(|at| at.to_string());
        let grade = |grade: Option<crate::model::Grade>| {
            grade.map_or_else(String::new, |grade| grade.to_string())
        };
        let cells = [
            at.unwrap_or_default(),
            kept.machine.to_string(),
            kept.serial.clone().unwrap_or_default(),
            kept.suite.clone().unwrap_or_default(),
            grade(kept.grade),
            grade(kept.grade_there),
            kept.reason.clone(),
            kept.peak_c
                .map_or_else(String::new, |peak| format!("{peak:.1}")),
            kept.parts.clone(),
            kept.job.clone().unwrap_or_default(),
            kept.run.clone().unwrap_or_default(),
            kept.simulated.to_string(),
        ];
        writer.write_record(cells.map(|cell| report::escape(&cell)))?;
    }
    writer
        .into_inner()
        .map_err(|error| anyhow::anyhow!("the table cannot be written: {error}").into())
}

/// Writes a sheet for each result that has a record here.
pub(super) fn sheets(wanted: &SheetsArguments) -> Result<Exit, Failure> {
    let folder = wanted.place.folder()?;
    let outcomes = Keep::open(folder.path())?.outcomes(&query(&wanted.which)?)?;
    let store = Store::open(folder.path())?;
    os::make_private_folder(&wanted.folder)?;
    let (mut written, mut without) = (0, 0);
    for kept in outcomes {
        let Some(number) = kept.number else {
            without += 1;
            continue;
        };
        let rows = store.rows(number, -1, u32::MAX)?;
        let page = sheet_of(number, rows, kept.serial.clone())?;
        let run = kept.run.as_deref().unwrap_or(&kept.key);
        let path = wanted.folder.join(format!("{}-{run}.html", kept.machine));
        os::write_file(&path, |to| to.write_all(page.as_bytes()))?;
        written += 1;
    }
    put(&format!(
        "{written} sheets are in `{}`\n",
        wanted.folder.display()
    ));
    if without > 0 {
        tell(&format!(
            "{without} results have no record here and so no sheet"
        ));
    }
    Ok(Exit::Fine)
}
