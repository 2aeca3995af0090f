//! Whether the service does its work, for whoever watches it from outside.

use std::time::Duration;

use axum::extract::State;
use axum::http::StatusCode;
use axum::{Extension, Json};
use serde::Serialize;
use tokio::time::timeout;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::Desk;
use crate::service::action::Action;
use crate::web::HttpProblem;
use crate::web::Peer;

/// The engine answers in milliseconds; one that takes longer is stuck.
const ANSWERS_WITHIN: Duration = Duration::from_secs(5);

pub(super) fn routes() -> OpenApiRouter<Desk> {
    OpenApiRouter::new().routes(routes!(health))
}

/// It does.
#[derive(Debug, Serialize, ToSchema)]
struct HealthBody {
    /// `well`.
    status: &'static str,
}

/// Whether engine, record and the run under way are alive.
#[utoipa::path(
    get, path = "/healthz", tag = "service",
    responses((status = 200, body = HealthBody), (status = 503, body = crate::web::Problem, content_type = "application/problem+json"))
)]
async fn health(
    State(desk): State<Desk>,
    Extension(peer): Extension<Peer>,
) -> Result<Json<HealthBody>, HttpProblem> {
    match timeout(ANSWERS_WITHIN, desk.ask(&peer, Action::Check)).await {
        Ok(Ok(_)) => Ok(Json(HealthBody { status: "well" })),
        Ok(Err(problem)) => Err(problem),
        Err(_) => Err(HttpProblem::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "the engine does not answer",
        )),
    }
}
