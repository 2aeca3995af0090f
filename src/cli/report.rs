//! `report`: one run, as it is on record.

use super::arguments::ReportArguments;
use super::run::{open_store, style};
use super::runs::{Again, recover};
use super::through::find;
use super::{Exit, Failure, put, put_json};
use crate::os::Root;
use crate::report;

/// Shows one run.
pub(super) fn report(wanted: &ReportArguments) -> Result<Exit, Failure> {
    let (number, record) = match find(&wanted.store, None)? {
        Some(service) => service.wait(async |client| client.record(&wanted.run).await)?,
        None => {
            let mut store = open_store(wanted.store.store.as_deref())?;
            recover(&mut store, &Root::real(), Again::CutShort);
            let number = store.find_run(&wanted.run).map_err(Failure::usage)?;
            (number, store.record(number)?)
        }
    };
    if wanted.store.output.json {
        put_json(&report::report_json(Some(number), &record));
    } else {
        put(&report::record_text(&record, style().of_run(number)));
    }
    Ok(Exit::Fine)
}
