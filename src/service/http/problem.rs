//! Errors as problem details (RFC 9457): `application/problem+json` with `title` (the phrase of the
//! status), `status` and `detail`. The chain of causes goes to the log, not to the client.

use axum::Json;
use axum::extract::rejection::{JsonRejection, PathRejection, QueryRejection};
use axum::extract::{FromRequest, FromRequestParts};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use serde_json::json;
use utoipa::ToSchema;

use crate::os;
use crate::service::action::Refusal;
use crate::service::agenda::RefuseJobError;
use crate::store::{FindRunError, OpenStoreError, ReadStoreError};

const PROBLEM: &str = "application/problem+json";

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

    /// Understood, and not to be done.
    pub(super) fn unfit(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, detail)
    }

    /// The engine has answered something else than it was asked: a defect of ours.
    pub(super) fn astray() -> Self {
        tracing::error!("the engine has answered something else than it was asked");
        Self::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "the service has answered something else than it was asked",
        )
    }

    /// Something of ours, or of the disk.
    pub(super) fn inner(error: &dyn std::error::Error) -> Self {
        tracing::error!(error = os::with_cause(error), "a request failed");
        Self::new(StatusCode::INTERNAL_SERVER_ERROR, error.to_string())
    }
}

/// A problem, as it travels (RFC 9457 section 3). Without `type` it is `about:blank`, and `title` is the
/// phrase of the status.
#[derive(Debug, Serialize, ToSchema)]
pub(super) struct Problem {
    /// Phrase of the status.
    title: String,
    /// Status code.
    status: u16,
    /// What went wrong, for people.
    detail: String,
}

impl Problem {
    fn new(status: StatusCode, detail: String) -> Self {
        Self {
            title: status.canonical_reason().unwrap_or("Error").to_owned(),
            status: status.as_u16(),
            detail,
        }
    }
}

impl IntoResponse for HttpProblem {
    fn into_response(self) -> Response {
        let body = Problem::new(self.status, self.detail);
        let kind = [(header::CONTENT_TYPE, PROBLEM)];
        let mut response = (self.status, kind, Json(body)).into_response();
        if self.status == StatusCode::UNAUTHORIZED {
            let scheme = HeaderValue::from_static("Bearer realm=\"soakproof\"");
            response
                .headers_mut()
                .insert(header::WWW_AUTHENTICATE, scheme);
        }
        response
    }
}

/// A problem as it goes over the wire, for a connection that has no request yet.
pub(super) fn raw_problem(status: StatusCode, detail: &str, more: &str) -> Vec<u8> {
    let body = json!(Problem::new(status, detail.to_owned())).to_string();
    format!(
        "HTTP/1.1 {} {}\r\n{more}connection: close\r\ncontent-type: {PROBLEM}\r\ncontent-length: {}\r\n\r\n{body}",
        status.as_u16(),
        status.canonical_reason().unwrap_or("Error"),
        body.len()
    )
    .into_bytes()
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
            Refusal::Unwell(_) | Refusal::Ending => StatusCode::SERVICE_UNAVAILABLE,
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

/// What a target asks behind its `?`, whose mistakes are told as problems.
#[derive(Debug, FromRequestParts)]
#[from_request(via(axum::extract::Query), rejection(HttpProblem))]
pub(super) struct Asked<T>(pub(super) T);

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
