//! Pages that only show: runs, one run, the queue, the ledger, the machine.

use axum::Extension;
use axum::extract::State;
use serde::Deserialize;

use super::{Desk, Shown, Visitor, shown};
use crate::report::{
    LedgerSeen, RunLine, ledger_page, machine_page, queue_page, run_page, runs_page,
};
use crate::run::read_ledger;
use crate::sensors::read_machine;
use crate::service::http::machine::look_at_instruments;
use crate::service::http::read::look;
use crate::service::run_line;
use crate::web::{Asked, Path, page_style};

/// Runs on one page.
const RUNS: usize = 100;

/// Which part of a long list is wanted.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RunsQuery {
    before: Option<i64>,
}

/// Runs on record, the newest first.
pub(super) async fn runs(
    State(desk): State<Desk>,
    Extension(visitor): Extension<Visitor>,
    Asked(asked): Asked<RunsQuery>,
) -> Shown {
    let known = look(desk.facts.store, |store| Ok(store.runs()?)).await?;
    let before = asked.before.unwrap_or(i64::MAX);
    let mut wanted = known.into_iter().rev().filter(|run| run.number < before);
    let lines: Vec<RunLine> = wanted.by_ref().take(RUNS).map(run_line).collect();
    let older = lines.last().map(|run| run.number);
    let older = older.filter(|_| wanted.next().is_some());
    shown(runs_page(&lines, older, &visitor.site(), &page_style()))
}

/// The report page of a run, also of one under way.
pub(super) async fn run(
    State(desk): State<Desk>,
    Extension(visitor): Extension<Visitor>,
    Path(word): Path<String>,
) -> Shown {
    let page = look(desk.facts.store, move |store| {
        let number = store.find_run(&word)?;
        let record = store.record(number)?;
        let style = page_style().of_run(number);
        Ok(run_page(&record, &visitor.site(), &style)?)
    });
    shown(Ok(page.await?))
}

/// The queue and the schedule.
pub(super) async fn queue(
    State(desk): State<Desk>,
    Extension(visitor): Extension<Visitor>,
) -> Shown {
    let view = desk.snapshots.borrow().view.clone();
    shown(queue_page(&view, &desk.schedule, &visitor.site()))
}

/// The ledger of this machine.
pub(super) async fn ledger(
    State(desk): State<Desk>,
    Extension(visitor): Extension<Visitor>,
) -> Shown {
    let page = look(desk.facts.store, move |store| {
        let machine = read_machine(&desk.root, &[], &[]);
        let seen = LedgerSeen {
            host: &machine.host,
            ledger: &read_ledger(store, &machine)?,
        };
        Ok(ledger_page(&seen, &visitor.site(), &page_style())?)
    });
    shown(Ok::<_, crate::report::RenderPageError>(page.await?))
}

/// The machine and its instruments.
pub(super) async fn machine(
    State(desk): State<Desk>,
    Extension(visitor): Extension<Visitor>,
) -> Shown {
    let look = look_at_instruments(desk).await?;
    shown(machine_page(&look.seen(), &visitor.site()))
}
