//! `hub results`, `hub export`, `hub sheets`.

use serde_json::json;

use super::super::run::style;
use super::super::verify::sheet_of;
use super::super::{Exit, Failure, put, put_json, tell};
use super::arguments::{DayArguments, ResultsArguments, SheetsArguments, WhichResults};
use crate::fleet::hub::{Keep, KeptOutcome, Query, csv_text, day_of, local_time, parse_day};
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
                local_time(kept.at),
                kept.machine.to_string(),
                kept.serial.clone().unwrap_or_default(),
                kept.suite.clone().unwrap_or_default(),
                kept.grade_words(),
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
        let (machine, at) = (&kept.machine, local_time(kept.at));
        text.push_str(&format!(
            "{machine}, {at}: {}\n",
            report::escape(&kept.reason)
        ));
    }
    text
}

fn query(wanted: &WhichResults) -> Result<Query, Failure> {
    let since = wanted
        .since
        .as_deref()
        .map(parse_day)
        .transpose()
        .map_err(Failure::usage)?;
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

/// Writes the results of a day as CSV (RFC 4180).
pub(super) fn export(wanted: &DayArguments) -> Result<Exit, Failure> {
    let folder = wanted.place.folder()?;
    let (from, until) = match &wanted.day {
        Some(day) => parse_day(day).map_err(Failure::usage)?,
        None => day_of(os::moment().wall),
    };
    let outcomes = Keep::open(folder.path())?.outcomes(&Query {
        since: Some(from),
        until: Some(until),
        ..Query::default()
    })?;
    let text = csv_text(&outcomes)?;
    match &wanted.to {
        Some(path) => os::write_file(path, |to| to.write_all(&text))?,
        None => put(&String::from_utf8_lossy(&text)),
    }
    Ok(Exit::Fine)
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
