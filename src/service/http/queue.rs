//! The queue and the schedule.

use axum::extract::State;
use axum::http::StatusCode;
use axum::routing::{get, post};
use axum::{Extension, Json, Router};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::Desk;
use super::door::Peer;
use super::problem::{Body, HttpProblem, Path};
use crate::model::{Conditions, Declared, Job, JobId, LoadClass, RunWish, Wall, Window};
use crate::report::queue_json;
use crate::service::action::{Action, Answer};
use crate::service::agenda::NewJob;

pub(super) fn routes() -> Router<Desk> {
    Router::new()
        .route("/v1/queue", get(show).post(add))
        .route("/v1/queue/jobs/{id}/cancel", post(cancel))
        .route("/v1/queue/jobs/{id}/move", post(move_to))
        .route("/v1/queue/pause", post(pause))
        .route("/v1/queue/resume", post(resume))
        .route("/v1/queue/release", post(release))
        .route("/v1/schedule", get(schedule))
}

/// What to run, as it travels.
#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::service) struct WishBody {
    suite: String,
    #[serde(default)]
    text: Option<String>,
    #[serde(default)]
    clock_mhz: Vec<(LoadClass, f64)>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    kind_clock_mhz: Vec<(String, f64)>,
    #[serde(default)]
    ambient_c: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    hottest_day_c: Option<f64>,
    #[serde(default)]
    note: String,
    #[serde(default)]
    maker_limit_c: Option<f64>,
    #[serde(default)]
    without_thermometer: bool,
}

impl From<RunWish> for WishBody {
    fn from(wish: RunWish) -> Self {
        Self {
            suite: wish.suite,
            text: wish.text,
            clock_mhz: wish.declared.clock_mhz,
            kind_clock_mhz: wish.declared.kind_clock_mhz,
            ambient_c: wish.declared.ambient_c,
            hottest_day_c: wish.declared.hottest_day_c,
            note: wish.declared.note,
            maker_limit_c: wish.maker_limit_c,
            without_thermometer: wish.without_thermometer,
        }
    }
}

impl From<WishBody> for RunWish {
    fn from(body: WishBody) -> Self {
        Self {
            suite: body.suite,
            text: body.text,
            declared: Declared {
                clock_mhz: body.clock_mhz,
                kind_clock_mhz: body.kind_clock_mhz,
                ambient_c: body.ambient_c,
                hottest_day_c: body.hottest_day_c,
                note: body.note,
                standing: None,
            },
            maker_limit_c: body.maker_limit_c,
            without_thermometer: body.without_thermometer,
        }
    }
}

/// A job, as it travels.
#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::service) struct JobBody {
    wish: WishBody,
    /// Milliseconds since 1970-01-01T00:00:00Z.
    #[serde(default)]
    not_before: Option<Wall>,
    #[serde(default)]
    window: Option<Window>,
    #[serde(default)]
    idle_s: Option<u64>,
    #[serde(default)]
    after_change: bool,
    #[serde(default)]
    unchecked: bool,
    #[serde(default)]
    priority: i8,
}

impl From<NewJob> for JobBody {
    fn from(new: NewJob) -> Self {
        Self {
            wish: new.wish.into(),
            not_before: new.conditions.not_before,
            window: new.conditions.window,
            idle_s: new.conditions.idle_s,
            after_change: new.conditions.after_change,
            unchecked: new.conditions.unchecked,
            priority: new.priority,
        }
    }
}

impl From<JobBody> for NewJob {
    fn from(body: JobBody) -> Self {
        Self {
            wish: body.wish.into(),
            conditions: Conditions {
                not_before: body.not_before,
                window: body.window,
                idle_s: body.idle_s,
                after_change: body.after_change,
                unchecked: body.unchecked,
            },
            priority: body.priority,
        }
    }
}

/// Where a job goes, as it travels.
#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::service) struct MoveBody {
    /// Place among those that wait, from 1.
    pub(in crate::service) place: usize,
}

async fn show(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
) -> Result<Json<Value>, HttpProblem> {
    match desk.ask(&peer, Action::Show).await? {
        Answer::Queue(view) => Ok(Json(queue_json(&view))),
        Answer::Done | Answer::Added(_) | Answer::Begun { .. } => Ok(Json(Value::Null)),
    }
}

async fn add(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
    Body(body): Body<JobBody>,
) -> Result<(StatusCode, Json<Option<Job>>), HttpProblem> {
    let action = Action::Add(Box::new(body.into()));
    let job = match desk.ask(&peer, action).await? {
        Answer::Added(job) => Some(*job),
        Answer::Done | Answer::Queue(_) | Answer::Begun { .. } => None,
    };
    Ok((StatusCode::CREATED, Json(job)))
}

async fn cancel(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
    Path(id): Path<i64>,
) -> Result<StatusCode, HttpProblem> {
    done(&desk, &peer, Action::Cancel(JobId(id))).await
}

async fn move_to(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
    Path(id): Path<i64>,
    Body(body): Body<MoveBody>,
) -> Result<StatusCode, HttpProblem> {
    let action = Action::Move {
        job: JobId(id),
        place: body.place,
    };
    done(&desk, &peer, action).await
}

async fn pause(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
) -> Result<StatusCode, HttpProblem> {
    done(&desk, &peer, Action::Pause).await
}

async fn resume(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
) -> Result<StatusCode, HttpProblem> {
    done(&desk, &peer, Action::Resume).await
}

async fn release(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
) -> Result<StatusCode, HttpProblem> {
    done(&desk, &peer, Action::Release).await
}

async fn done(desk: &Desk, peer: &Peer, action: Action) -> Result<StatusCode, HttpProblem> {
    desk.ask(peer, action).await.map(|_| StatusCode::NO_CONTENT)
}

async fn schedule(State(desk): State<Desk>) -> Json<Value> {
    Json(json!({ "schema": "soakproof.schedule/1", "entries": desk.schedule }))
}
