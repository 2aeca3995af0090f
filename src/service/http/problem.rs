//! Errors as problem details (RFC 9457): `application/problem+json` with `title` (the phrase of the
//! status), `status` and `detail`. The chain of causes goes to the log, not to the client.

use axum::Json;
use axum::extract::rejection::{JsonRejection, PathRejection, QueryRejection};
use axum::extract::{FromRequest, FromRequestParts};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde_json::json;

use crate::os;
use crate::service::action::Refusal;
use crate::service::agenda::RefuseJobError;
use crate::store::{FindRunError, OpenStoreError, ReadStoreError};

/// What went wrong with a request.
#[derive(Debug)]
pub(super) struct HttpProblem {
    status: StatusCode,
    detail: String,
}

impl HttpProblem {
    pub(super) fn new(status: StatusCode, detail: impl Into<String>) -> Self {
        Self {
            status,
            detail: detail.into(),
        }
    }

    /// Something of ours, or of the disk.
    pub(super) fn inner(error: &dyn std::error::Error) -> Self {
        tracing::error!(error = os::with_cause(error), "a request failed");
        Self::new(StatusCode::INTERNAL_SERVER_ERROR, error.to_string())
    }

    /// A task of ours broke off.
    pub(super) fn broken(error: &tokio::task::JoinError) -> Self {
        Self::inner(error)
    }
}

impl IntoResponse for HttpProblem {
    fn into_response(self) -> Response {
        let body = json!({
            "title": self.status.canonical_reason().unwrap_or("Error"),
            "status": self.status.as_u16(),
            "detail": self.detail,
        });
        let kind = HeaderValue::from_static("application/problem+json");
        (self.status, [(header::CONTENT_TYPE, kind)], Json(body)).into_response()
    }
}

impl From<Refusal> for HttpProblem {
    fn from(refusal: Refusal) -> Self {
        let status = match &refusal {
            Refusal::Queue(RefuseJobError::Unknown(_)) | Refusal::NotRunning(_) => {
                StatusCode::NOT_FOUND
            }
            Refusal::Queue(RefuseJobError::Priority { .. } | RefuseJobError::Window { .. })
            | Refusal::Suite(_) => StatusCode::UNPROCESSABLE_ENTITY,
            Refusal::Queue(
                RefuseJobError::NotWaiting(_) | RefuseJobError::Full | RefuseJobError::NotHeld(_),
            )
            | Refusal::Busy => StatusCode::CONFLICT,
            Refusal::Ending => StatusCode::SERVICE_UNAVAILABLE,
            Refusal::NotStarted(_) | Refusal::Storage(_) | Refusal::NotOfTheQueue => {
                StatusCode::INTERNAL_SERVER_ERROR
            }
        };
        Self::new(status, refusal.to_string())
    }
}

impl From<FindRunError> for HttpProblem {
    fn from(error: FindRunError) -> Self {
        match &error {
            FindRunError::NoRuns { .. } | FindRunError::NotFound { .. } => {
                Self::new(StatusCode::NOT_FOUND, error.to_string())
            }
            FindRunError::Ambiguous { .. } => Self::new(StatusCode::CONFLICT, error.to_string()),
            FindRunError::Sqlite { .. } => Self::inner(&error),
        }
    }
}

impl From<ReadStoreError> for HttpProblem {
    fn from(error: ReadStoreError) -> Self {
        Self::inner(&error)
    }
}

impl From<OpenStoreError> for HttpProblem {
    fn from(error: OpenStoreError) -> Self {
        Self::inner(&error)
    }
}

impl From<JsonRejection> for HttpProblem {
    fn from(rejection: JsonRejection) -> Self {
        Self::new(rejection.status(), rejection.body_text())
    }
}

impl From<QueryRejection> for HttpProblem {
    fn from(rejection: QueryRejection) -> Self {
        Self::new(rejection.status(), rejection.body_text())
    }
}

impl From<PathRejection> for HttpProblem {
    fn from(rejection: PathRejection) -> Self {
        Self::new(rejection.status(), rejection.body_text())
    }
}

/// A JSON body whose mistakes are told as problems.
#[derive(Debug, FromRequest)]
#[from_request(via(Json), rejection(HttpProblem))]
pub(super) struct Body<T>(pub(super) T);

/// A path whose mistakes are told as problems.
#[derive(Debug, FromRequestParts)]
#[from_request(via(axum::extract::Path), rejection(HttpProblem))]
pub(super) struct Path<T>(pub(super) T);

/// Nothing is there.
pub(super) async fn wrong_path() -> HttpProblem {
    HttpProblem::new(StatusCode::NOT_FOUND, "there is no such resource")
}

/// Something is there that does not do this.
pub(super) async fn wrong_method() -> HttpProblem {
    HttpProblem::new(
        StatusCode::METHOD_NOT_ALLOWED,
        "the resource has no such method",
    )
}
