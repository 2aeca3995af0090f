//! Results: as a list, of one machine, and their papers.

use axum::Extension;
use axum::extract::{RawQuery, State};
use axum::http::header;
use axum::response::{Html, IntoResponse};
use serde::Deserialize;
use serde_json::Value;

use super::{Desk, Shown};
use crate::fleet::hub::export::{csv_text, local_time, parse_day};
use crate::fleet::hub::query::{KeptOutcome, Query};
use crate::model::{MachineName, Record};
use crate::report::{
    OutcomeRow, OutcomesAsked, SheetFacts, ShopMachine, outcomes_page, run_page, sheet_page,
    sheet_values, sheets_page, shop_machine_page,
};
use crate::service::fill_sheet;
use crate::store::Store;
use crate::web::{Asked, HttpProblem, Path, Visitor, page_style};

/// Results on one page.
const MOST_SHOWN: u32 = 500;
/// Sheets in one document.
const MOST_SHEETS: u32 = 100;
/// Results shown of one machine.
const HISTORY: u32 = 200;

/// Which results are wanted; empty fields ask for nothing.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Wanted {
    serial: String,
    part: String,
    grade: String,
    since: String,
    until: String,
    order: String,
}

impl Wanted {
    fn query(&self, most: Option<u32>) -> Result<Query, HttpProblem> {
        let given = |text: &String| Some(text.trim().to_owned()).filter(|text| !text.is_empty());
        let day = |text: &String| {
            let day = given(text).map(|text| parse_day(&text)).transpose();
            day.map_err(|error| HttpProblem::unfit(error.to_string()))
        };
        let grade = given(&self.grade).map(|text| serde_json::from_value(Value::String(text)));
        let grade = grade.transpose();
        Ok(Query {
            machine: None,
            serial: given(&self.serial),
            since: day(&self.since)?.map(|(from, _)| from),
            until: day(&self.until)?.map(|(_, until)| until),
            grade: grade.map_err(|_| HttpProblem::unfit("there is no such grade"))?,
            part: given(&self.part),
            order: given(&self.order),
            most,
        })
    }

    fn asked(self) -> OutcomesAsked {
        OutcomesAsked {
            serial: self.serial,
            part: self.part,
            grade: self.grade,
            since: self.since,
            until: self.until,
            order: self.order,
        }
    }
}

fn row(kept: &KeptOutcome) -> OutcomeRow {
    OutcomeRow {
        ended: local_time(kept.at),
        machine: kept.machine.to_string(),
        serial: kept.serial.clone().unwrap_or_default(),
        suite: kept.suite.clone().unwrap_or_default(),
        grade: kept.grade_words(),
        tone: kept
            .grade
            .map_or_else(String::new, |grade| grade.to_string()),
        why: kept.reason.clone(),
        run: kept.number,
    }
}

/// Results, newest first.
pub(super) async fn results(
    State(desk): State<Desk>,
    Extension(visitor): Extension<Visitor>,
    RawQuery(query): RawQuery,
    Asked(wanted): Asked<Wanted>,
) -> Shown {
    let asked = wanted.query(Some(MOST_SHOWN + 1))?;
    let mut found = desk
        .look(move |desk| Ok(desk.keep()?.outcomes(&asked)?))
        .await?;
    let shown = usize::try_from(MOST_SHOWN).unwrap_or(usize::MAX);
    let more = found.len() > shown;
    found.truncate(shown);
    let cautions =
        more.then(|| format!("There are more than {MOST_SHOWN}: ask for a shorter time."));
    let rows: Vec<OutcomeRow> = found.iter().map(row).collect();
    let query = query.unwrap_or_default();
    let cautions: Vec<String> = cautions.into_iter().collect();
    let asked = (&wanted.asked(), query.as_str());
    Ok(Html(outcomes_page(
        &rows,
        asked,
        &cautions,
        &visitor.site(),
    )?))
}

/// The same as CSV (RFC 4180).
pub(super) async fn table(
    State(desk): State<Desk>,
    Asked(wanted): Asked<Wanted>,
) -> Result<impl IntoResponse, HttpProblem> {
    let asked = wanted.query(None)?;
    let text = desk
        .look(move |desk| {
            let found = desk.keep()?.outcomes(&asked)?;
            csv_text(&found).map_err(|error| HttpProblem::inner(&error))
        })
        .await?;
    let fields = [
        (header::CONTENT_TYPE, "text/csv; charset=utf-8"),
        (
            header::CONTENT_DISPOSITION,
            "attachment; filename=\"results.csv\"",
        ),
    ];
    Ok((fields, text))
}

