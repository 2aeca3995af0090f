//! `report --sheet` and `report --verify`: a sheet, the digest in it, and whether both still fit the record.

use std::io::Read;
use std::path::Path;

use serde_json::json;

use super::arguments::ReportArguments;
use super::export::{find_rows, fold};
use super::run::style;
use super::{Exit, Failure, put, put_json, tell};
use crate::os;
use crate::report::{self, SheetClaim, SheetFacts, escape};
use crate::service::{FillSheetError, digest_of, fill_sheet};
use crate::store::StoredRow;

/// Largest sheet that is read, in bytes.
const MOST_SHEET: u64 = 4 << 20;

/// Writes the sheet of a run to `path`.
pub(super) fn write_sheet(wanted: &ReportArguments, path: &Path) -> Result<Exit, Failure> {
    let (number, rows) = find_rows(&wanted.store, &wanted.run)?;
    let page = sheet_of(number, rows, wanted.serial.clone())?;
    os::write_file(path, |to| to.write_all(page.as_bytes()))?;
    tell(&format!("the sheet is in `{}`", path.display()));
    Ok(Exit::Fine)
}

/// The sheet of run `number`, which `rows` hold.
pub(super) fn sheet_of(
    number: i64,
    rows: Vec<StoredRow>,
    serial: Option<String>,
) -> Result<String, Failure> {
    let (record, facts) = fill_sheet(number, rows, serial).map_err(|error| match error {
        FillSheetError::Unjudged(_) => Failure::usage(error),
        FillSheetError::Row { .. } | FillSheetError::Record(_) => error.into(),
    })?;
    Ok(report::sheet_page(&record, &facts, &style())?)
}

/// Holds a sheet, or a run, against the record.
pub(super) fn verify(wanted: &ReportArguments, what: &str) -> Result<Exit, Failure> {
    let path = Path::new(what);
    if !path.is_file() {
        return verify_run(wanted, what);
    }
    let mut text = String::new();
    os::open_file(path)
        .map_err(Failure::usage)?
        .take(MOST_SHEET)
        .read_to_string(&mut text)
        .map_err(|error| Failure::usage(anyhow::Error::from(error).context("this is no sheet")))?;
    let claim = report::read_sheet(&text).ok_or_else(|| {
        Failure::usage(anyhow::anyhow!(
            "`{}` is no sheet of this program; `soakproof report RUN --sheet FILE` makes one",
            escape(what)
        ))
    })?;
    verify_sheet(wanted, &claim, &text)
}

fn damaged(number: i64, seq: i64) -> Failure {
    anyhow::anyhow!(
        "row {seq} of run {number} is missing or not what was written; see `soakproof runs check`"
    )
    .into()
}

fn verify_run(wanted: &ReportArguments, word: &str) -> Result<Exit, Failure> {
    let (number, rows) = find_rows(&wanted.store, word)?;
    let digest = digest_of(&rows).map_err(|seq| damaged(number, seq))?;
    if wanted.store.output.json {
        put_json(&json!({
            "schema": "soakproof.verified/1",
            "run": number,
            "rows": digest.rows(),
            "sha256": digest.words(),
        }));
    } else {
        put(&format!(
            "run {number}: {} rows, every one is what was written; SHA-256\n{}\n",
            digest.rows(),
            digest.words()
        ));
    }
    Ok(Exit::Fine)
}

fn verify_sheet(wanted: &ReportArguments, claim: &SheetClaim, text: &str) -> Result<Exit, Failure> {
    let (number, mut rows) = find_rows(&wanted.store, &claim.id).map_err(|failure| Failure {
        error: failure.error.context(
            "the record that the sheet names is not here; `soakproof import FILE` takes its export in",
        ),
        exit: failure.exit,
    })?;
    let all = rows.len();
    rows.truncate(usize::try_from(claim.rows).unwrap_or(usize::MAX));
    let digest = digest_of(&rows).map_err(|seq| damaged(number, seq))?;
    let mut wrong = Vec::new();
    if digest.rows() != claim.rows || digest.words() != claim.sha256 {
        wrong.push("the digest on the sheet is not that of the record".to_owned());
    }
    let later = all - rows.len();
    let record = fold(number, rows)?;
    let grade = record.verdict().map(|verdict| verdict.grade);
    if grade != claim.grade {
        wrong.push("the grade on the sheet is not that of the record".to_owned());
    }
    if claim.program == env!("CARGO_PKG_VERSION") {
        wrong.extend(differing_line(&record, claim, text)?);
    } else {
        tell(&format!(
            "version {} wrote the sheet: its words are not compared, its digest is",
            escape(&claim.program)
        ));
    }
    let (_, rows) = find_rows(&wanted.store, &claim.id)?;
    let now = fold(number, rows)?;
    let now = now.verdict().map(|verdict| verdict.grade);
    if now != grade
        && let Some(now) = now
    {
        wrong.push(format!(
            "the run was judged again since then, and is {now} now"
        ));
    }
    if wanted.store.output.json {
        put_json(&json!({
            "schema": "soakproof.verified/1",
            "run": number,
            "rows": digest.rows(),
            "sha256": digest.words(),
            "later_rows": later,
            "wrong": wrong,
        }));
    } else if wrong.is_empty() {
        put(&format!(
            "the sheet fits the record of run {number}: {} rows, SHA-256 {}\n",
            digest.rows(),
            digest.words()
        ));
    } else {
        for line in &wrong {
            put(&format!("not as it should be: {line}\n"));
        }
    }
    Ok(if wrong.is_empty() {
        Exit::Fine
    } else {
        Exit::Other
    })
}

/// The first line of the sheet that this program would not write from the same record.
fn differing_line(
    record: &crate::model::Record,
    claim: &SheetClaim,
    text: &str,
) -> Result<Option<String>, Failure> {
    let zone = jiff::tz::TimeZone::get(&claim.zone).unwrap_or(jiff::tz::TimeZone::UTC);
    let facts = SheetFacts {
        serial: claim.serial.clone(),
        rows: claim.rows,
        digest: claim.sha256.clone(),
    };
    let page = report::sheet_page(record, &facts, &style().in_zone(zone))?;
    if page == text {
        return Ok(None);
    }
    let pairs = page.lines().zip(text.lines());
    let same = pairs.take_while(|(one, other)| one == other).count();
    Ok(Some(format!(
        "line {} of the sheet is not what the record says",
        same + 1
    )))
}
