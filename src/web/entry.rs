//! Where a visit begins and ends.

use axum::Extension;
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Redirect, Response};

use super::door::Peer;
use super::gate::{SIGN_IN, Visitor};
use super::problem::HttpProblem;
use super::sent::{Sent, Unproved};
use super::visits::VISIT_LASTS;
use crate::report::sign_in_page;

fn page(problem: Option<&HttpProblem>) -> Result<Html<String>, HttpProblem> {
    let hours = VISIT_LASTS.as_secs() / 3600;
    let problem = problem.map(|problem| problem.words().1);
    Ok(Html(sign_in_page(problem, hours)?))
}

/// The form; not for those who are in already.
pub(crate) async fn ask_in(
    Extension(visitor): Extension<Visitor>,
) -> Result<Response, HttpProblem> {
    if visitor.site().proof.is_some() {
        return Ok(Redirect::to("/").into_response());
    }
    Ok(page(None)?.into_response())
}

/// Begins a visit.
pub(crate) async fn sign_in(
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
pub(crate) async fn sign_out(
    Extension(visitor): Extension<Visitor>,
    Sent(_): Sent,
) -> Result<Response, HttpProblem> {
    let response = Redirect::to(SIGN_IN).into_response();
    with_cookie(response, visitor.sign_out())
}

fn with_cookie(mut response: Response, cookie: Option<String>) -> Result<Response, HttpProblem> {
    if let Some(cookie) = cookie {
        let value = cookie.parse().map_err(|error| HttpProblem::inner(&error))?;
        let headers = response.headers_mut();
        headers.insert(axum::http::header::SET_COOKIE, value);
    }
    Ok(response)
}