/// One machine with its history.
pub(super) async fn machine(
    State(desk): State<Desk>,
    Extension(visitor): Extension<Visitor>,
    Path(name): Path<MachineName>,
) -> Shown {
    let machine = desk.look(move |desk| see_machine(desk, &name)).await?;
    Ok(Html(shop_machine_page(&machine, &visitor.site())?))
}

fn see_machine(desk: &Desk, name: &MachineName) -> Result<ShopMachine, HttpProblem> {
    let known = desk.shop.lock().floor.machine(name).cloned();
    let Some(known) = known else {
        let detail = format!("no machine called `{name}` is enrolled");
        return Err(HttpProblem::new(axum::http::StatusCode::NOT_FOUND, detail));
    };
    let keep = desk.keep()?;
    let results = keep.outcomes(&Query {
        machine: Some(name.clone()),
        most: Some(HISTORY),
        ..Query::default()
    })?;
    let key = if known.enrolled { "" } else { "taken back" };
    let facts = [
        ("serial", known.serial.unwrap_or_default()),
        ("owner", known.owner),
        ("group", known.group.unwrap_or_default()),
        ("circuit", known.circuit.unwrap_or_default()),
        ("note", known.note),
        ("key", key.to_owned()),
    ];
    let told = facts.into_iter().filter(|(_, words)| !words.is_empty());
    let lost = keep.lost(Some(name))?;
    let vanished = lost
        .iter()
        .map(|lost| [local_time(lost.at), lost.doing.clone(), lost.back_words()]);
    let refused = keep.refusals(Some(name))?.into_iter();
    Ok(ShopMachine {
        name: name.to_string(),
        facts: told
            .map(|(label, words)| [label.to_owned(), words])
            .collect(),
        results: results.iter().map(row).collect(),
        vanished: vanished.collect(),
        refused: refused.map(|(_, at, why)| [local_time(at), why]).collect(),
    })
}

/// The report of a run.
pub(super) async fn run(
    State(desk): State<Desk>,
    Extension(visitor): Extension<Visitor>,
    Path(word): Path<String>,
) -> Shown {
    let page = desk.look(move |desk| {
        let store = Store::open(&desk.folder)?;
        let number = store.find_run(&word)?;
        let style = page_style().of_run(number);
        Ok(run_page(&store.record(number)?, &visitor.site(), &style)?)
    });
    Ok(Html(page.await?))
}

/// The sheet of a run, as a file that can be checked against the record.
pub(super) async fn sheet(
    State(desk): State<Desk>,
    Path(word): Path<String>,
) -> Result<impl IntoResponse, HttpProblem> {
    let page = desk.look(move |desk| {
        let store = Store::open(&desk.folder)?;
        let number = store.find_run(&word)?;
        let (record, facts) = paper(&store, number, serial_of(desk, number)?)?;
        Ok(sheet_page(&record, &facts, &page_style())?)
    });
    Ok(Html(page.await?))
}

/// The sheets of results, in one document for a printer.
pub(super) async fn sheets(
    State(desk): State<Desk>,
    Extension(visitor): Extension<Visitor>,
    Asked(wanted): Asked<Wanted>,
) -> Shown {
    let asked = wanted.query(Some(MOST_SHEETS + 1))?;
    let page = desk.look(move |desk| {
        let found = desk.keep()?.outcomes(&asked)?;
        let store = Store::open(&desk.folder)?;
        let shown = usize::try_from(MOST_SHEETS).unwrap_or(usize::MAX);
        let mut cautions = Vec::new();
        if found.len() > shown {
            cautions.push(format!(
                "Only the newest {MOST_SHEETS}; ask for a shorter time."
            ));
        }
        let mut sheets = Vec::new();
        let mut without = 0;
        for kept in found.into_iter().take(shown) {
            match kept.number.map(|number| paper(&store, number, kept.serial)) {
                Some(Ok((record, facts))) => {
                    sheets.push(sheet_values(&record, &facts, &page_style()))
                }
                Some(Err(_)) | None => without += 1,
            }
        }
        if without > 0 {
            cautions.push(format!(
                "{without} results have no whole record here and so no sheet."
            ));
        }
        Ok(sheets_page(sheets, &cautions, &visitor.site())?)
    });
    Ok(Html(page.await?))
}

fn serial_of(desk: &Desk, number: i64) -> Result<Option<String>, HttpProblem> {
    Ok(desk.keep()?.serial_of_run(number)?)
}

/// What a sheet of run `number` is made of.
fn paper(
    store: &Store,
    number: i64,
    serial: Option<String>,
) -> Result<(Record, SheetFacts), HttpProblem> {
    let rows = store.rows(number, -1, u32::MAX)?;
    fill_sheet(number, rows, serial).map_err(|error| HttpProblem::unfit(error.to_string()))
}
