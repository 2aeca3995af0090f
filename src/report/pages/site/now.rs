//! What is under way, or what comes next.

use serde_json::{Value, json};

use super::super::frame::{RenderPageError, render};
use super::queue::queue_values;
use super::visit::Site;
use crate::report::Style;
use crate::report::live::LiveView;
use crate::report::queue::QueueView;
use crate::report::runs::RunLine;
use crate::report::units::instant;

/// Without its script the page loads itself anew: soon during a run, seldom else.
const REFRESH_S: (u32, u32) = (10, 30);

/// The page of a run under way, or of what comes next. `last` is the newest run on record.
///
/// # Errors
/// A mistake in a template of ours.
pub fn now_page(
    live: Option<&LiveView>,
    (queue, last): (&QueueView, Option<&RunLine>),
    site: &Site,
    style: &Style,
) -> Result<String, RenderPageError> {
    let values = values(live, (queue, last), style);
    render("now.html", &site.around("/", values))
}

/// The part of the same page that changes, for its script.
///
/// # Errors
/// A mistake in a template of ours.
pub fn now_parts(
    live: Option<&LiveView>,
    (queue, last): (&QueueView, Option<&RunLine>),
    site: &Site,
    style: &Style,
) -> Result<String, RenderPageError> {
    let values = values(live, (queue, last), style);
    render("now-parts.html", &site.around("/", values))
}

fn values(
    live: Option<&LiveView>,
    (queue, last): (&QueueView, Option<&RunLine>),
    style: &Style,
) -> Value {
    let live = live.map(LiveView::values);
    let word = |key: &str| live.as_ref().and_then(|live| live[key].as_str());
    let now = match word("said") {
        Some(said) => {
            let run = live
                .as_ref()
                .map_or(Value::Null, |live| live["run"].clone());
            json!({
                "key": format!("run {run}"),
                "title": format!("Run {run}: {}", word("outlook").unwrap_or_default()),
                "said": said,
                "refresh_s": REFRESH_S.0,
            })
        }
        None => json!({
            "key": "idle",
            "title": "No run is under way",
            "said": match queue.notice {
                Some(notice) => format!("No run is under way; job {} is about to start.", notice.job),
                None => "No run is under way.".to_owned(),
            },
            "refresh_s": if queue.notice.is_some() { REFRESH_S.0 } else { REFRESH_S.1 },
        }),
    };
    let last = last.map(|run| {
        json!({
            "number": run.number,
            "suite": run.what_words(),
            "began": instant(run.started, &style.zone),
            "outcome": run.outcome_words(),
            "tone": run.grade.map_or_else(String::new, |grade| grade.to_string()),
        })
    });
    json!({ "now": now, "live": live, "last": last, "queue": queue_values(queue) })
}
