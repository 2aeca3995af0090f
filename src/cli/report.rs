//! `report` and `runs`: what is on record.

use super::arguments::{ReportArguments, StoreArguments};
use super::run::{open_store, style};
use super::through::find;
use super::{Exit, Failure, put, put_json};
use crate::report::{self, RunLine};
use crate::store::RunSummary;

/// Shows one run.
pub(super) fn report(wanted: &ReportArguments) -> Result<Exit, Failure> {
    let (number, record) = match find(&wanted.store, None)? {
        Some(service) => service.wait(async |client| client.record(&wanted.run).await)?,
        None => {
            let store = open_store(wanted.store.store.as_deref())?;
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

/// Lists the runs.
pub(super) fn runs(wanted: &StoreArguments) -> Result<Exit, Failure> {
    let runs = match find(wanted, None)? {
        Some(service) => service.wait(async |client| client.runs().await)?,
        None => open_store(wanted.store.as_deref())?.runs()?,
    };
    let lines: Vec<RunLine> = runs.into_iter().map(line).collect();
    if wanted.output.json {
        put_json(&report::runs_json(&lines));
    } else {
        put(&report::runs_text(&lines, style()));
    }
    Ok(Exit::Fine)
}

fn line(run: RunSummary) -> RunLine {
    RunLine {
        number: run.number,
        id: run.id,
        suite: run.suite,
        host: run.host,
        started: run.started,
        ended: run.ended,
        grade: run.grade,
        findings: run.findings,
        simulated: run.simulated,
    }
}
