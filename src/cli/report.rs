//! `report`: one run, as it is on record.

use super::arguments::ReportArguments;
use super::run::{open_store, style};
use super::runs::recover;
use super::{Exit, Failure, put, put_json};
use crate::os::Root;
use crate::report;

/// Shows one run.
pub(super) fn report(wanted: &ReportArguments) -> Result<Exit, Failure> {
    let mut store = open_store(wanted.store.store.as_deref())?;
    recover(&mut store, &Root::real());
    let number = store.find_run(&wanted.run).map_err(Failure::usage)?;
    let record = store.record(number)?;
    if wanted.store.output.json {
        put_json(&report::report_json(Some(number), &record));
    } else {
        put(&report::record_text(&record, style().of_run(number)));
    }
    Ok(Exit::Fine)
}
