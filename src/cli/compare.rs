//! `compare`: runs side by side.

use super::arguments::CompareArguments;
use super::report::find_record;
use super::run::style;
use super::{Exit, Failure, put, put_json, tell};
use crate::model::Record;
use crate::os;
use crate::report::{self, ComparedRun};

/// Shows the table, and writes the page where one is asked for.
pub(super) fn compare(wanted: &CompareArguments) -> Result<Exit, Failure> {
    let mut found: Vec<(i64, Record)> = Vec::new();
    for word in &wanted.runs {
        found.push(find_record(&wanted.store, word)?);
    }
    let runs: Vec<ComparedRun<'_>> = found
        .iter()
        .map(|(number, record)| ComparedRun {
            number: *number,
            record,
        })
        .collect();
    if wanted.store.output.json {
        put_json(&report::compare_json(&runs));
    } else {
        put(&report::compare_text(&runs, &style()));
    }
    if let Some(path) = &wanted.html {
        let page = report::compare_page(&runs, &style())?;
        os::write_file(path, |to| to.write_all(page.as_bytes()))?;
        tell(&format!("the page is in `{}`", path.display()));
    }
    Ok(Exit::Fine)
}
