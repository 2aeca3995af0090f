//! Pages for browsers, made from what the other resources give as JSON. They are no part of the document of
//! the interface: what they look like may change.
//!
//! Whoever may ask the resources may look at the pages; the forms go to the same engine by the same rules
//! ([`rights`](super::rights)), and only when they come from a page that was made for this visitor ([`Sent`]).
//! *Never* may a foreign text run as a script: templates escape, and the policy of each answer
//! (W3C, Content Security Policy Level 3) allows no script but ours.

mod alter;
mod entry;
mod followed;
mod headers;
mod now;
mod records;
mod sent;

use axum::Router;
use axum::middleware::from_fn;
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use jiff::tz::TimeZone;

use super::Desk;
use super::door::Peer;
use super::gate::{SIGN_IN, Visitor};
use super::problem::HttpProblem;
use crate::report::{RenderPageError, Style};

pub(in crate::service) use followed::Followed;
use sent::Sent;

/// Pages have no columns; what is laid out in columns is laid out for so many.
const WIDTH: u16 = 100;

/// A page, or what is wrong.
type Shown = Result<Html<String>, HttpProblem>;
/// Where the browser goes after a form was taken, or what is wrong with it.
type Done = Result<Redirect, HttpProblem>;

/// All pages, with the forms that they send.
pub(super) fn routes() -> Router<Desk> {
    Router::new()
        .route("/", get(now::show))
        .route("/live", get(now::live))
        .route("/page.js", get(now::script))
        .route("/runs", get(records::runs))
        .route("/runs/{run}", get(records::run))
        .route("/runs/{run}/stop", get(alter::ask_stop).post(alter::stop))
        .route("/runs/{run}/note", get(alter::ask_note).post(alter::note))
        .route("/ledger", get(records::ledger))
        .route("/machine", get(records::machine))
        .route("/start", get(alter::ask_start).post(alter::start))
        .route("/queue", get(records::queue).post(alter::queue))
        .route("/queue/{job}", post(alter::job))
        .route(SIGN_IN, get(entry::ask).post(entry::sign_in))
        .route("/sign-out", post(entry::sign_out))
        .layer(from_fn(headers::dress))
}

/// Times are told in the zone of the machine.
fn style() -> Style {
    Style::new(false, WIDTH).in_zone(TimeZone::system())
}

fn shown(page: Result<String, RenderPageError>) -> Shown {
    Ok(Html(page?))
}

/// Goes on at `path`, by GET (RFC 9110 section 15.4.4).
fn go_on(path: &str) -> Done {
    Ok(Redirect::to(path))
}

fn with_cookie(mut response: Response, cookie: Option<String>) -> Result<Response, HttpProblem> {
    if let Some(cookie) = cookie {
        let value = cookie.parse().map_err(|error| HttpProblem::inner(&error))?;
        let headers = response.headers_mut();
        headers.insert(axum::http::header::SET_COOKIE, value);
    }
    Ok(response.into_response())
}
