//! The queue and the schedule.

use serde_json::{Value, json};

use super::super::frame::{RenderPageError, render};
use super::records::grid_values;
use super::visit::Site;
use crate::model::{Conditions, HoldKind, JobState, ScheduleEntry};
use crate::report::page::{Flush, Grid};
use crate::report::queue::{ENDED_SHOWN, JobLine, QueueView, length_words, state_words};

/// The page of the queue, with the schedule that fills it.
///
/// # Errors
/// A mistake in a template of ours.
pub fn queue_page(
    queue: &QueueView,
    schedule: &[ScheduleEntry],
    site: &Site,
) -> Result<String, RenderPageError> {
    let schedule = grid_values("Table of the schedule", &schedule_grid(schedule));
    let values = json!({ "queue": queue_values(queue), "schedule": schedule });
    render("queue.html", &site.around("/queue", values))
}

/// Holds, the announced start, jobs that wait (`jobs`), and with them the one that runs and the last ones that are
/// over (`all`).
pub(super) fn queue_values(queue: &QueueView) -> Value {
    let holds: Vec<&str> = queue
        .holds
        .iter()
        .map(|hold| hold.reason.as_str())
        .collect();
    let is_held = |kind: HoldKind| queue.holds.iter().any(|hold| hold.kind == kind);
    let notice = queue.notice.map(|notice| {
        // Minutes, not seconds, so that a page that is read aloud does not count down.
        let minutes = notice.starts_in_s.div_ceil(60);
        format!(
            "Job {} starts within {minutes} min, unless it is taken out.",
            notice.job
        )
    });
    let is_over = |line: &&JobLine| line.job.state.is_over();
    let over: Vec<&JobLine> = queue.jobs.iter().filter(is_over).collect();
    let over = over.iter().skip(over.len().saturating_sub(ENDED_SHOWN));
    let live: Vec<&JobLine> = queue.jobs.iter().filter(|line| !is_over(line)).collect();
    let waiting = live.iter().filter_map(|line| line.place).max();
    let row = |line: &JobLine| {
        let job = &line.job;
        json!({
            "id": job.id.0,
            "suite": job.wish.suite,
            "length": length_words(job),
            "by": job.asked_by,
            "state": state_words(line, queue),
            "place": line.place.filter(|_| job.state == JobState::Waiting),
            "last": line.place == waiting,
        })
    };
    json!({
        "holds": holds,
        "paused": is_held(HoldKind::Paused),
        "after_reset": is_held(HoldKind::AfterReset),
        "notice": notice,
        "jobs": live.iter().filter(|line| line.place.is_some()).map(|line| row(line)).collect::<Vec<Value>>(),
        "all": over.copied().chain(live.iter().copied()).map(row).collect::<Vec<Value>>(),
    })
}

fn schedule_grid(schedule: &[ScheduleEntry]) -> Grid {
    let row = |entry: &ScheduleEntry| {
        vec![
            entry.name.clone(),
            entry.wish.suite.clone(),
            entry.when.clone(),
            entry
                .zone
                .clone()
                .unwrap_or_else(|| "the machine's".to_owned()),
            conditions_words(&entry.conditions),
        ]
    };
    Grid {
        columns: vec![
            ("entry", Flush::Left),
            ("suite", Flush::Left),
            ("minute hour day month weekday", Flush::Left),
            ("zone", Flush::Left),
            ("only", Flush::Left),
        ],
        rows: schedule.iter().map(row).collect(),
    }
}

fn conditions_words(conditions: &Conditions) -> String {
    let mut words = Vec::new();
    if conditions.window.is_some() {
        words.push("within its window".to_owned());
    }
    if let Some(seconds) = conditions.idle_s {
        words.push(format!("after {} min of idleness", seconds.div_ceil(60)));
    }
    if conditions.after_change {
        words.push("after a change".to_owned());
    }
    words.join(", ")
}
