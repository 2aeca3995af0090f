//! Jobs of the hub's in the local queue: taken in once, followed to their end, acknowledged when that is
//! written down.

use std::time::Duration;

use async_nats::jetstream::{AckKind, Message};

use crate::fleet::protocol::{JobEnd, JobMessage, MachineName, parse_message};
use crate::model::{Job, JobState};
use crate::os;
use crate::report::{JobLine, QueueView};
use crate::service::agenda::{NewJob, RefuseJobError};
use crate::service::{Action, Answer, Inside, Refusal};
use crate::store::{HubJob, ReadStoreError, Store, WriteStoreError};

/// Longest id of a job.
const MOST_ID: usize = 200;
/// A job that cannot be taken in just now is delivered again after this time.
const LATER: Duration = Duration::from_secs(30);

/// Something about a job could not be read or written.
#[derive(Debug, thiserror::Error)]
pub(super) enum JobError {
    #[error(transparent)]
    Read(#[from] ReadStoreError),
    #[error(transparent)]
    Write(#[from] WriteStoreError),
    #[error("the server does not take the answer to a job: {0}")]
    Answer(async_nats::Error),
    #[error(transparent)]
    Service(#[from] Refusal),
}

/// The job in hand.
#[derive(Debug)]
struct InHand {
    id: String,
    message: Message,
}

/// What becomes of the hub's jobs here.
#[derive(Debug)]
pub(super) struct Jobs {
    machine: MachineName,
    in_hand: Option<InHand>,
}

impl Jobs {
    pub(super) fn new(machine: MachineName) -> Self {
        Self {
            machine,
            in_hand: None,
        }
    }

    /// Takes in a message from the mailbox, the first time or again.
    pub(super) async fn take(
        &mut self,
        message: Message,
        (store, inside): (&mut Store, &Inside),
    ) -> Result<(), JobError> {
        let job = match self.parse(&message) {
            Ok(job) => job,
            Err(why) => {
                tracing::error!(why, "a job from the hub is refused, it is none");
                return answer(&message, AckKind::Term).await;
            }
        };
        match store.hub_job(&job.id)? {
            Some(known) if known.outcome.is_some() => {
                // Its end is here already; the hub did not hear it, or lost it.
                tracing::info!(
                    job = job.id,
                    "a job came again that has ended; its end is told again"
                );
                let (queue, _) = store.queue()?;
                let local = known.job.and_then(|id| queue.job(id));
                store.owe_hub_job_again(&job.id, local.and_then(run_of))?;
                return answer(&message, AckKind::Ack).await;
            }
            Some(_) => tracing::info!(job = job.id, "a job came again that is in the queue"),
            None => {
                if let Some(kind) = take_in(&job, store, inside).await? {
                    return answer(&message, kind).await;
                }
            }
        }
        self.in_hand = Some(InHand {
            id: job.id,
            message,
        });
        Ok(())
    }

    fn parse(&self, message: &Message) -> Result<JobMessage, String> {
        let job: JobMessage = parse_message(&message.payload).map_err(|error| error.to_string())?;
        if job.machine != self.machine {
            return Err(format!("it is for {}", job.machine));
        }
        if job.id.is_empty() || job.id.len() > MOST_ID {
            return Err("its id is too long".to_owned());
        }
        Ok(job)
    }

    /// Tells the server that the job in hand is being worked on.
    pub(super) async fn reassure(&self) -> Result<(), JobError> {
        match &self.in_hand {
            Some(job) => answer(&job.message, AckKind::Progress).await,
            None => Ok(()),
        }
    }

    /// Writes down the ends of jobs that have one, and acknowledges them.
    pub(super) async fn settle(
        &mut self,
        store: &mut Store,
        view: &QueueView,
    ) -> Result<(), JobError> {
        for owed in store.owed_hub_jobs()? {
            if owed.outcome.is_none()
                && let Some(end) = end_of(&owed, store, view)?
            {
                let told = end.map_or_else(String::new, |end| {
                    serde_json::to_string(&end).unwrap_or_default()
                });
                store.end_hub_job(&owed.id, &told)?;
            }
        }
        let ended = match &self.in_hand {
            Some(job) => store
                .hub_job(&job.id)?
                .is_some_and(|job| job.outcome.is_some()),
            None => false,
        };
        if ended && let Some(job) = &self.in_hand {
            answer(&job.message, AckKind::Ack).await?;
            self.in_hand = None;
        }
        Ok(())
    }
}

async fn answer(message: &Message, kind: AckKind) -> Result<(), JobError> {
    message.ack_with(kind).await.map_err(JobError::Answer)
}

/// Puts the job into the queue. Gives the answer to its message where nothing more will come of it.
async fn take_in(
    job: &JobMessage,
    store: &mut Store,
    inside: &Inside,
) -> Result<Option<AckKind>, JobError> {
    let action = Action::TakeIn {
        hub_job: job.id.clone(),
        new: Box::new(NewJob {
            wish: job.wish.clone(),
            conditions: job.conditions.clone(),
            priority: job.priority,
        }),
    };
    let asker = format!("{} at the hub", job.asked_by);
    match inside.ask(action, &asker).await {
        Ok(Answer::Added(local)) => {
            store.keep_hub_job(&job.id, Some(local.id))?;
            tracing::info!(
                job = job.id,
                local = local.id.0,
                "a job from the hub is in the queue"
            );
            Ok(None)
        }
        Ok(Answer::Done | Answer::Queue(_) | Answer::Begun { .. })
        | Err(
            Refusal::Queue(RefuseJobError::Full)
            | Refusal::Storage(_)
            | Refusal::Unwell(_)
            | Refusal::Ending
            | Refusal::Busy,
        ) => Ok(Some(AckKind::Nak(Some(LATER)))),
        Err(refusal) => {
            let why = os::with_cause(&refusal);
            tracing::warn!(job = job.id, why, "a job from the hub cannot be taken in");
            store.keep_hub_job(&job.id, None)?;
            let end = serde_json::to_string(&JobEnd::NotRun { why }).unwrap_or_default();
            store.end_hub_job(&job.id, &end)?;
            Ok(Some(AckKind::Ack))
        }
    }
}

/// The hub's job in the view of the queue.
pub(super) fn find_line<'v>(owed: &HubJob, view: &'v QueueView) -> Option<&'v JobLine> {
    view.jobs.iter().find(|line| Some(line.job.id) == owed.job)
}

/// How a job ended, once it has: with nothing more to say where its run tells.
fn end_of(
    owed: &HubJob,
    store: &Store,
    view: &QueueView,
) -> Result<Option<Option<JobEnd>>, JobError> {
    let Some(line) = find_line(owed, view) else {
        // Its row is damaged: whatever became of it, it is not run again.
        return Ok(Some(Some(JobEnd::CutShort)));
    };
    Ok(match &line.job.state {
        JobState::Waiting | JobState::Running { .. } => None,
        JobState::Cancelled => Some(Some(JobEnd::Refused)),
        JobState::Dropped { why } => Some(Some(JobEnd::NotRun { why: why.clone() })),
        JobState::CutShort { run: None } => Some(Some(JobEnd::CutShort)),
        JobState::Done { run, .. } | JobState::CutShort { run: Some(run) } => {
            let judged = store
                .summary(*run)?
                .is_some_and(|summary| summary.grade.is_some());
            let broken = (!judged).then_some(JobEnd::CutShort);
            Some(broken)
        }
    })
}

/// Number of the run that a job led to.
pub(super) fn run_of(job: &Job) -> Option<i64> {
    match &job.state {
        JobState::Running { run } | JobState::CutShort { run } => *run,
        JobState::Done { run, .. } => Some(*run),
        JobState::Waiting | JobState::Cancelled | JobState::Dropped { .. } => None,
    }
}
