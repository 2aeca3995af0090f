//! What can be done with runs on record: say what is known of one, hold it against its checksums, close
//! those that were cut short.

use std::time::Duration;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::Desk;
use super::read::{alter, look};
use crate::kernels;
use crate::model::{Entry, Grade, Note, NotedCause};
use crate::os;
use crate::run::{ClosedRun, RecoverRunsError, Recovery, add_late_errors, recover_cut_runs};
use crate::sensors::read_machine;
use crate::store::{StoredOutcome, WriteStoreError};
use crate::web::{Asked, Body, HttpProblem, Path};

/// Longest note in bytes.
const MOST_NOTE: usize = 8 * 1024;
/// Earlier runs that are looked at when nothing is said, and at most.
const USUAL_EARLIER: u32 = 20;
const MOST_EARLIER: u32 = 1000;

pub(super) fn routes() -> OpenApiRouter<Desk> {
    OpenApiRouter::new()
        .routes(routes!(note))
        .routes(routes!(damage))
        .routes(routes!(judged))
        .routes(routes!(close))
}

/// What a person knows of a run, as it travels.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(in crate::service) struct NoteBody {
    /// Why it ended, where the person knows it.
    #[serde(default)]
    pub(in crate::service) cause: Option<NotedCause>,
    /// In the person's words.
    pub(in crate::service) text: String,
}

/// Rows of a run that are not what was written.
#[derive(Debug, Serialize, ToSchema)]
struct DamageBody {
    /// Number of the run.
    run: i64,
    /// Each damaged row, in words.
    damaged: Vec<String>,
}

/// How many runs before it are looked at.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct JudgedQuery {
    /// Most earlier runs of the suite.
    #[param(maximum = 1000, default = 20)]
    earlier: Option<u32>,
}

/// Judged runs of one suite, as they travel.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub(in crate::service) struct JudgedBody {
    /// Header and verdict of each, oldest first; none where the run that was asked for has no verdict.
    #[schema(value_type = Vec<Object>)]
    pub(in crate::service) runs: Vec<StoredOutcome>,
}

/// A run that was closed or judged anew.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ClosedLine {
    /// Number.
    pub run: i64,
    /// Name of its suite.
    pub suite: String,
    /// What it came to.
    pub grade: Grade,
    /// The same in a sentence.
    pub headline: String,
}

/// A run without an end that was left as it is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct LeftLine {
    /// Number.
    pub run: i64,
    /// Why.
    pub reason: String,
}

/// What became of runs that nobody had ended.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct RecoveryBody {
    /// Closed and judged.
    pub closed: Vec<ClosedLine>,
    /// Judged again for an error that showed after their end.
    pub revised: Vec<ClosedLine>,
    /// Left alone.
    pub left: Vec<LeftLine>,
}

impl From<&Recovery> for RecoveryBody {
    fn from(recovery: &Recovery) -> Self {
        let lines = |runs: &[ClosedRun]| runs.iter().map(line).collect();
        let left = recovery.left.iter().map(|left| LeftLine {
            run: left.number,
            reason: left.reason.clone(),
        });
        Self {
            closed: lines(&recovery.closed),
            revised: lines(&recovery.revised),
            left: left.collect(),
        }
    }
}

fn line(run: &ClosedRun) -> ClosedLine {
    ClosedLine {
        run: run.number,
        suite: run.record.header.plan.suite.clone(),
        grade: run.verdict.grade,
        headline: run.verdict.headline.clone(),
    }
}

/// Puts a person's word beside the grade, which it never changes.
#[utoipa::path(
    post, path = "/v1/runs/{run}/notes", tag = "runs", request_body = NoteBody,
    params(("run" = String, Path, description = "Number, beginning of an id, or `last`")),
    responses((status = 204))
)]
async fn note(
    State(desk): State<Desk>,
    Path(word): Path<String>,
    Body(body): Body<NoteBody>,
) -> Result<StatusCode, HttpProblem> {
    put_note(desk, word, (body.cause, body.text)).await?;
    Ok(StatusCode::NO_CONTENT)
}

/// The same, for whoever has a note already; gives the number of the run.
pub(super) async fn put_note(
    desk: Desk,
    word: String,
    (cause, text): (Option<NotedCause>, String),
) -> Result<i64, HttpProblem> {
    if text.len() > MOST_NOTE {
        return Err(HttpProblem::unfit(format!(
            "a note has at most {MOST_NOTE} bytes"
        )));
    }
    alter(desk.facts.store, move |store| {
        let run = store.find_run(&word)?;
        let at = os::moment();
        store.append(run, &[Entry::Note(Note { at, cause, text })])?;
        Ok(run)
    })
    .await
}

/// Holds every row of a run against its checksum.
#[utoipa::path(
    get, path = "/v1/runs/{run}/damage", tag = "runs",
    params(("run" = String, Path, description = "Number, beginning of an id, or `last`")),
    responses((status = 200, body = DamageBody))
)]
async fn damage(
    State(desk): State<Desk>,
    Path(word): Path<String>,
) -> Result<Json<DamageBody>, HttpProblem> {
    let body = look(desk.facts.store, move |store| {
        let run = store.find_run(&word)?;
        let damaged = store.check_run(run)?;
        Ok(DamageBody {
            run,
            damaged: damaged.iter().map(ToString::to_string).collect(),
        })
    });
    Ok(Json(body.await?))
}

/// Header and verdict of a run and of those of its suite before it, to see where its figures are going.
#[utoipa::path(
    get, path = "/v1/runs/{run}/judged", tag = "runs",
    params(("run" = String, Path, description = "Number, beginning of an id, or `last`"), JudgedQuery),
    responses((status = 200, body = JudgedBody))
)]
async fn judged(
    State(desk): State<Desk>,
    Path(word): Path<String>,
    Asked(asked): Asked<JudgedQuery>,
) -> Result<Json<JudgedBody>, HttpProblem> {
    let earlier = asked.earlier.unwrap_or(USUAL_EARLIER);
    if earlier > MOST_EARLIER {
        let detail = format!("`earlier` is {earlier}; it must be at most {MOST_EARLIER}");
        return Err(HttpProblem::unfit(detail));
    }
    let runs = look(desk.facts.store, move |store| {
        let run = store.find_run(&word)?;
        Ok(store.judged_up_to(run, earlier)?)
    });
    Ok(Json(JudgedBody { runs: runs.await? }))
}

/// Closes and judges runs that were cut short, and looks for errors that showed after a run's end.
#[utoipa::path(
    post, path = "/v1/runs/close", tag = "runs", responses((status = 200, body = RecoveryBody))
)]
async fn close(State(desk): State<Desk>) -> Result<Json<RecoveryBody>, HttpProblem> {
    let body = alter(desk.facts.store, move |store| {
        let machine = read_machine(&desk.root, &os::allowed_cpus(), kernels::detect().sets());
        let mut recovery = recover_cut_runs(store, &desk.root, &machine, Duration::ZERO)?;
        recovery.revised = add_late_errors(store, &desk.root, &machine)?;
        Ok(RecoveryBody::from(&recovery))
    });
    Ok(Json(body.await?))
}

impl From<RecoverRunsError> for HttpProblem {
    fn from(error: RecoverRunsError) -> Self {
        Self::inner(&error)
    }
}

impl From<WriteStoreError> for HttpProblem {
    fn from(error: WriteStoreError) -> Self {
        Self::inner(&error)
    }
}
