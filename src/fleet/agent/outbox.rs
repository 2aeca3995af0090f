//! What the hub is owed, when it is sent, and when it is sent again.

use std::collections::BTreeMap;
use std::time::Duration;

use super::jobs::run_of;
use crate::fleet::protocol::{JobEnd, MachineName, Outcome, RunTold};
use crate::model::{Mono, Origin, Queue, Wall};
use crate::store::{ReadStoreError, Store, UntoldRun, WriteStoreError};

/// Outcomes looked at in one go.
const MOST_AT_ONCE: u32 = 8;
/// An outcome without a receipt is sent again after this time, and after twice that, and so on.
const FIRST_WAIT: Duration = Duration::from_secs(30);
const LONGEST_WAIT: Duration = Duration::from_secs(600);

/// What is owed, of one kind or the other.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Owed {
    /// To be sent.
    pub(super) outcome: Outcome,
    /// The run whose record goes with it.
    pub(super) run: Option<i64>,
    /// How often the hub asked for it again.
    pub(super) asked_again: u32,
}

#[derive(Debug, Default)]
struct Tries {
    due: Mono,
    waits: Duration,
    asked_again: u32,
}

/// Knows what is owed and when.
#[derive(Debug)]
pub(super) struct Outbox {
    machine: MachineName,
    serial: Option<String>,
    owed: Vec<Owed>,
    tries: BTreeMap<String, Tries>,
}

impl Outbox {
    pub(super) fn new(machine: MachineName, serial: Option<String>) -> Self {
        Self {
            machine,
            serial,
            owed: Vec::new(),
            tries: BTreeMap::new(),
        }
    }

    /// Reads anew what is owed.
    pub(super) fn look(&mut self, store: &Store, now: Wall) -> Result<(), ReadStoreError> {
        let mut owed = Vec::new();
        for job in store.owed_hub_jobs()? {
            // A word that cannot be read any more still says that the job has ended.
            let Some(told) = &job.outcome else { continue };
            let end = serde_json::from_str(told).unwrap_or(JobEnd::CutShort);
            let id = format!("{}.end", job.id);
            owed.push(self.owed(id, Some((job.id, end)), now));
        }
        let runs = store.untold_runs(MOST_AT_ONCE)?;
        if !runs.is_empty() {
            let (queue, _) = store.queue()?;
            for run in runs {
                owed.extend(self.owed_run(store, &run, &queue)?);
            }
        }
        let known = |id: &String| owed.iter().any(|owed| owed.outcome.id == *id);
        self.tries.retain(|id, _| known(id));
        self.owed = owed;
        Ok(())
    }

    fn owed(&self, id: String, job: Option<(String, JobEnd)>, at: Wall) -> Owed {
        Owed {
            asked_again: self.tries.get(&id).map_or(0, |tries| tries.asked_again),
            outcome: Outcome {
                id,
                machine: self.machine.clone(),
                serial: self.serial.clone(),
                at,
                job,
                run: None,
            },
            run: None,
        }
    }

    fn owed_run(
        &self,
        store: &Store,
        run: &UntoldRun,
        queue: &Queue,
    ) -> Result<Option<Owed>, ReadStoreError> {
        let Some(summary) = store.summary(run.number)? else {
            return Ok(None);
        };
        let Some(grade) = summary.grade else {
            return Ok(None);
        };
        let ordered = queue
            .jobs
            .iter()
            .find(|job| run_of(job) == Some(run.number));
        let job = ordered.and_then(|job| match &job.origin {
            Origin::Hub { job } => Some((job.clone(), JobEnd::Judged { grade })),
            Origin::Person
            | Origin::Schedule { .. }
            | Origin::AfterChange { .. }
            | Origin::Continuation { .. } => None,
        });
        let at = summary.ended.unwrap_or(summary.started);
        let mut owed = self.owed(run_outcome_id(&run.id, run.rows), job, at);
        owed.run = Some(run.number);
        owed.outcome.run = Some(RunTold {
            id: summary.id,
            suite: summary.suite,
            started: summary.started,
            grade,
            rows: run.rows,
            record: None,
        });
        Ok(Some(owed))
    }

    /// The next one that is due. It counts as tried.
    pub(super) fn next_due(&mut self, now: Mono) -> Option<Owed> {
        let due = |owed: &&Owed| {
            let tries = self.tries.get(&owed.outcome.id);
            tries.is_none_or(|tries| tries.due <= now)
        };
        let owed = self.owed.iter().find(due)?.clone();
        let tries = self.tries.entry(owed.outcome.id.clone()).or_default();
        tries.waits = (tries.waits * 2).clamp(FIRST_WAIT, LONGEST_WAIT);
        tries.due = now.plus(tries.waits);
        Some(owed)
    }

    /// Ids of what is owed.
    pub(super) fn ids(&self) -> Vec<String> {
        let ids = self.owed.iter().map(|owed| owed.outcome.id.clone());
        ids.take(MOST_AT_ONCE as usize).collect()
    }

    /// The hub wants this one again, whole.
    pub(super) fn again(&mut self, id: &str, now: Mono) {
        if let Some(tries) = self.tries.get_mut(id) {
            tries.asked_again += 1;
            tries.due = now;
            let asked_again = tries.asked_again;
            if let Some(owed) = self.owed.iter_mut().find(|owed| owed.outcome.id == id) {
                owed.asked_again = asked_again;
            }
        }
    }

    /// The hub has this one: it is owed no more.
    pub(super) fn clear(&mut self, store: &mut Store, id: &str) -> Result<(), WriteStoreError> {
        let Some(place) = self.owed.iter().position(|owed| owed.outcome.id == id) else {
            return Ok(());
        };
        let owed = &self.owed[place];
        match (&owed.run, &owed.outcome.run, &owed.outcome.job) {
            (Some(number), Some(run), _) => store.hub_has_run(*number, run.rows)?,
            (_, _, Some((job, _))) => store.hub_job_told(job)?,
            (None, _, None) | (Some(_), None, None) => {}
        }
        self.owed.remove(place);
        self.tries.remove(id);
        Ok(())
    }
}

/// Names what is told of a run; with more rows it is another word.
fn run_outcome_id(run: &str, rows: i64) -> String {
    format!("{run}.{rows}")
}
