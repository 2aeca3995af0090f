//! Jobs of the queue: what is to be run, under which conditions, who asked, and what became of it.

use serde::{Deserialize, Serialize};

use super::record::Declared;
use super::time::Wall;
use super::verdict::Grade;

/// Number of a job in its store, from 1.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Default,
    Serialize,
    Deserialize,
    utoipa::ToSchema,
)]
pub struct JobId(pub i64);

impl std::fmt::Display for JobId {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}

/// A suite, and what the person declares about the machine: everything that a run needs to be told.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, utoipa::ToSchema)]
pub struct RunWish {
    /// Name of a built-in suite, or of the file that `text` was read from.
    pub suite: String,
    /// Whole text of a suite that is not built in.
    pub text: Option<String>,
    /// Settings and words that go into the record.
    pub declared: Declared,
    /// The maker's temperature limit in degrees Celsius, where the person entered one.
    pub maker_limit_c: Option<f64>,
    /// A long suite may start although no processor temperature can be read.
    pub without_thermometer: bool,
}

/// A time of day in minutes since midnight, 0 to 1439.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, utoipa::ToSchema,
)]
pub struct TimeOfDay(pub u16);

impl std::fmt::Display for TimeOfDay {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:02}:{:02}", self.0 / 60, self.0 % 60)
    }
}

/// The part of each day within which a job may run; it passes midnight where `until` is not after
/// `from`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Window {
    /// Earliest start.
    pub from: TimeOfDay,
    /// Latest end.
    pub until: TimeOfDay,
    /// Zone of both (IANA name or POSIX `TZ` text); none means that of the machine.
    pub zone: Option<String>,
}

impl Window {
    /// Length on a day without a change of the clocks, in minutes.
    pub fn minutes(&self) -> u32 {
        let (from, until) = (u32::from(self.from.0), u32::from(self.until.0));
        if until > from {
            until - from
        } else {
            until + 24 * 60 - from
        }
    }
}

/// What must hold before a job may start; without any it starts when its turn comes.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Conditions {
    /// Not before this instant.
    pub not_before: Option<Wall>,
    /// Only where the whole suite fits into this part of a day.
    pub window: Option<Window>,
    /// Only when the machine has been idle for this many seconds.
    pub idle_s: Option<u64>,
    /// Only once the machine has been started again after a declared change.
    pub after_change: bool,
    /// Also a long suite at settings whose recheck has not shown them clean.
    pub unchecked: bool,
}

/// Why a job is in the queue.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "kebab-case", tag = "by")]
pub enum Origin {
    /// A person asked.
    Person,
    /// An entry of the schedule came due.
    Schedule {
        /// Its name.
        entry: String,
        /// When it was due.
        due: Wall,
    },
    /// A declared change is to be rechecked.
    AfterChange {
        /// Id of the change.
        change: String,
    },
}

/// What became of a job.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "kebab-case", tag = "is")]
pub enum JobState {
    /// In the queue.
    Waiting,
    /// Started.
    Running {
        /// Number of its run, once it has one.
        run: Option<i64>,
    },
    /// Its run has ended.
    Done {
        /// Number of the run.
        run: i64,
        /// The run's grade.
        grade: Option<Grade>,
    },
    /// Taken out by a person.
    Cancelled,
    /// The service or the machine went down while it ran. It is never started again by itself.
    CutShort {
        /// Number of its run, where it had one.
        run: Option<i64>,
    },
    /// Given up without a run.
    Dropped {
        /// Why, for people.
        why: String,
    },
}

impl JobState {
    /// True when nothing more will come of it.
    pub fn is_over(&self) -> bool {
        !matches!(self, Self::Waiting | Self::Running { .. })
    }
}

/// One job of the queue.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Job {
    /// Its number.
    pub id: JobId,
    /// What to run.
    pub wish: RunWish,
    /// Planned length of the suite in seconds.
    pub length_s: u64,
    /// When it may start.
    pub conditions: Conditions,
    /// Higher ones go first; 0 is usual.
    pub priority: i8,
    /// Place among jobs of one priority; lower ones go first.
    pub rank: i64,
    /// Why it is in the queue.
    pub origin: Origin,
    /// Who asked, as far as known.
    pub asked_by: String,
    /// When.
    pub asked_at: Wall,
    /// How often it was started.
    pub starts: u32,
    /// What became of it.
    pub state: JobState,
}

impl Job {
    /// True where nobody may be looking when it starts: it gets a notice first.
    pub fn is_unattended(&self) -> bool {
        let conditions = &self.conditions;
        self.origin != Origin::Person
            || conditions.not_before.is_some()
            || conditions.window.is_some()
            || conditions.idle_s.is_some()
            || conditions.after_change
    }

    /// True where nobody named a time for it: the service itself chose.
    pub fn is_automatic(&self) -> bool {
        self.origin != Origin::Person || self.conditions.after_change
    }
}

