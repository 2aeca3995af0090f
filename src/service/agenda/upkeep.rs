//! What enters and leaves the queue by itself: entries of the schedule that come due, rechecks after
//! changes, jobs that were cut short.

use super::standing::{LATE, World};
use crate::model::{
    Conditions, Grade, Hold, HoldKind, Job, JobId, JobState, Origin, Queue, QueueChange, QueueMark,
    RecheckPolicy, RunWish, ScheduleEntry, Wall,
};

/// Runs that a change may start by itself. With the hold after a reset this makes a boot loop
/// impossible: the count is on disk before the start.
pub const MOST_AUTOMATIC_STARTS: u32 = 1;
/// A mark further in the future was made under a wrong clock and counts for nothing.
const CLOCK_WAS_WRONG_MS: i64 = 25 * 3600 * 1000;

/// What is to be altered before the next decision.
pub fn upkeep(
    queue: &Queue,
    schedule: &[ScheduleEntry],
    policy: &RecheckPolicy,
    world: &World<'_>,
) -> Vec<QueueChange> {
    let mut next_id = queue.next_id();
    let mut changes = Vec::new();
    for entry in schedule {
        changes.extend(
            came_due(queue, entry, world)
                .into_iter()
                .flat_map(|(mut job, mark)| {
                    if let Some(job) = &mut job {
                        job.id = next_id;
                        next_id = JobId(next_id.0 + 1);
                    }
                    let put = job.map(|job| QueueChange::Put(Box::new(job)));
                    put.into_iter().chain([QueueChange::Mark(mark)])
                }),
        );
    }
    changes.extend(recheck(queue, policy, world, next_id));
    changes.extend(outdated(queue, world));
    changes
}

/// The job of an entry that came due (none where its last one still waits or runs), and how far the
/// entry is handled.
fn came_due(
    queue: &Queue,
    entry: &ScheduleEntry,
    world: &World<'_>,
) -> Option<(Option<Job>, QueueMark)> {
    let now = world.now.wall;
    let mark = |until| QueueMark::Due {
        entry: entry.name.clone(),
        until,
    };
    let handled = queue.marks.iter().find_map(|known| match known {
        QueueMark::Due { entry: name, until } if *name == entry.name => Some(*until),
        QueueMark::Due { .. }
        | QueueMark::Held(_)
        | QueueMark::Automatic { .. }
        | QueueMark::ResetsSeen { .. } => None,
    });
    let Some(handled) = handled.filter(|until| until.0 - now.0 < CLOCK_WAS_WRONG_MS) else {
        return Some((None, mark(now)));
    };
    let next = |after| {
        let zone = entry.zone.as_deref();
        world
            .calendar
            .next_due(&entry.when, zone, after)
            .filter(|due| *due <= now)
    };
    let first = next(handled)?;
    let fresh = handled.max(now.minus(LATE));
    let (due, state) = match next(fresh) {
        Some(due) => (due, JobState::Waiting),
        None => {
            let why = "it came due while no service was there".to_owned();
            (first, JobState::Dropped { why })
        }
    };
    let origin = Origin::Schedule {
        entry: entry.name.clone(),
        due,
    };
    let alike = |job: &Job| matches!(&job.origin, Origin::Schedule { entry: name, .. } if *name == entry.name);
    let pending = |job: &Job| !job.state.is_over() && alike(job);
    let until = if state == JobState::Waiting {
        due
    } else {
        fresh
    };
    if queue.jobs.iter().any(pending) {
        return Some((None, mark(until)));
    }
    let mut job = new_job(&entry.wish, origin, world);
    job.conditions = entry.conditions.clone();
    job.priority = entry.priority;
    if job.state == JobState::Waiting {
        job.state = state;
    }
    Some((Some(job), mark(until)))
}

