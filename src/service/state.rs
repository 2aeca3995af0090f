//! The queue with the store under it: altered on disk first and in memory afterwards, by the service or,
//! where none runs, by a command that takes the lock for a moment. Both ask in the same words.

use std::path::Path;
use std::time::Duration;

use jiff::tz::TimeZone;

use super::action::{Action, Answer, Refusal};
use super::agenda::{
    Calendar, Checked, Notice, Standing, Surroundings, Timing, World, add_job, cancel_job,
    move_job, pause, release, resume, standings,
};
use super::surroundings::{read_holds, read_tuning};
use super::words::wait_words;
use crate::model::{
    Hold, Job, JobState, Moment, Mono, Queue, QueueChange, RecheckPolicy, RunWish, Wall,
};
use crate::os::{self, QueueLock, Root, TakeQueueLockError};
use crate::report::{JobLine, QueueView, StartNotice};
use crate::run::read_suite;
use crate::store::{OpenStoreError, ReadStoreError, Store, WriteStoreError};

/// The queue of a store cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum OpenQueueError {
    /// The store cannot be opened.
    #[error(transparent)]
    Open(#[from] OpenStoreError),
    /// Somebody else alters it.
    #[error(transparent)]
    Lock(#[from] TakeQueueLockError),
    /// It cannot be read.
    #[error(transparent)]
    Read(#[from] ReadStoreError),
}

/// The queue, the only one who may alter it.
#[derive(Debug)]
pub struct QueueState {
    /// Where it is kept.
    pub store: Store,
    /// As it is on disk.
    pub queue: Queue,
    _lock: QueueLock,
}

impl QueueState {
    /// Opens the queue of the store in `folder`.
    ///
    /// # Errors
    /// The store cannot be opened, or a service keeps its queue.
    pub fn open(folder: &Path) -> Result<Self, OpenQueueError> {
        let store = Store::open(folder)?;
        let lock = QueueLock::take(folder)?;
        let (queue, damaged) = store.queue()?;
        if damaged > 0 {
            tracing::error!(damaged, "rows of the queue are damaged and left out");
        }
        Ok(Self {
            store,
            queue,
            _lock: lock,
        })
    }

    /// Makes `changes`, on disk first.
    ///
    /// # Errors
    /// Nothing is changed then.
    pub fn alter(&mut self, changes: &[QueueChange]) -> Result<(), WriteStoreError> {
        if !changes.is_empty() {
            self.store.change_queue(changes)?;
            changes.iter().for_each(|change| self.queue.apply(change));
        }
        Ok(())
    }

    /// The queue as a command shows it when no service is there to say what goes on around it.
    pub fn view(&self, root: &Root) -> QueueView {
        let now = os::moment();
        let calendar = Calendar::new(TimeZone::system());
        let holds = read_holds(root, now);
        let policy = RecheckPolicy::default();
        let tuning = read_tuning(&self.store, &policy.suite, root);
        let (change, checked) = tuning.unwrap_or((None, Checked::Never));
        let world = World {
            now,
            began: now.wall,
            calendar: &calendar,
            loaded: false,
            // Whatever goes on now, it says nothing about the time when a service runs.
            surroundings: Some(Surroundings {
                since_boot: Duration::MAX,
                load_is_low: true,
                session_in_use: false,
                idle_since: Some(Mono(0)),
            }),
            holds: &holds,
            change: change.as_ref(),
            checked,
            timing: Timing::default(),
            length_s: length_of,
        };
        let standings = standings(&self.queue, &world);
        queue_view(&self.queue, &standings, (&holds, None), (now, &calendar))
    }

    /// Alters the queue as `asker` asks; showing it and running something are not alterations.
    ///
    /// # Errors
    /// Why not; nothing is changed then.
    pub fn ask(&mut self, action: Action, asker: &str, now: Wall) -> Result<Answer, Refusal> {
        let queue = &self.queue;
        let mut answer = Answer::Done;
        let changes = match action {
            Action::Add(new) => {
                let length_s = read_suite(&new.wish)?.length().as_secs();
                let job = add_job(queue, *new, length_s, (asker.to_owned(), now))?;
                answer = Answer::Added(Box::new(job.clone()));
                vec![QueueChange::Put(Box::new(job))]
            }
            Action::Move { job, place } => move_job(queue, job, place)?,
            Action::Cancel(job) => cancel_job(queue, job)?,
            Action::Pause => pause(now, asker),
            Action::Resume => resume(queue)?,
            Action::Release => release(queue)?,
            Action::Show | Action::Check | Action::Run(_) | Action::Stop { .. } => {
                return Err(Refusal::NotOfTheQueue);
            }
        };
        self.alter(&changes)
            .map_err(|error| Refusal::Storage(os::with_cause(&error)))?;
        Ok(answer)
    }
}

/// Planned length of a suite in seconds, where it can be read.
pub(super) fn length_of(wish: &RunWish) -> Option<u64> {
    read_suite(wish).ok().map(|suite| suite.length().as_secs())
}

/// The queue as it is shown.
pub(super) fn queue_view(
    queue: &Queue,
    standings: &[Standing],
    (holds, notice): (&[Hold], Option<Notice>),
    (now, calendar): (Moment, &Calendar),
) -> QueueView {
    let zone = calendar.zone(None);
    let waiting = standings.iter().zip(1..).filter_map(|(standing, place)| {
        Some(JobLine {
            job: queue.job(standing.id)?.clone(),
            place: Some(place),
            waits: standing
                .waits
                .iter()
                .map(|wait| wait_words(wait, &zone))
                .collect(),
        })
    });
    let others = queue
        .jobs
        .iter()
        .filter(|job| job.state != JobState::Waiting);
    let line = |job: &Job| JobLine {
        job: job.clone(),
        place: None,
        waits: Vec::new(),
    };
    QueueView {
        holds: queue
            .holds()
            .into_iter()
            .chain(holds.iter().cloned())
            .collect(),
        notice: notice.map(|notice| StartNotice {
            job: notice.job,
            starts_in_s: notice.until.since(now.mono).as_secs(),
        }),
        jobs: others.map(line).chain(waiting).collect(),
    }
}
