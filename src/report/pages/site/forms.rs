//! Pages with a form of their own, and what is said when one is refused.

use std::time::Duration;

use serde_json::{Value, json};

use super::super::frame::{RenderPageError, render};
use super::visit::Site;
use crate::report::units::span;

/// A suite that can be chosen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SuiteLine {
    /// By which it is called.
    pub name: String,
    /// Planned length.
    pub length: Duration,
    /// What it is for.
    pub about: String,
}

/// What to run, with the usual cautions.
///
/// # Errors
/// A mistake in a template of ours.
pub fn start_page(suites: &[SuiteLine], site: &Site) -> Result<String, RenderPageError> {
    let row = |suite: &SuiteLine| {
        json!({
            "name": suite.name,
            "length": span(suite.length.as_secs_f64()),
            "about": suite.about,
        })
    };
    let values = json!({ "suites": suites.iter().map(row).collect::<Vec<Value>>() });
    render("start.html", &site.around("/start", values))
}

/// Whether a run shall end.
///
/// # Errors
/// A mistake in a template of ours.
pub fn stop_page(run: i64, site: &Site) -> Result<String, RenderPageError> {
    render("stop.html", &site.around("", json!({ "run": run })))
}

/// A word on a run.
///
/// # Errors
/// A mistake in a template of ours.
pub fn note_page(run: i64, site: &Site) -> Result<String, RenderPageError> {
    render("note.html", &site.around("", json!({ "run": run })))
}

/// The way in, with what was wrong with the last try. A visit lasts `hours` after its last request.
///
/// # Errors
/// A mistake in a template of ours.
pub fn sign_in_page(problem: Option<&str>, hours: u64) -> Result<String, RenderPageError> {
    let values = json!({ "problem": problem, "hours": hours });
    render("sign-in.html", &Site::outside(values))
}

/// What could not be done; without links for someone who was not let in.
///
/// # Errors
/// A mistake in a template of ours.
pub fn problem_page(
    (title, detail): (&str, &str),
    site: Option<&Site>,
) -> Result<String, RenderPageError> {
    let values = json!({ "title": title, "detail": detail });
    let values = match site {
        Some(site) => site.around("", values),
        None => Site::outside(values),
    };
    render("problem.html", &values)
}
