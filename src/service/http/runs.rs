//! Runs: the list, one as a report, one as its stored rows, and the wish to start or end one.

use std::io::ErrorKind;

use axum::body::{Body as Stream, Bytes};
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::{Extension, Json};
use futures_util::stream;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::Desk;
use super::queue::WishBody;
use super::read::look;
use crate::model::Finding;
use crate::report::report_json;
use crate::service::action::{Action, Answer};
use crate::service::http::refusals::astray;
use crate::store::{RunSummary, StoredRow};
use crate::web::Peer;
use crate::web::{Body, HttpProblem, Path};

/// Rows that are read and sent at once: memory for one page and no more.
pub(super) const PAGE_ROWS: u32 = 500;

pub(super) fn routes() -> OpenApiRouter<Desk> {
    OpenApiRouter::new()
        .routes(routes!(list, start))
        .routes(routes!(show))
        .routes(routes!(rows))
        .routes(routes!(findings))
        .routes(routes!(stop))
}

/// How to end a run, as it travels.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(in crate::service) struct StopBody {
    /// Without grace.
    #[serde(default)]
    pub(in crate::service) at_once: bool,
}

/// Runs on record.
#[derive(Debug, Serialize, ToSchema)]
struct RunsBody {
    /// Oldest first.
    runs: Vec<RunSummary>,
}

/// A run that has begun.
#[derive(Debug, Serialize, ToSchema)]
struct BegunBody {
    /// Its number.
    run: i64,
}

/// Findings of a run.
#[derive(Debug, Serialize, ToSchema)]
struct FindingsBody {
    /// `soakproof.findings/1`.
    schema: &'static str,
    /// Number of the run.
    run: i64,
    /// In the order in which they were found.
    findings: Vec<Finding>,
}

/// All runs on record.
#[utoipa::path(get, path = "/v1/runs", tag = "runs", responses((status = 200, body = RunsBody)))]
async fn list(State(desk): State<Desk>) -> Result<Json<RunsBody>, HttpProblem> {
    let runs = look(desk.facts.store, |store| Ok(store.runs()?)).await?;
    Ok(Json(RunsBody { runs }))
}

/// One run as a report: `soakproof.report/1`, with verdict, findings, gaps and figures.
#[utoipa::path(
    get, path = "/v1/runs/{run}", tag = "runs", params(("run" = String, Path, description = "Number, beginning of an id, or `last`")),
    responses((status = 200, body = Object))
)]
async fn show(
    State(desk): State<Desk>,
    Path(word): Path<String>,
) -> Result<Json<Value>, HttpProblem> {
    let report = look(desk.facts.store, move |store| {
        let number = store.find_run(&word)?;
        Ok(report_json(Some(number), &store.record(number)?))
    });
    Ok(Json(report.await?))
}

/// All rows as they are stored, one JSON object a line, the header's first.
#[utoipa::path(
    get, path = "/v1/runs/{run}/rows", tag = "runs", params(("run" = String, Path, description = "Number, beginning of an id, or `last`")),
    responses((status = 200, content_type = "application/x-ndjson", body = String))
)]
async fn rows(State(desk): State<Desk>, Path(word): Path<String>) -> Result<Response, HttpProblem> {
    let folder = desk.facts.store;
    let number = look(folder.clone(), move |store| Ok(store.find_run(&word)?)).await?;
    let pages = stream::unfold(Some(-1), move |after| {
        let folder = folder.clone();
        async move {
            let after = after?;
            let page = look(folder, move |store| {
                Ok(store.rows(number, after, PAGE_ROWS)?)
            })
            .await;
            match page {
                Ok(rows) => {
                    let next = rows.last()?.seq;
                    Some((Ok(lines(&rows)), Some(next)))
                }
                Err(_) => Some((Err(std::io::Error::from(ErrorKind::Other)), None)),
            }
        }
    });
    let body = Stream::from_stream(pages);
    let kind = [
        (header::CONTENT_TYPE, "application/x-ndjson".to_owned()),
        (header::HeaderName::from_static("run"), number.to_string()),
    ];
    Ok((kind, body).into_response())
}

fn lines(rows: &[StoredRow]) -> Bytes {
    let mut text = String::new();
    for row in rows {
        text.push_str(&json!(row).to_string());
        text.push('\n');
    }
    text.into()
}

/// What was found against the machine in a run.
#[utoipa::path(
    get, path = "/v1/runs/{run}/findings", tag = "runs", params(("run" = String, Path, description = "Number, beginning of an id, or `last`")),
    responses((status = 200, body = FindingsBody))
)]
async fn findings(
    State(desk): State<Desk>,
    Path(word): Path<String>,
) -> Result<Json<FindingsBody>, HttpProblem> {
    let body = look(desk.facts.store, move |store| {
        let run = store.find_run(&word)?;
        Ok(FindingsBody {
            schema: "soakproof.findings/1",
            run,
            findings: store.record_without_samples(run)?.findings,
        })
    });
    Ok(Json(body.await?))
}

/// Starts a run now, past the queue: checked load on every core, heat and a crash if the machine is
/// unstable. For someone who is there and asks.
#[utoipa::path(
    post, path = "/v1/runs", tag = "runs", request_body = WishBody,
    responses((status = 201, body = BegunBody))
)]
async fn start(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
    Body(body): Body<WishBody>,
) -> Result<(StatusCode, Json<BegunBody>), HttpProblem> {
    let action = Action::Run(Box::new(body.into()));
    match desk.ask(&peer, action).await? {
        Answer::Begun { run } => Ok((StatusCode::CREATED, Json(BegunBody { run }))),
        Answer::Done | Answer::Queue(_) | Answer::Added(_) => Err(astray()),
    }
}

/// Ends the run under way.
#[utoipa::path(
    post, path = "/v1/runs/{run}/stop", tag = "runs", request_body = StopBody,
    params(("run" = i64, Path, description = "Number")), responses((status = 204))
)]
async fn stop(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
    Path(run): Path<i64>,
    Body(body): Body<StopBody>,
) -> Result<StatusCode, HttpProblem> {
    let action = Action::Stop {
        run,
        at_once: body.at_once,
    };
    desk.ask(&peer, action).await?;
    Ok(StatusCode::NO_CONTENT)
}
