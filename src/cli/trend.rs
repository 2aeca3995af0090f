//! `trend`: a run against the earlier ones of its suite at the same settings.

use super::arguments::TrendArguments;
use super::run::{open_store, style};
use super::through::{Service, find};
use super::{Exit, Failure, put, put_json};
use crate::ledger::{Trend, TrendRun, sum_trend};
use crate::report;

/// Runs the command.
pub(super) fn trend(wanted: &TrendArguments) -> Result<Exit, Failure> {
    let runs = match find(&wanted.store, None)? {
        Some(service) => ask(&service, wanted)?,
        None => read(wanted)?,
    };
    let trend: Trend = sum_trend(runs).ok_or_else(|| {
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
fn read(wanted: &TrendArguments) -> Result<Vec<TrendRun>, Failure> {
    let store = open_store(wanted.store.store.as_deref())?;
    let number = store.find_run(&wanted.run).map_err(Failure::usage)?;
    let suite = store.record(number)?.header.plan.suite;
    let most = wanted.earlier.saturating_add(1);
    let judged = store.verdicts_before(number.saturating_add(1), &suite, most)?;
    let mut runs: Vec<TrendRun> = judged
        .into_iter()
        .map(|(run, header, verdict)| TrendRun {
            run,
            header,
            verdict,
        })
        .collect();
    runs.reverse();
    // Without a verdict of its own, another run would be shown in its place.
    let own = runs.last().is_some_and(|newest| newest.run == number);
    Ok(if own { runs } else { Vec::new() })
}

/// From a service, oldest first.
fn ask(service: &Service, wanted: &TrendArguments) -> Result<Vec<TrendRun>, Failure> {
    service.wait(async |client| {
        let judged = |(run, record): (i64, crate::model::Record)| {
            let verdict = record.verdict().cloned()?;
            Some(TrendRun {
                run,
                header: record.header,
                verdict,
            })
        };
        let (number, record) = client.record(&wanted.run).await?;
        let suite = record.header.plan.suite.clone();
        let Some(newest) = judged((number, record)) else {
            return Ok(Vec::new());
        };
        let mut known = client.runs().await?;
        known.retain(|run| run.number < number && run.suite == suite && run.grade.is_some());
        known.sort_by_key(|run| std::cmp::Reverse(run.number));
        let mut runs = vec![newest];
        for run in known.iter().take(wanted.earlier as usize) {
            runs.extend(judged(client.record(&run.number.to_string()).await?));
        }
        runs.reverse();
        Ok(runs)
    })
}
