//! What a person elsewhere is told: one event of a run or of the queue, in words and with its run.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::time::Wall;
use super::verdict::Grade;

/// What is told. The names are event types in the form of Standard Webhooks 1.0: words joined by a
/// full stop.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum NoticeEvent {
    /// A run began.
    #[serde(rename = "run.started")]
    RunStarted,
    /// A run has a verdict, the first or a revised one.
    #[serde(rename = "run.finished")]
    RunFinished,
    /// The first finding of a run.
    #[serde(rename = "finding.first")]
    FirstFinding,
    /// The guard stopped the load.
    #[serde(rename = "guard.stopped")]
    GuardStopped,
    /// The machine had gone down in mid-run.
    #[serde(rename = "reset.discovered")]
    ResetDiscovered,
    /// Nothing is left to be done.
    #[serde(rename = "queue.empty")]
    QueueEmpty,
    /// The machine runs hotter than it did under the same suite.
    #[serde(rename = "cooling.worse")]
    CoolingWorse,
    /// A person tries out whether notices arrive.
    #[serde(rename = "notice.test")]
    Test,
}

impl NoticeEvent {
    /// The events that can be chosen, in the order in which they are listed.
    pub const CHOICES: [Self; 7] = [
        Self::RunStarted,
        Self::RunFinished,
        Self::FirstFinding,
        Self::GuardStopped,
        Self::ResetDiscovered,
        Self::QueueEmpty,
        Self::CoolingWorse,
    ];

    /// Its name, as in the JSON form.
    pub fn name(self) -> &'static str {
        match self {
            Self::RunStarted => "run.started",
            Self::RunFinished => "run.finished",
            Self::FirstFinding => "finding.first",
            Self::GuardStopped => "guard.stopped",
            Self::ResetDiscovered => "reset.discovered",
            Self::QueueEmpty => "queue.empty",
            Self::CoolingWorse => "cooling.worse",
            Self::Test => "notice.test",
        }
    }
}

impl fmt::Display for NoticeEvent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// How soon a person should look.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Urgency {
    /// Whenever.
    Low,
    /// In the morning.
    Normal,
    /// Now.
    High,
}

/// The run that a notice is about.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct NoticeRun {
    /// Number in the store of its machine.
    pub number: i64,
    /// Globally unique id.
    pub id: String,
    /// Name of the suite.
    pub suite: String,
    /// Grade, once there is one.
    pub grade: Option<Grade>,
}

/// One thing to tell.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Notice {
    /// What happened.
    #[serde(rename = "type")]
    pub event: NoticeEvent,
    /// When.
    pub at: Wall,
    /// Host name of the machine.
    pub host: String,
    /// True when it did not happen on a real machine.
    pub simulated: bool,
    /// One short line.
    pub title: String,
    /// A few sentences.
    pub text: String,
    /// How soon a person should look.
    pub urgency: Urgency,
    /// The run, where it is about one.
    pub run: Option<NoticeRun>,
}
