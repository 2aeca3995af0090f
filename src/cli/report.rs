//! `report`: one run, as it is on record.

use super::arguments::{ReportArguments, StoreArguments};
use super::run::{open_store, style};
use super::runs::{Again, recover};
use super::through::find;
use super::verify::{verify, write_sheet};
use super::{Exit, Failure, put, put_json, tell};
use crate::model::Record;
use crate::os::{self, Root};
use crate::report;

/// Shows one run, or writes its page or its sheet.
pub(super) fn report(wanted: &ReportArguments) -> Result<Exit, Failure> {
    if let Some(what) = &wanted.verify {
        return verify(wanted, what);
    }
    if let Some(path) = &wanted.html {
        let (number, record) = find_record(&wanted.store, &wanted.run)?;
        let page = report::report_page(&record, &style().of_run(number))?;
        os::write_file(path, |to| to.write_all(page.as_bytes()))?;
        tell(&format!("the page is in `{}`", path.display()));
    }
    if let Some(path) = &wanted.sheet {
        return write_sheet(wanted, path);
    }
    if wanted.html.is_some() {
        return Ok(Exit::Fine);
    }
    let (number, record) = find_record(&wanted.store, &wanted.run)?;
    if wanted.store.output.json {
        put_json(&report::report_json(Some(number), &record));
    } else {
        put(&report::record_text(&record, style().of_run(number)));
    }
    Ok(Exit::Fine)
}

/// Number and record of the run that `word` names, through the service where there is one.
pub(super) fn find_record(wanted: &StoreArguments, word: &str) -> Result<(i64, Record), Failure> {
    if let Some(service) = find(wanted, None)? {
        return service.wait(async |client| client.record(word).await);
    }
    let mut store = open_store(wanted.store.as_deref())?;
    recover(&mut store, &Root::real(), Again::CutShort);
    let number = store.find_run(word).map_err(Failure::usage)?;
    Ok((number, store.record(number)?))
}