fn recheck(
    queue: &Queue,
    policy: &RecheckPolicy,
    world: &World<'_>,
    id: JobId,
) -> Vec<QueueChange> {
    let Some(change) = world
        .change
        .filter(|change| policy.enabled && change.booted)
    else {
        return Vec::new();
    };
    let used = queue.marks.iter().find_map(|mark| match mark {
        QueueMark::Automatic { change: id, starts } if *id == change.id => Some(*starts),
        QueueMark::Automatic { .. }
        | QueueMark::Held(_)
        | QueueMark::Due { .. }
        | QueueMark::ResetsSeen { .. } => None,
    });
    let used = used.unwrap_or(0);
    if used >= MOST_AUTOMATIC_STARTS {
        return Vec::new();
    }
    let wish = RunWish {
        suite: policy.suite.clone(),
        ..RunWish::default()
    };
    let origin = Origin::AfterChange {
        change: change.id.clone(),
    };
    let mut job = new_job(&wish, origin, world);
    job.id = id;
    let mark = QueueMark::Automatic {
        change: change.id.clone(),
        starts: used + 1,
    };
    vec![QueueChange::Put(Box::new(job)), QueueChange::Mark(mark)]
}

/// Rechecks of a change that was undone or judged meanwhile.
fn outdated(queue: &Queue, world: &World<'_>) -> Vec<QueueChange> {
    let is_pending = |id: &str| world.change.is_some_and(|change| change.id == id);
    let outdated = queue.jobs.iter().filter(|job| {
        job.state == JobState::Waiting
            && matches!(&job.origin, Origin::AfterChange { change } if !is_pending(change))
    });
    outdated
        .map(|job| {
            let why = "its change was undone, or judged by another run".to_owned();
            put(job, JobState::Dropped { why })
        })
        .collect()
}

fn new_job(wish: &RunWish, origin: Origin, world: &World<'_>) -> Job {
    let now = world.now.wall;
    let length = (world.length_s)(wish);
    let state = if length.is_some() {
        JobState::Waiting
    } else {
        let why = format!("the suite `{}` cannot be read", wish.suite);
        JobState::Dropped { why }
    };
    Job {
        id: JobId(0),
        wish: wish.clone(),
        length_s: length.unwrap_or(0),
        conditions: Conditions::default(),
        priority: 0,
        rank: now.0,
        origin,
        asked_by: "the service".to_owned(),
        asked_at: now,
        starts: 0,
        state,
    }
}

/// What a service finds when it begins: jobs that were running are cut short, and a reset in a run
/// holds everything until a person has seen it.
pub fn after_restart(queue: &Queue, reset_run: Option<i64>, now: Wall) -> Vec<QueueChange> {
    let mut changes: Vec<QueueChange> = queue
        .jobs
        .iter()
        .filter_map(|job| match job.state {
            JobState::Running { run } => Some(put(job, JobState::CutShort { run })),
            JobState::Waiting
            | JobState::Done { .. }
            | JobState::Cancelled
            | JobState::CutShort { .. }
            | JobState::Dropped { .. } => None,
        })
        .collect();
    if let Some(run) = reset_run {
        let hold = Hold {
            kind: HoldKind::AfterReset,
            since: now,
            reason: format!("a reset cut run {run} short"),
        };
        changes.push(QueueChange::Mark(QueueMark::Held(hold)));
        changes.push(QueueChange::Mark(QueueMark::ResetsSeen { run }));
    }
    changes
}

/// `job` starts; on disk before it does.
pub fn started(job: &Job) -> QueueChange {
    let mut job = job.clone();
    job.starts += 1;
    job.state = JobState::Running { run: None };
    QueueChange::Put(Box::new(job))
}

/// The run of `job` has ended with this grade, or there is no grade and this is why.
pub fn ended(job: &Job, run: Option<i64>, outcome: Result<Grade, String>) -> QueueChange {
    let state = match (run, outcome) {
        (Some(run), Ok(grade)) => JobState::Done {
            run,
            grade: Some(grade),
        },
        (Some(run), Err(_)) => JobState::Done { run, grade: None },
        (None, Ok(_)) => JobState::CutShort { run: None },
        (None, Err(why)) => JobState::Dropped { why },
    };
    put(job, state)
}

fn put(job: &Job, state: JobState) -> QueueChange {
    let mut job = job.clone();
    job.state = state;
    QueueChange::Put(Box::new(job))
}
