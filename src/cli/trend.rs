//! `trend`: a run against the earlier ones of its suite at the same settings.

use super::arguments::TrendArguments;
use super::run::{open_store, style};
use super::through::find;
use super::{Exit, Failure, put, put_json};
use crate::ledger::{Trend, TrendRun, sum_trend};
use crate::report;
use crate::store::StoredOutcome;

/// Runs the command.
pub(super) fn trend(wanted: &TrendArguments) -> Result<Exit, Failure> {
    let runs = match find(&wanted.store, None)? {
        Some(service) => {
            service.wait(async |client| client.judged_up_to(&wanted.run, wanted.earlier).await)?
        }
        None => read(wanted)?,
    };
    let judged = runs.into_iter().filter_map(|outcome| {
        Some(TrendRun {
            run: outcome.run,
            header: outcome.header,
            verdict: outcome.verdict?,
        })
    });
    let trend: Trend = sum_trend(judged.collect()).ok_or_else(|| {
        Failure::usage(anyhow::anyhow!(
            "run `{}` has no verdict yet, so there is nothing to compare",
            report::escape(&wanted.run)
        ))
    })?;
    if wanted.store.output.json {
        put_json(&report::trend_json(&trend));
    } else {
        put(&report::trend_text(&trend, style()));
    }
    Ok(Exit::Fine)
}

/// From the person's own record, oldest first.
fn read(wanted: &TrendArguments) -> Result<Vec<StoredOutcome>, Failure> {
    let store = open_store(wanted.store.store.as_deref())?;
    let number = store.find_run(&wanted.run).map_err(Failure::usage)?;
    Ok(store.judged_up_to(number, wanted.earlier)?)
}