/// An entry of the schedule in the configuration.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct ScheduleEntry {
    /// Unique name.
    pub name: String,
    /// Calendar expression of five fields (minute, hour, day of month, month, day of week), after the
    /// Open Cron Pattern Specification 1.4, which contains that of POSIX `crontab`.
    pub when: String,
    /// Zone of `when` (IANA name or POSIX `TZ` text); none means that of the machine.
    pub zone: Option<String>,
    /// What to run.
    pub wish: RunWish,
    /// Further conditions.
    pub conditions: Conditions,
    /// Priority of its jobs.
    pub priority: i8,
}

/// What the service starts by itself after a declared change.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RecheckPolicy {
    /// Off: never by itself.
    pub enabled: bool,
    /// Suite to run.
    pub suite: String,
}

impl Default for RecheckPolicy {
    fn default() -> Self {
        Self {
            enabled: true,
            suite: "recheck".to_owned(),
        }
    }
}

/// Why nothing may start from the queue.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, utoipa::ToSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum HoldKind {
    /// A person paused the queue.
    Paused,
    /// A run was cut short by a reset; held until a person releases it.
    AfterReset,
    /// `soakproof.hold` stands on the kernel command line.
    KernelCommandLine,
    /// A hold file is there.
    HoldFile,
    /// The queue cannot be written down.
    Storage,
}

/// A reason why nothing starts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Hold {
    /// Which.
    pub kind: HoldKind,
    /// Since when.
    pub since: Wall,
    /// More, for people.
    pub reason: String,
}

/// What the queue remembers besides its jobs, each under its own name.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "mark")]
pub enum QueueMark {
    /// The queue is held.
    Held(Hold),
    /// An entry of the schedule was handled up to this instant.
    Due {
        /// Name of the entry.
        entry: String,
        /// Instant.
        until: Wall,
    },
    /// Automatic starts that a change has used up.
    Automatic {
        /// Id of the change.
        change: String,
        /// How many.
        starts: u32,
    },
    /// Resets up to this run were answered by a hold.
    ResetsSeen {
        /// Number of the run.
        run: i64,
    },
}

impl QueueMark {
    /// The name under which it is kept; a later mark of the same name replaces an earlier one.
    pub fn name(&self) -> String {
        match self {
            Self::Held(hold) => hold_name(hold.kind),
            Self::Due { entry, .. } => format!("due {entry}"),
            Self::Automatic { change, .. } => format!("automatic {change}"),
            Self::ResetsSeen { .. } => "resets seen".to_owned(),
        }
    }
}

/// The name under which a hold is kept.
pub fn hold_name(kind: HoldKind) -> String {
    format!("held {kind:?}")
}

/// One alteration of the queue. Several together are written whole or not at all.
#[derive(Debug, Clone, PartialEq)]
pub enum QueueChange {
    /// This job is so from now on (new ones too).
    Put(Box<Job>),
    /// Remember this.
    Mark(QueueMark),
    /// Forget the mark of this name.
    Forget(String),
}

/// The queue as it stands.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Queue {
    /// All jobs known, in order of their numbers.
    pub jobs: Vec<Job>,
    /// What is remembered besides.
    pub marks: Vec<QueueMark>,
}

impl Queue {
    /// Makes `change`, which is on disk already.
    pub fn apply(&mut self, change: &QueueChange) {
        match change {
            QueueChange::Put(job) => {
                match self.jobs.binary_search_by_key(&job.id, |known| known.id) {
                    Ok(place) => self.jobs[place] = (**job).clone(),
                    Err(place) => self.jobs.insert(place, (**job).clone()),
                }
            }
            QueueChange::Mark(mark) => {
                let name = mark.name();
                self.marks.retain(|known| known.name() != name);
                self.marks.push(mark.clone());
            }
            QueueChange::Forget(name) => self.marks.retain(|known| known.name() != *name),
        }
    }

    /// The job of this number.
    pub fn job(&self, id: JobId) -> Option<&Job> {
        self.jobs.iter().find(|job| job.id == id)
    }

    /// Waiting jobs in their order.
    pub fn waiting(&self) -> Vec<&Job> {
        let mut waiting: Vec<&Job> = self
            .jobs
            .iter()
            .filter(|job| job.state == JobState::Waiting)
            .collect();
        waiting.sort_by_key(|job| (std::cmp::Reverse(job.priority), job.rank, job.id));
        waiting
    }

    /// Remembered holds.
    pub fn holds(&self) -> Vec<Hold> {
        let holds = self.marks.iter().filter_map(|mark| match mark {
            QueueMark::Held(hold) => Some(hold.clone()),
            QueueMark::Due { .. } | QueueMark::Automatic { .. } | QueueMark::ResetsSeen { .. } => {
                None
            }
        });
        holds.collect()
    }

    /// Number for the next job, never used before.
    pub fn next_id(&self) -> JobId {
        JobId(self.jobs.last().map_or(1, |job| job.id.0 + 1))
    }
}
