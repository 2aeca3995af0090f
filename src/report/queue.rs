//! The queue: what runs, what waits and why, what became of the rest.

use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::json::value;
use super::page::{Flush, Page, Style};
use super::units::span;
use crate::model::{Hold, Job, JobId, JobState};

/// Names the form of [`queue_json`].
pub const QUEUE_SCHEMA: &str = "soakproof.queue/1";
/// Jobs that are over and shown in text; JSON has all.
const ENDED_SHOWN: usize = 5;

/// The queue as it is shown.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, utoipa::ToSchema)]
pub struct QueueView {
    /// Why nothing starts, where that is so.
    pub holds: Vec<Hold>,
    /// The start that was announced.
    pub notice: Option<StartNotice>,
    /// All jobs: those that do not wait in order of their numbers, then those that wait in their order.
    pub jobs: Vec<JobLine>,
}

/// A start that was announced.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct StartNotice {
    /// The job.
    pub job: JobId,
    /// Seconds until it starts.
    pub starts_in_s: u64,
}

/// One job of a list.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct JobLine {
    /// The job.
    pub job: Job,
    /// Place among those that wait, from 1.
    pub place: Option<usize>,
    /// What it waits for, as phrases.
    pub waits: Vec<String>,
}

/// The queue for people. `served` tells whether a service is there to start anything.
pub fn queue_text(view: &QueueView, served: bool, style: Style) -> String {
    let mut page = Page::new(&style);
    for hold in &view.holds {
        page.plain(&format!("Nothing starts: {}.", hold.reason));
    }
    if let Some(notice) = view.notice {
        page.plain(&format!(
            "Job {} starts in {} s; `soakproof queue cancel {}` takes it out.",
            notice.job, notice.starts_in_s, notice.job
        ));
    }
    let over: Vec<&JobLine> = view
        .jobs
        .iter()
        .filter(|line| line.job.state.is_over())
        .collect();
    let skipped = over.len().saturating_sub(ENDED_SHOWN);
    let live = view.jobs.iter().filter(|line| !line.job.state.is_over());
    let shown: Vec<&JobLine> = over.iter().skip(skipped).copied().chain(live).collect();
    if shown.is_empty() {
        page.plain("No job is in the queue.");
        return page.finish();
    }
    let rows: Vec<Vec<String>> = shown.iter().map(|line| row(line, view)).collect();
    page.table(
        &[
            ("job", Flush::Right),
            ("suite", Flush::Left),
            ("length", Flush::Right),
            ("asked by", Flush::Left),
            ("state", Flush::Left),
        ],
        &rows,
    );
    let waiting = shown.iter().any(|line| line.job.state == JobState::Waiting);
    if !served && waiting {
        page.plain("No service runs; nothing starts before `soakproof serve` does.");
    }
    page.finish()
}

fn row(line: &JobLine, view: &QueueView) -> Vec<String> {
    let job = &line.job;
    #[expect(clippy::cast_precision_loss, reason = "shown in minutes or hours")]
    let length = span(job.length_s as f64);
    vec![
        job.id.to_string(),
        job.wish.suite.clone(),
        length,
        job.asked_by.clone(),
        state_words(line, view),
    ]
}

fn state_words(line: &JobLine, view: &QueueView) -> String {
    let of_run = |run: &Option<i64>| run.map_or_else(String::new, |run| format!(" in run {run}"));
    match &line.job.state {
        JobState::Waiting if view.notice.is_some_and(|notice| notice.job == line.job.id) => {
            "about to start".to_owned()
        }
        JobState::Waiting if line.waits.is_empty() => "is next when its turn comes".to_owned(),
        JobState::Waiting => format!("waits: {}", line.waits.join("; ")),
        JobState::Running { run } => format!("runs{}", of_run(run).replacen(" in", " as", 1)),
        JobState::Done { run, grade } => {
            let grade = grade.map_or_else(|| "not judged".to_owned(), |grade| grade.to_string());
            format!("{grade}, run {run}")
        }
        JobState::Cancelled => "cancelled".to_owned(),
        JobState::CutShort { run } => format!("cut short{}", of_run(run)),
        JobState::Dropped { why } => format!("not run: {why}"),
    }
}

/// `soakproof.queue/1`: `holds`, `notice`, `jobs` as in [`QueueView`].
pub fn queue_json(view: &QueueView) -> Value {
    let mut json = value(view);
    json["schema"] = QUEUE_SCHEMA.into();
    json
}
