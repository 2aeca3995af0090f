//! The list of runs.

use serde_json::{Value, json};

use super::json::{RUNS_SCHEMA, value};
use super::page::{Flush, Page, Style};
use super::units::{count, instant, rfc3339, span};
use crate::model::{Grade, Wall};

/// One run of a list; made by the caller from wherever runs are kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RunLine {
    /// Number in the store.
    pub number: i64,
    /// Globally unique id.
    pub id: String,
    /// Name of the suite.
    pub suite: String,
    /// Host name.
    pub host: String,
    /// Start.
    pub started: Wall,
    /// End, once there is one.
    pub ended: Option<Wall>,
    /// Grade, once there is one.
    pub grade: Option<Grade>,
    /// Findings.
    pub findings: u64,
    /// True when it did not run on a real machine.
    pub simulated: bool,
}

/// A table of runs, in the order given.
pub fn runs_text(runs: &[RunLine], style: Style) -> String {
    let mut page = Page::new(&style);
    if runs.is_empty() {
        page.plain("No run is on record yet.");
        return page.finish();
    }
    let rows: Vec<Vec<String>> = runs.iter().map(|run| row(run, &style)).collect();
    page.table(
        &[
            ("run", Flush::Right),
            ("began", Flush::Left),
            ("length", Flush::Right),
            ("outcome", Flush::Left),
            ("findings", Flush::Right),
            ("suite and host", Flush::Left),
        ],
        &rows,
    );
    page.finish()
}

fn row(run: &RunLine, style: &Style) -> Vec<String> {
    vec![
        run.number.to_string(),
        instant(run.started, &style.zone),
        run.length_words(),
        run.outcome_words(),
        count(run.findings),
        run.what_words(),
    ]
}

impl RunLine {
    pub(super) fn outcome_words(&self) -> String {
        let grade = self.grade.map(|grade| grade.to_string());
        grade.unwrap_or_else(|| "not judged".to_owned())
    }

    pub(super) fn what_words(&self) -> String {
        let simulated = if self.simulated { " (simulated)" } else { "" };
        format!("{} on {}{simulated}", self.suite, self.host)
    }

    pub(super) fn length_words(&self) -> String {
        let length = self.ended.map(|ended| length_words(self.started, ended));
        length.unwrap_or_else(|| "open".to_owned())
    }
}

/// From wall times: good enough for a list, and it says so when a clock was set back.
fn length_words(started: Wall, ended: Wall) -> String {
    let ms = ended.0.saturating_sub(started.0);
    if ms < 0 {
        return "clock set".to_owned();
    }
    #[expect(clippy::cast_precision_loss, reason = "shown in seconds or minutes")]
    let seconds = ms as f64 / 1000.0;
    span(seconds)
}

/// `soakproof.runs/1`: `runs`, a list of `number`, `id`, `suite`, `host`, `started`, `ended` (null while
/// open), `grade` (null before it is judged), `findings` (count), `simulated`.
pub fn runs_json(runs: &[RunLine]) -> Value {
    let list: Vec<Value> = runs
        .iter()
        .map(|run| {
            json!({
                "number": run.number,
                "id": run.id,
                "suite": run.suite,
                "host": run.host,
                "started": rfc3339(run.started),
                "ended": run.ended.and_then(rfc3339),
                "grade": run.grade.map(|grade| value(&grade)),
                "findings": run.findings,
                "simulated": run.simulated,
            })
        })
        .collect();
    json!({ "schema": RUNS_SCHEMA, "runs": list })
}
