//! One line that says how a run is going.

use std::time::Duration;

use super::page::escape;
use super::units::{counted, figure, span};
use crate::model::CpuId;

/// Most CPUs named one by one.
const NAMED: usize = 4;

/// What a CPU is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum CoreState {
    /// It shows no progress.
    Silent,
    /// Its worker has ended.
    Ended,
    /// It computes.
    Working,
    /// The rhythm has it pause.
    Pausing,
    /// Nothing is planned for it now.
    Idle,
}

/// One CPU in the line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CoreProgress {
    /// Which.
    pub cpu: CpuId,
    /// What it does.
    pub state: CoreState,
    /// Wrong answers and memory faults of it.
    pub errors: u64,
}

/// How a run is going at one instant.
#[derive(Debug, Clone, PartialEq)]
pub struct Progress {
    /// Stage, from 1.
    pub stage: usize,
    /// Number of stages.
    pub stages: usize,
    /// Name of the stage.
    pub name: String,
    /// Time left in the stage.
    pub stage_left: Duration,
    /// Time left in all.
    pub left: Duration,
    /// CPUs.
    pub cores: Vec<CoreProgress>,
    /// Label and degrees Celsius of the hottest reading.
    pub hottest: Option<(String, f64)>,
    /// Wrong answers and memory faults in all.
    pub errors: u64,
}

/// The line, without a line break at its end.
pub fn progress_line(progress: &Progress) -> String {
    let mut parts = vec![format!(
        "stage {}/{} {}",
        progress.stage,
        progress.stages,
        escape(&progress.name)
    )];
    parts.push(format!(
        "{} left of it, {} in all",
        span(progress.stage_left.as_secs_f64()),
        span(progress.left.as_secs_f64())
    ));
    parts.push(cores_words(&progress.cores));
    parts.push(progress.hottest.as_ref().map_or_else(
        || "no temperature".to_owned(),
        |(label, celsius)| format!("{} {} C", escape(label), figure(*celsius, 1)),
    ));
    parts.push(errors_words(progress));
    parts.join(" | ")
}

fn cores_words(cores: &[CoreProgress]) -> String {
    let states = [
        (CoreState::Working, "at work"),
        (CoreState::Pausing, "pausing"),
        (CoreState::Idle, "idle"),
        (CoreState::Silent, "silent"),
        (CoreState::Ended, "ended"),
    ];
    let mut words = Vec::new();
    for (state, name) in states {
        let cpus: Vec<CpuId> = cores
            .iter()
            .filter(|core| core.state == state)
            .map(|core| core.cpu)
            .collect();
        if cpus.is_empty() {
            continue;
        }
        let which = match state {
            CoreState::Silent | CoreState::Ended => format!(" ({})", named(&cpus)),
            CoreState::Working | CoreState::Pausing | CoreState::Idle => String::new(),
        };
        words.push(format!("{} {name}{which}", cpus.len()));
    }
    if words.is_empty() {
        "no worker".to_owned()
    } else {
        words.join(", ")
    }
}

fn named(cpus: &[CpuId]) -> String {
    let mut words: Vec<String> = cpus.iter().take(NAMED).map(ToString::to_string).collect();
    if cpus.len() > NAMED {
        words.push(format!("{} more", cpus.len() - NAMED));
    }
    words.join(", ")
}

fn errors_words(progress: &Progress) -> String {
    if progress.errors == 0 {
        return "nothing wrong".to_owned();
    }
    let wrong: Vec<CpuId> = progress
        .cores
        .iter()
        .filter(|core| core.errors > 0)
        .map(|core| core.cpu)
        .collect();
    let which = if wrong.is_empty() {
        String::new()
    } else {
        format!(" ({})", named(&wrong))
    };
    let errors = counted(progress.errors, "ERROR", "ERRORS");
    format!("{errors}{which}")
}
