//! Runs: the list, one as a report, one as its stored rows, and the wish to start or end one.

use std::io::ErrorKind;

use axum::body::{Body as Stream, Bytes};
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Extension, Json, Router};
use futures_util::stream;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::Desk;
use super::door::Peer;
use super::problem::{Body, HttpProblem, Path};
use super::queue::WishBody;
use super::read::look;
use crate::report::report_json;
use crate::service::action::{Action, Answer};
use crate::store::StoredRow;

/// Rows that are read and sent at once: memory for one page and no more.
pub(super) const PAGE_ROWS: u32 = 500;

pub(super) fn routes() -> Router<Desk> {
    Router::new()
        .route("/v1/runs", get(list).post(start))
        .route("/v1/runs/{run}", get(show))
        .route("/v1/runs/{run}/rows", get(rows))
        .route("/v1/runs/{run}/stop", post(stop))
}

/// How to end a run, as it travels.
#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::service) struct StopBody {
    /// Without grace.
    #[serde(default)]
    pub(in crate::service) at_once: bool,
}

async fn list(State(desk): State<Desk>) -> Result<Json<Value>, HttpProblem> {
    let runs = look(desk.facts.store, |store| Ok(store.runs()?)).await?;
    Ok(Json(json!({ "runs": runs })))
}

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

/// All rows, one a line, the header's first; sent page by page.
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

async fn start(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
    Body(body): Body<WishBody>,
) -> Result<(StatusCode, Json<Value>), HttpProblem> {
    let action = Action::Run(Box::new(body.into()));
    let run = match desk.ask(&peer, action).await? {
        Answer::Begun { run } => Some(run),
        Answer::Done | Answer::Queue(_) | Answer::Added(_) => None,
    };
    Ok((StatusCode::CREATED, Json(json!({ "run": run }))))
}

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
