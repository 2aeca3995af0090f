//! Pages for browsers, made from what the other resources give as JSON. They are no part of the document of
//! the interface: what they look like may change.
//!
//! Whoever may ask the resources may look at the pages; the forms go to the same engine by the same rules
//! ([`rights`](super::rights)), and only when they come from a page that was made for this visitor ([`Sent`]).
//! *Never* may a foreign text run as a script: templates escape, and the policy of each answer
//! (W3C, Content Security Policy Level 3) allows no script but ours.

mod alter;
mod followed;
mod now;
mod records;

use axum::Router;
use axum::middleware::from_fn;
use axum::response::{Html, Redirect};
use axum::routing::{get, post};

use super::Desk;
use crate::report::{RenderPageError, SERVICE_PAGES};
use crate::web::{
    House, HttpProblem, SIGN_IN, Visitor, ask_in, dress, page_script, sign_in, sign_out,
};

pub(in crate::service) use followed::Followed;

/// How its visitors are known, and where they can go.
pub(in crate::service) const HOUSE: House = House {
    cookie: "soakproof-visit",
    pages: SERVICE_PAGES,
};

/// A page, or what is wrong.
type Shown = Result<Html<String>, HttpProblem>;
/// Where the browser goes after a form was taken, or what is wrong with it.
type Done = Result<Redirect, HttpProblem>;

/// All pages, with the forms that they send.
pub(super) fn routes() -> Router<Desk> {
    Router::new()
        .route("/", get(now::show))
        .route("/live", get(now::live))
        .route("/page.js", get(page_script))
        .route("/runs", get(records::runs))
        .route("/runs/{run}", get(records::run))
        .route("/runs/{run}/stop", get(alter::ask_stop).post(alter::stop))
        .route("/runs/{run}/note", get(alter::ask_note).post(alter::note))
        .route("/ledger", get(records::ledger))
        .route("/machine", get(records::machine))
        .route("/start", get(alter::ask_start).post(alter::start))
        .route("/queue", get(records::queue).post(alter::queue))
        .route("/queue/{job}", post(alter::job))
        .route(SIGN_IN, get(ask_in).post(sign_in))
        .route("/sign-out", post(sign_out))
        .layer(from_fn(dress))
}

fn shown(page: Result<String, RenderPageError>) -> Shown {
    Ok(Html(page?))
}

/// Goes on at `path`, by GET (RFC 9110 section 15.4.4).
fn go_on(path: &str) -> Done {
    Ok(Redirect::to(path))
}
