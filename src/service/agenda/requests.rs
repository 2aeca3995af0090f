//! What people ask of the queue, checked, as alterations.

use crate::model::{
    Conditions, Hold, HoldKind, Job, JobId, JobState, Origin, Queue, QueueChange, QueueMark,
    RunWish, Wall, hold_name,
};

/// Most jobs that wait at once.
pub const MOST_WAITING: usize = 200;
/// Most a person can raise or lower a job.
pub const PRIORITIES: std::ops::RangeInclusive<i8> = -10..=10;

/// A job as asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct NewJob {
    /// What to run.
    pub wish: RunWish,
    /// When it may start.
    pub conditions: Conditions,
    /// Higher ones go first.
    pub priority: i8,
}

/// What was asked of the queue cannot be done.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RefuseJobError {
    /// No such job.
    #[error("there is no job {0}; `soakproof queue` lists them")]
    Unknown(JobId),
    /// It does not wait any more.
    #[error("job {0} does not wait any more; `soakproof queue` shows what became of it")]
    NotWaiting(JobId),
    /// Too many.
    #[error("{MOST_WAITING} jobs wait already; cancel some first")]
    Full,
    /// A priority out of range.
    #[error(
        "a priority of {priority} is outside {} to {}",
        PRIORITIES.start(),
        PRIORITIES.end()
    )]
    Priority {
        /// As asked for.
        priority: i8,
    },
    /// The suite is longer than its window.
    #[error(
        "the suite takes {suite_min} min and the window has {window_min} min: it would never start"
    )]
    Window {
        /// Minutes of the suite, rounded up.
        suite_min: u64,
        /// Minutes of the window.
        window_min: u32,
    },
    /// Nothing to lift.
    #[error("the queue is not held by {0}")]
    NotHeld(&'static str),
}

/// Adds a job behind those of its priority. `length_s` is the planned length of its suite.
///
/// # Errors
/// The queue is full, or the job could never start.
pub fn add_job(
    queue: &Queue,
    new: NewJob,
    length_s: u64,
    (asked_by, now): (String, Wall),
) -> Result<Job, RefuseJobError> {
    let waiting = queue.waiting();
    if waiting.len() >= MOST_WAITING {
        return Err(RefuseJobError::Full);
    }
    if !PRIORITIES.contains(&new.priority) {
        return Err(RefuseJobError::Priority {
            priority: new.priority,
        });
    }
    if let Some(window) = &new.conditions.window
        && length_s > u64::from(window.minutes()) * 60
    {
        return Err(RefuseJobError::Window {
            suite_min: length_s.div_ceil(60),
            window_min: window.minutes(),
        });
    }
    let last = waiting.iter().map(|job| job.rank).max();
    Ok(Job {
        id: queue.next_id(),
        wish: new.wish,
        length_s,
        conditions: new.conditions,
        priority: new.priority,
        rank: last.map_or(now.0, |last| last.saturating_add(1).max(now.0)),
        origin: Origin::Person,
        asked_by,
        asked_at: now,
        starts: 0,
        seal: None,
        state: JobState::Waiting,
    })
}

fn waiting_job(queue: &Queue, id: JobId) -> Result<&Job, RefuseJobError> {
    let job = queue.job(id).ok_or(RefuseJobError::Unknown(id))?;
    if job.state == JobState::Waiting {
        Ok(job)
    } else {
        Err(RefuseJobError::NotWaiting(id))
    }
}

/// Takes a waiting job out.
///
/// # Errors
/// There is no such job, or it does not wait.
pub fn cancel_job(queue: &Queue, id: JobId) -> Result<Vec<QueueChange>, RefuseJobError> {
    let mut job = waiting_job(queue, id)?.clone();
    job.state = JobState::Cancelled;
    Ok(vec![QueueChange::Put(Box::new(job))])
}

/// Brings a waiting job to `place` (from 1) among those that wait; its priority follows its new
/// neighbours where it must.
///
/// # Errors
/// There is no such job, or it does not wait.
pub fn move_job(
    queue: &Queue,
    id: JobId,
    place: usize,
) -> Result<Vec<QueueChange>, RefuseJobError> {
    let mut moved = waiting_job(queue, id)?.clone();
    let mut order: Vec<Job> = queue.waiting().into_iter().cloned().collect();
    order.retain(|job| job.id != id);
    let place = place.saturating_sub(1).min(order.len());
    let before = place.checked_sub(1).and_then(|place| order.get(place));
    let least = order.get(place).map_or(moved.priority, |job| job.priority);
    let most = before.map_or(i8::MAX, |job| job.priority);
    moved.priority = moved.priority.max(least).min(most);
    order.insert(place, moved);
    let renumbered = (0_i64..).zip(order).map(|(rank, mut job)| {
        job.rank = rank;
        QueueChange::Put(Box::new(job))
    });
    Ok(renumbered.collect())
}

/// Lets nothing start until [`resume`].
pub fn pause(now: Wall, by: &str) -> Vec<QueueChange> {
    hold(HoldKind::Paused, now, format!("paused by {by}"))
}

/// Holds the queue for a reason that lasts.
pub fn hold(kind: HoldKind, since: Wall, reason: String) -> Vec<QueueChange> {
    let hold = Hold {
        kind,
        since,
        reason,
    };
    vec![QueueChange::Mark(QueueMark::Held(hold))]
}

/// Ends a pause.
///
/// # Errors
/// It is not paused.
pub fn resume(queue: &Queue) -> Result<Vec<QueueChange>, RefuseJobError> {
    lift(queue, HoldKind::Paused, "a pause")
}

/// Ends the hold after a reset.
///
/// # Errors
/// There is none.
pub fn release(queue: &Queue) -> Result<Vec<QueueChange>, RefuseJobError> {
    lift(queue, HoldKind::AfterReset, "a reset")
}

fn lift(
    queue: &Queue,
    kind: HoldKind,
    words: &'static str,
) -> Result<Vec<QueueChange>, RefuseJobError> {
    if queue.holds().iter().any(|hold| hold.kind == kind) {
        Ok(vec![QueueChange::Forget(hold_name(kind))])
    } else {
        Err(RefuseJobError::NotHeld(words))
    }
}
