//! What a run's instruments read, made fewer.

use axum::Json;
use axum::extract::State;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::Desk;
use super::read::look;
use super::runs::PAGE_ROWS;
use crate::model::{Channel, Entry, RunHeader};
use crate::report::reduce::{Span, SpanReducer};
use crate::store::{ReadStoreError, Store};
use crate::web::{Asked, HttpProblem, Path};

/// Spans when nothing is said.
const USUAL_SPANS: usize = 500;
/// Most spans.
const MOST_SPANS: usize = 2000;

pub(super) fn routes() -> OpenApiRouter<Desk> {
    OpenApiRouter::new().routes(routes!(samples))
}

/// How far samples are made fewer.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct SamplesQuery {
    /// Most spans of the answer.
    #[param(minimum = 2, maximum = 2000, default = 500)]
    spans: Option<usize>,
}

/// Samples of a run, made fewer.
#[derive(Debug, Serialize, ToSchema)]
struct SamplesBody {
    /// `soakproof.samples/1`.
    schema: &'static str,
    /// Number of the run.
    run: i64,
    /// What the readings are of, with their units by quantity.
    channels: Vec<Channel>,
    /// Length of each span in seconds: a power of two.
    span_s: f64,
    /// Spans that hold samples, in order.
    spans: Vec<Span>,
    /// Rows that are damaged and left out.
    damaged: u64,
}

/// The readings of a run in spans of equal length, each with the least and the greatest value of every
/// channel, so that no spike disappears.
#[utoipa::path(
    get, path = "/v1/runs/{run}/samples", tag = "runs",
    params(("run" = String, Path, description = "Number, beginning of an id, or `last`"), SamplesQuery),
    responses((status = 200, body = SamplesBody))
)]
async fn samples(
    State(desk): State<Desk>,
    Path(word): Path<String>,
    Asked(asked): Asked<SamplesQuery>,
) -> Result<Json<SamplesBody>, HttpProblem> {
    let spans = asked.spans.unwrap_or(USUAL_SPANS);
    if !(2..=MOST_SPANS).contains(&spans) {
        let detail = format!("`spans` is {spans}; it must be from 2 to {MOST_SPANS}");
        return Err(HttpProblem::unfit(detail));
    }
    let body = look(desk.facts.store, move |store| {
        let run = store.find_run(&word)?;
        Ok(read(store, run, spans)?)
    });
    Ok(Json(body.await?))
}

fn read(store: &Store, run: i64, spans: usize) -> Result<SamplesBody, ReadStoreError> {
    let header: RunHeader = store.header(run)?;
    let mut reducer = SpanReducer::new(header.started.mono, spans);
    let (mut after, mut damaged) = (0, 0);
    loop {
        let rows = store.rows(run, after, PAGE_ROWS)?;
        let Some(last) = rows.last() else { break };
        after = last.seq;
        for row in rows.iter().filter(|row| row.kind == "sample") {
            match row.entry() {
                Ok(Entry::Sample(sample)) => reducer.add(&sample),
                Ok(_) | Err(_) => damaged += 1,
            }
        }
    }
    let (span_s, spans) = reducer.finish();
    Ok(SamplesBody {
        schema: "soakproof.samples/1",
        run,
        channels: header.channels,
        span_s,
        spans,
        damaged,
    })
}
