//! What can be asked of the service, and what it answers. Plain comparable data: no request, no
//! connection, no status code comes past this point.

use super::agenda::{NewJob, RefuseJobError};
use crate::model::{Job, JobId, RunWish};
use crate::report::QueueView;
use crate::run::PrepareRunError;

/// What is asked.
#[derive(Debug, Clone, PartialEq)]
pub enum Action {
    /// Show the queue.
    Show,
    /// Tell whether all is well.
    Check,
    /// Put a job into the queue.
    Add(Box<NewJob>),
    /// Bring a waiting job to this place, from 1.
    Move {
        /// The job.
        job: JobId,
        /// Its new place.
        place: usize,
    },
    /// Take a waiting job out.
    Cancel(JobId),
    /// Let nothing start.
    Pause,
    /// End the pause.
    Resume,
    /// End the hold after a reset.
    Release,
    /// Start a run now, past the queue: somebody is there and asks for it.
    Run(Box<RunWish>),
    /// End the run under way.
    Stop {
        /// Its number.
        run: i64,
        /// Without grace.
        at_once: bool,
    },
}

/// What the service answers.
#[derive(Debug, Clone, PartialEq)]
pub enum Answer {
    /// Done.
    Done,
    /// The queue, and the run under way.
    Queue(Box<QueueView>),
    /// The job is in the queue.
    Added(Box<Job>),
    /// The run has begun.
    Begun {
        /// Its number.
        run: i64,
    },
}

/// What was asked cannot be done.
#[derive(Debug, thiserror::Error)]
pub enum Refusal {
    /// The queue does not allow it.
    #[error(transparent)]
    Queue(#[from] RefuseJobError),
    /// The suite cannot be run.
    #[error(transparent)]
    Suite(#[from] PrepareRunError),
    /// The run could not be started.
    #[error("{0}")]
    NotStarted(String),
    /// A run is under way.
    #[error(
        "another run is putting load on this machine; two at once would spoil both: wait for it, stop \
         it, or let `soakproof queue add` put yours behind it"
    )]
    Busy,
    /// Only a service does that.
    #[error("that needs a service")]
    NotOfTheQueue,
    /// That run is not under way.
    #[error("run {0} is not under way")]
    NotRunning(i64),
    /// The queue cannot be written down.
    #[error("the queue cannot be written down: {0}")]
    Storage(String),
    /// Something does not go as it should.
    #[error("{0}")]
    Unwell(String),
    /// The service is about to end.
    #[error("the service is ending")]
    Ending,
}
