//! Errors as problem details (RFC 9457): `application/problem+json` with `title` (the phrase of the
//! status), `status` and `detail`. The chain of causes goes to the log, not to the client.

use axum::Json;
use axum::extract::rejection::{FormRejection, JsonRejection, PathRejection, QueryRejection};
use axum::extract::{FromRequest, FromRequestParts};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use serde_json::json;
use utoipa::ToSchema;

use crate::os;
use crate::report::RenderPageError;
use crate::store::{FindRunError, OpenStoreError, ReadStoreError};

const PROBLEM: &str = "application/problem+json";

/// What went wrong with a request.
#[derive(Debug, Clone)]
pub(crate) struct HttpProblem {
    status: StatusCode,
    detail: String,
}

impl HttpProblem {
    pub(crate) fn new(status: StatusCode, detail: impl Into<String>) -> Self {
        Self {
            status,
            detail: detail.into(),
        }
    }

    /// Understood, and not to be done.
    pub(crate) fn unfit(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, detail)
    }

    pub(crate) fn is_unauthorized(&self) -> bool {
        self.status == StatusCode::UNAUTHORIZED
    }

    /// Phrase of the status and what went wrong, for a page.
    pub(crate) fn words(&self) -> (&str, &str) {
        (
            self.status.canonical_reason().unwrap_or("Error"),
            &self.detail,
        )
    }

    /// Something of ours, or of the disk.
    pub(crate) fn inner(error: &dyn std::error::Error) -> Self {
        tracing::error!(error = os::with_cause(error), "a request failed");
        Self::new(StatusCode::INTERNAL_SERVER_ERROR, error.to_string())
    }
}

/// A problem, as it travels (RFC 9457 section 3). Without `type` it is `about:blank`, and `title` is the
/// phrase of the status.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Problem {
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
        let body = Problem::new(self.status, self.detail.clone());
        let kind = [(header::CONTENT_TYPE, PROBLEM)];
        let mut response = (self.status, kind, Json(body)).into_response();
        if self.status == StatusCode::UNAUTHORIZED {
            let scheme = HeaderValue::from_static("Bearer realm=\"soakproof\"");
            response
                .headers_mut()
                .insert(header::WWW_AUTHENTICATE, scheme);
        }
        // Pages tell the same in their own form.
        response.extensions_mut().insert(self);
        response
    }
}

/// A problem as it goes over the wire, for a connection that has no request yet.
pub(crate) fn raw_problem(status: StatusCode, detail: &str, more: &str) -> Vec<u8> {
    let body = json!(Problem::new(status, detail.to_owned())).to_string();
    format!(
        "HTTP/1.1 {} {}\r\n{more}connection: close\r\ncontent-type: {PROBLEM}\r\ncontent-length: {}\r\n\r\n{body}",
        status.as_u16(),
        status.canonical_reason().unwrap_or("Error"),
        body.len()
    )
    .into_bytes()
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

impl From<FormRejection> for HttpProblem {
    fn from(rejection: FormRejection) -> Self {
        Self::new(rejection.status(), rejection.body_text())
    }
}

impl From<RenderPageError> for HttpProblem {
    fn from(error: RenderPageError) -> Self {
        Self::inner(&error)
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
pub(crate) struct Body<T>(pub(crate) T);

/// A path whose mistakes are told as problems.
#[derive(Debug, FromRequestParts)]
#[from_request(via(axum::extract::Path), rejection(HttpProblem))]
pub(crate) struct Path<T>(pub(crate) T);

/// What a target asks behind its `?`, whose mistakes are told as problems.
#[derive(Debug, FromRequestParts)]
#[from_request(via(axum::extract::Query), rejection(HttpProblem))]
pub(crate) struct Asked<T>(pub(crate) T);

/// Nothing is there.
pub(crate) async fn wrong_path() -> HttpProblem {
    HttpProblem::new(StatusCode::NOT_FOUND, "there is no such resource")
}

/// Something is there that does not do this.
pub(crate) async fn wrong_method() -> HttpProblem {
    HttpProblem::new(
        StatusCode::METHOD_NOT_ALLOWED,
        "the resource has no such method",
    )
}
