//! What the engine refuses, as problems.

use axum::http::StatusCode;

use crate::service::action::Refusal;
use crate::service::agenda::RefuseJobError;
use crate::web::HttpProblem;

/// The engine has answered something else than it was asked: a defect of ours.
pub(super) fn astray() -> HttpProblem {
    tracing::error!("the engine has answered something else than it was asked");
    HttpProblem::new(
        StatusCode::INTERNAL_SERVER_ERROR,
        "the service has answered something else than it was asked",
    )
}

impl From<Refusal> for HttpProblem {
    fn from(refusal: Refusal) -> Self {
        let status = match &refusal {
            Refusal::Queue(RefuseJobError::Unknown(_)) | Refusal::NotRunning(_) => {
                StatusCode::NOT_FOUND
            }
            Refusal::Queue(RefuseJobError::Priority { .. } | RefuseJobError::Window { .. })
            | Refusal::Suite(_)
            | Refusal::Programs(_) => StatusCode::UNPROCESSABLE_ENTITY,
            Refusal::Queue(
                RefuseJobError::NotWaiting(_) | RefuseJobError::Full | RefuseJobError::NotHeld(_),
            )
            | Refusal::Busy => StatusCode::CONFLICT,
            Refusal::Unwell(_) | Refusal::Ending => StatusCode::SERVICE_UNAVAILABLE,
            Refusal::NotStarted(_) | Refusal::Storage(_) | Refusal::NotOfTheQueue => {
                StatusCode::INTERNAL_SERVER_ERROR
            }
        };
        Self::new(status, refusal.to_string())
    }
}
