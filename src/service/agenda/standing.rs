//! Why each waiting job waits.

use std::time::Duration;

use super::calendar::Calendar;
use crate::model::{Hold, HoldKind, Job, JobId, Moment, Mono, Origin, Queue, RunWish, Wall};

/// A suite this long or longer runs only at settings that a recheck has shown clean.
const LONG_SUITE: Duration = Duration::from_secs(3600);
/// A job whose time passed this long before the service began is late: nobody expects it any more.
pub(super) const LATE: Duration = Duration::from_secs(15 * 60);

/// Spans that the person may set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Timing {
    /// How long a notice stands before a start that nobody may be looking at.
    pub notice: Duration,
    /// How long after boot nothing starts by itself.
    pub settle: Duration,
}

impl Default for Timing {
    fn default() -> Self {
        Self {
            notice: Duration::from_secs(180),
            settle: Duration::from_secs(180),
        }
    }
}

/// What goes on around the service.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Surroundings {
    /// Time since boot.
    pub since_boot: Duration,
    /// Nothing much else computes.
    pub load_is_low: bool,
    /// A person uses a session.
    pub session_in_use: bool,
    /// Since when both have been otherwise.
    pub idle_since: Option<Mono>,
}

/// A declared change that no run has judged yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PendingChange {
    /// Its id.
    pub id: String,
    /// The machine was started again since it was declared.
    pub booted: bool,
}

/// What the last recheck at the present settings came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Checked {
    /// There was none.
    Never,
    /// It found something, or did not come to its end.
    NotClean {
        /// Its run.
        run: i64,
    },
    /// It found nothing.
    Clean {
        /// Its run.
        run: i64,
    },
}

/// Everything besides the queue that decides what is next.
#[derive(Debug)]
pub struct World<'w> {
    /// The present.
    pub now: Moment,
    /// When the service began.
    pub began: Wall,
    /// Zones.
    pub calendar: &'w Calendar,
    /// A run is under way, here or in another process.
    pub loaded: bool,
    /// As read lately; none when they were not read.
    pub surroundings: Option<Surroundings>,
    /// Holds that are not kept in the queue.
    pub holds: &'w [Hold],
    /// A change that waits to be judged.
    pub change: Option<&'w PendingChange>,
    /// The last recheck at these settings.
    pub checked: Checked,
    /// Spans.
    pub timing: Timing,
    /// Planned length of a suite in seconds, where it can be read.
    pub length_s: fn(&RunWish) -> Option<u64>,
}

/// One reason why a job waits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Wait {
    /// The queue is held.
    Held(HoldKind),
    /// Its time has not come.
    Until(Wall),
    /// It fits into its window from then on.
    Window(Wall),
    /// It fits into its window on none of the next days.
    NeverFits,
    /// No declared change has been booted.
    Change,
    /// A long suite, and no recheck has shown these settings clean.
    Recheck(Checked),
    /// The machine has just been started.
    Settling,
    /// Somebody uses the machine.
    Session,
    /// Other programs compute.
    Load,
    /// It has not been idle long enough.
    Idle,
    /// It would still run when that job, which goes before it, may start.
    Room(JobId, Wall),
}

/// Why a job waits; with nothing to wait for, its turn decides.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Standing {
    /// The job.
    pub id: JobId,
    /// Reasons.
    pub waits: Vec<Wait>,
}

/// The standing of each waiting job, in their order.
pub fn standings(queue: &Queue, world: &World<'_>) -> Vec<Standing> {
    let mut all: Vec<Standing> = Vec::new();
    let mut reserved: Vec<(JobId, Wall)> = Vec::new();
    for job in queue.waiting() {
        let mut waits = waits_of(job, queue, world);
        let end = world.now.wall.plus(Duration::from_secs(job.length_s));
        let room = reserved.iter().find(|(_, from)| end > *from);
        if let (true, Some((id, from))) = (waits.is_empty(), room) {
            waits.push(Wait::Room(*id, *from));
        }
        if let [Wait::Until(from) | Wait::Window(from)] = waits.as_slice() {
            reserved.push((job.id, *from));
        }
        all.push(Standing { id: job.id, waits });
    }
    all
}

fn waits_of(job: &Job, queue: &Queue, world: &World<'_>) -> Vec<Wait> {
    let conditions = &job.conditions;
    let now = world.now.wall;
    let kept = queue.holds();
    let holds = kept.iter().chain(world.holds);
    let mut waits: Vec<Wait> = holds.map(|hold| Wait::Held(hold.kind)).collect();
    let not_before = conditions.not_before.filter(|at| *at > now);
    waits.extend(not_before.map(Wait::Until));
    if let Some(window) = &conditions.window {
        let from = not_before.unwrap_or(now);
        let length = Duration::from_secs(job.length_s);
        match world.calendar.fits_at(window, from, length) {
            Some(start) if start > from => waits.push(Wait::Window(start)),
            Some(_) => {}
            None => waits.push(Wait::NeverFits),
        }
    }
    if conditions.after_change && !world.change.is_some_and(|change| change.booted) {
        waits.push(Wait::Change);
    }
    let clean = matches!(world.checked, Checked::Clean { .. });
    let long = Duration::from_secs(job.length_s) >= LONG_SUITE;
    if long && !conditions.unchecked && !clean {
        waits.push(Wait::Recheck(world.checked));
    }
    if job.is_unattended() {
        waits.extend(surrounded(job, world));
    }
    waits
}

/// What the surroundings have against a start that nobody may be looking at. Where they were not read
/// they speak against it.
fn surrounded(job: &Job, world: &World<'_>) -> Vec<Wait> {
    let mut waits = Vec::new();
    let around = world.surroundings;
    if around.is_none_or(|around| around.since_boot < world.timing.settle) {
        waits.push(Wait::Settling);
    }
    if job.is_automatic() || is_late(job, world) {
        if around.is_none_or(|around| around.session_in_use) {
            waits.push(Wait::Session);
        }
        if around.is_none_or(|around| !around.load_is_low) {
            waits.push(Wait::Load);
        }
    }
    if let Some(idle_s) = job.conditions.idle_s {
        let since = around.and_then(|around| around.idle_since);
        let wanted = Duration::from_secs(idle_s);
        if since.is_none_or(|since| world.now.mono.since(since) < wanted) {
            waits.push(Wait::Idle);
        }
    }
    waits
}

/// Its time passed while no service was there, and it may be any time of day by now.
fn is_late(job: &Job, world: &World<'_>) -> bool {
    let due = match &job.origin {
        Origin::Schedule { due, .. } => Some(*due),
        Origin::Person | Origin::AfterChange { .. } => job.conditions.not_before,
    };
    due.is_some_and(|due| due.plus(LATE) < world.began)
}
