//! The queue and the schedule.

use axum::extract::State;
use axum::http::StatusCode;
use axum::{Extension, Json};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::Desk;
use crate::model::{
    Conditions, Declared, Job, JobId, LoadClass, RunWish, ScheduleEntry, Wall, Window,
};
use crate::report::{QueueView, queue_json};
use crate::service::action::{Action, Answer};
use crate::service::agenda::NewJob;
use crate::service::http::refusals::astray;
use crate::web::Peer;
use crate::web::{Body, HttpProblem, Path};

pub(super) fn routes() -> OpenApiRouter<Desk> {
    OpenApiRouter::new()
        .routes(routes!(show, add))
        .routes(routes!(cancel))
        .routes(routes!(move_to))
        .routes(routes!(pause))
        .routes(routes!(resume))
        .routes(routes!(release))
        .routes(routes!(schedule))
}

/// What to run, as it travels.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(in crate::service) struct WishBody {
    /// Name of a suite that is built in, or of the file that `text` is.
    suite: String,
    /// Whole text of a suite that is not built in.
    #[serde(default)]
    text: Option<String>,
    /// Declared core clock by load class, in MHz.
    #[serde(default)]
    clock_mhz: Vec<(LoadClass, f64)>,
    /// The same for other kinds of core.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    kind_clock_mhz: Vec<(String, f64)>,
    /// Air temperature in degrees Celsius.
    #[serde(default)]
    ambient_c: Option<f64>,
    /// Air temperature of the hottest day, in degrees Celsius.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    hottest_day_c: Option<f64>,
    /// Kept with the run.
    #[serde(default)]
    note: String,
    /// The maker's limit of temperature in degrees Celsius.
    #[serde(default)]
    maker_limit_c: Option<f64>,
    /// A long suite may start although no temperature of the processor can be read.
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
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(in crate::service) struct JobBody {
    /// What to run.
    wish: WishBody,
    /// Milliseconds since 1970-01-01T00:00:00Z.
    #[serde(default)]
    not_before: Option<Wall>,
    /// Only where all of it fits into this part of a day.
    #[serde(default)]
    window: Option<Window>,
    /// Only when the machine has been idle for so many seconds.
    #[serde(default)]
    idle_s: Option<u64>,
    /// Only at the first boot after a declared change.
    #[serde(default)]
    after_change: bool,
    /// Also at settings that no recheck has shown clean.
    #[serde(default)]
    unchecked: bool,
    /// -10 to 10; higher ones go first.
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
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(in crate::service) struct MoveBody {
    /// Place among those that wait, from 1.
    pub(in crate::service) place: usize,
}

/// The queue, what holds it, and what each job waits for.
#[utoipa::path(get, path = "/v1/queue", tag = "queue", responses((status = 200, body = QueueView)))]
async fn show(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
) -> Result<Json<Value>, HttpProblem> {
    match desk.ask(&peer, Action::Show).await? {
        Answer::Queue(view) => Ok(Json(queue_json(&view))),
        Answer::Done | Answer::Added(_) | Answer::Begun { .. } => Err(astray()),
    }
}

/// Puts a job into the queue.
#[utoipa::path(
    post, path = "/v1/queue", tag = "queue", request_body = JobBody,
    responses((status = 201, body = Job))
)]
async fn add(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
    Body(body): Body<JobBody>,
) -> Result<(StatusCode, Json<Job>), HttpProblem> {
    let action = Action::Add(Box::new(body.into()));
    match desk.ask(&peer, action).await? {
        Answer::Added(job) => Ok((StatusCode::CREATED, Json(*job))),
        Answer::Done | Answer::Queue(_) | Answer::Begun { .. } => Err(astray()),
    }
}

/// Takes a waiting job out, or ends one that runs.
#[utoipa::path(
    post, path = "/v1/queue/jobs/{id}/cancel", tag = "queue",
    params(("id" = i64, Path, description = "Number of the job")), responses((status = 204))
)]
async fn cancel(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
    Path(id): Path<i64>,
) -> Result<StatusCode, HttpProblem> {
    done(&desk, &peer, Action::Cancel(JobId(id))).await
}

/// Brings a waiting job to another place.
#[utoipa::path(
    post, path = "/v1/queue/jobs/{id}/move", tag = "queue", request_body = MoveBody,
    params(("id" = i64, Path, description = "Number of the job")), responses((status = 204))
)]
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

/// Lets nothing start.
#[utoipa::path(post, path = "/v1/queue/pause", tag = "queue", responses((status = 204)))]
async fn pause(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
) -> Result<StatusCode, HttpProblem> {
    done(&desk, &peer, Action::Pause).await
}

/// Ends the pause.
#[utoipa::path(post, path = "/v1/queue/resume", tag = "queue", responses((status = 204)))]
async fn resume(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
) -> Result<StatusCode, HttpProblem> {
    done(&desk, &peer, Action::Resume).await
}

/// Ends the hold after a reset.
#[utoipa::path(post, path = "/v1/queue/release", tag = "queue", responses((status = 204)))]
async fn release(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
) -> Result<StatusCode, HttpProblem> {
    done(&desk, &peer, Action::Release).await
}

async fn done(desk: &Desk, peer: &Peer, action: Action) -> Result<StatusCode, HttpProblem> {
    desk.ask(peer, action).await.map(|_| StatusCode::NO_CONTENT)
}

/// The schedule, as configured.
#[derive(Debug, Serialize, ToSchema)]
struct ScheduleBody {
    /// `soakproof.schedule/1`.
    schema: &'static str,
    /// Its entries.
    entries: Vec<ScheduleEntry>,
}

/// What is put into the queue at which times.
#[utoipa::path(get, path = "/v1/schedule", tag = "queue", responses((status = 200, body = ScheduleBody)))]
async fn schedule(State(desk): State<Desk>) -> Json<ScheduleBody> {
    Json(ScheduleBody {
        schema: "soakproof.schedule/1",
        entries: desk.schedule,
    })
}
