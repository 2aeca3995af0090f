//! Where a visit begins and ends.

use axum::Extension;
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Redirect, Response};

use super::sent::Unproved;
use super::{HttpProblem, Peer, SIGN_IN, Sent, Visitor, with_cookie};
use crate::report::sign_in_page;
use crate::service::http::visits::VISIT_LASTS;

fn page(problem: Option<&HttpProblem>) -> Result<Html<String>, HttpProblem> {
    let hours = VISIT_LASTS.as_secs() / 3600;
    let problem = problem.map(|problem| problem.words().1);
    Ok(Html(sign_in_page(problem, hours)?))
}

/// The form; not for those who are in already.
pub(super) async fn ask(Extension(visitor): Extension<Visitor>) -> Result<Response, HttpProblem> {
    if visitor.site().proof.is_some() {
        return Ok(Redirect::to("/").into_response());
    }
    Ok(page(None)?.into_response())
}

/// Begins a visit.
pub(super) async fn sign_in(
    Extension(visitor): Extension<Visitor>,
    Extension(peer): Extension<Peer>,
    Unproved(fields): Unproved,
) -> Result<Response, HttpProblem> {
    let from = match peer {
        Peer::Local { .. } => None,
        Peer::Remote(address) => Some(address.ip()),
    };
    match visitor.sign_in(from, fields.text("token")) {
        Ok(cookie) => with_cookie(Redirect::to("/").into_response(), cookie),
        Err(problem) => {
            let mut response = page(Some(&problem))?.into_response();
            *response.status_mut() = problem.into_response().status();
            if response.status() == StatusCode::TOO_MANY_REQUESTS {
                let wait = axum::http::HeaderValue::from_static("60");
                response
                    .headers_mut()
                    .insert(axum::http::header::RETRY_AFTER, wait);
            }
            Ok(response)
        }
    }
}

/// Ends the visit.
pub(super) async fn sign_out(
    Extension(visitor): Extension<Visitor>,
    Sent(_): Sent,
) -> Result<Response, HttpProblem> {
    with_cookie(Redirect::to(SIGN_IN).into_response(), visitor.sign_out())
}
