//! Figures for monitoring. During a run the readings are those of the last sample on record: some chips
//! stop their fans while they answer, so nobody from outside makes us ask them.

use axum::extract::State;
use axum::http::header;
use axum::response::IntoResponse;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::Desk;
use super::read::{last_sample, look};
use crate::service::metrics::{CONTENT_TYPE, Figures, Live, render_metrics};
use crate::web::HttpProblem;

pub(super) fn routes() -> OpenApiRouter<Desk> {
    OpenApiRouter::new().routes(routes!(metrics))
}

/// Figures of the service and of the run under way, as OpenMetrics 1.0 text.
#[utoipa::path(
    get, path = "/metrics", tag = "service",
    responses((
        status = 200, body = String,
        content_type = "application/openmetrics-text; version=1.0.0; charset=utf-8"
    ))
)]
async fn metrics(State(desk): State<Desk>) -> Result<impl IntoResponse, HttpProblem> {
    let snapshot = desk.snapshots.borrow().clone();
    let text = look(desk.facts.store, move |store| {
        let runs = store.runs()?;
        let summary = runs.iter().find(|line| Some(line.number) == snapshot.run);
        let live = match summary {
            Some(summary) => Some((summary, last_sample(store, summary.number)?)),
            None => None,
        };
        let live = live.as_ref().map(|(summary, (header, sample))| Live {
            summary,
            channels: &header.channels,
            sample: sample.as_ref(),
        });
        render_metrics(&Figures {
            queue: &snapshot.view,
            runs: &runs,
            live,
        })
        .map_err(|error| HttpProblem::inner(&error))
    });
    Ok(([(header::CONTENT_TYPE, CONTENT_TYPE)], text.await?))
}
