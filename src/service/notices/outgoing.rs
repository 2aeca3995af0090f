//! What the desk does in its rounds: look what is new, take out what is due, try, write down what came
//! of it. Trouble with the store is told in the log once and tried again: a run has its own word on it.

use std::sync::Arc;
use std::time::Duration;

use tokio::task::JoinSet;

use super::attempt::{Outcome, attempt, decide_settlement};
use super::cooling::Earlier;
use super::retry::farthest;
use super::target::Target;
use super::words::{Followed, Told, tell_entries, tell_queue, tell_start};
use crate::model::{NoticeEvent, Wall};
use crate::os;
use crate::report::Style;
use crate::store::{
    Announcement, Claimed, Look, QueueStanding, ReadStoreError, Settlement, Store, Untold,
    WriteStoreError,
};

/// A claim outlasts the attempt by this much.
const CLAIM_MARGIN: Duration = Duration::from_mins(1);
/// Earlier runs that the heat of one is held against.
const EARLIER_RUNS: u32 = 20;
/// Notices are kept this long after they were delivered or given up.
const KEEP: Duration = Duration::from_hours(24 * 90);
/// Width of the line in which a finding is told; there is no screen.
const LINE_WIDTH: u16 = 400;

/// Deliveries on their way.
#[derive(Debug)]
pub(super) struct Outgoing {
    store: Store,
    targets: Vec<Arc<Target>>,
    session: String,
    seen: Option<i64>,
    look: Look,
    queue: Option<QueueStanding>,
    on_the_way: JoinSet<(Claimed, Outcome)>,
    /// One attempt at a time for each target.
    busy: Vec<String>,
    complained: bool,
}

/// The record cannot be read or the outbox not be written.
#[derive(Debug, thiserror::Error)]
enum OutboxError {
    #[error(transparent)]
    Read(#[from] ReadStoreError),
    #[error(transparent)]
    Write(#[from] WriteStoreError),
}

impl Outgoing {
    pub(super) fn begin(mut store: Store, targets: Vec<Target>) -> Result<Self, WriteStoreError> {
        let session = uuid::Uuid::now_v7().to_string();
        store.begin_telling(&session)?;
        let names: Vec<String> = targets.iter().map(|target| target.name.clone()).collect();
        store.drop_strangers(&names)?;
        let now = os::moment().wall;
        store.forget_notices(now.minus(KEEP))?;
        for target in &targets {
            // An address that cannot be read now is complained about at the first attempt.
            let mark = target.mark().ok();
            let closed = store.closed_mark(&target.name).ok().flatten();
            if closed.is_some() && mark.is_some() && closed != mark {
                store.reopen_target(&target.name)?;
            }
        }
        Ok(Self {
            store,
            targets: targets.into_iter().map(Arc::new).collect(),
            session,
            seen: None,
            look: Look::Everywhere,
            queue: None,
            on_the_way: JoinSet::new(),
            busy: Vec::new(),
            complained: false,
        })
    }

    /// Puts what is new in the record into the outbox.
    pub(super) fn look(&mut self, now: Wall) {
        let looked = self.try_look(now);
        self.complain(looked);
    }

    fn try_look(&mut self, now: Wall) -> Result<(), OutboxError> {
        let mark = self.store.change_mark()?;
        if self.seen == Some(mark) {
            return Ok(());
        }
        for untold in self.store.untold(self.look)? {
            let announcements = self.announcements(&untold)?;
            self.store
                .announce_run((untold.run, untold.seq), &announcements, now)?;
        }
        let queue = self.store.queue_standing()?;
        let told = self
            .queue
            .as_ref()
            .and_then(|before| tell_queue(before, &queue, now));
        if let Some(told) = told {
            let announcement = self.addressed(told);
            self.store.announce(&[announcement], now)?;
        }
        self.queue = Some(queue);
        self.seen = Some(mark);
        self.look = Look::Recent;
        Ok(())
    }

    fn announcements(&self, untold: &Untold) -> Result<Vec<Announcement>, OutboxError> {
        let suite = &untold.header.plan.suite;
        let judged = untold
            .entries
            .iter()
            .any(|(_, entry)| matches!(entry, crate::model::Entry::Verdict(_)));
        let earlier = if judged {
            self.store
                .verdicts_before(untold.run, suite, EARLIER_RUNS)?
        } else {
            Vec::new()
        };
        let earlier: Vec<Earlier> = earlier
            .into_iter()
            .map(|(_, header, verdict)| Earlier { header, verdict })
            .collect();
        let mut run = Followed {
            number: untold.run,
            header: &untold.header,
            had_finding: untold.had_finding,
            grade: untold.grade,
            earlier: &earlier,
        };
        let style = Style::new(false, LINE_WIDTH).in_zone(jiff::tz::TimeZone::system());
        let start = untold.from_start.then(|| tell_start(&run));
        let told = tell_entries(&mut run, &untold.entries, &style);
        let all = start.into_iter().chain(told);
        Ok(all.map(|told| self.addressed(told)).collect())
    }

    fn addressed(&self, Told { key, notice }: Told) -> Announcement {
        Announcement {
            key,
            targets: self.listeners(notice.event),
            notice,
        }
    }

    fn listeners(&self, event: NoticeEvent) -> Vec<String> {
        let listening = self
            .targets
            .iter()
            .filter(|target| target.events.contains(&event));
        listening.map(|target| target.name.clone()).collect()
    }

    /// Starts an attempt at everything that is due, one for each target.
    pub(super) fn send_due(&mut self, now: Wall) {
        loop {
            match self.try_claim(now) {
                Ok(Some(claimed)) => self.start(claimed, now),
                Ok(None) => return,
                Err(error) => return self.complain(Err(error)),
            }
        }
    }

    fn try_claim(&mut self, now: Wall) -> Result<Option<Claimed>, OutboxError> {
        let farthest = farthest(now);
        let due = self.store.next_due(&self.busy)?;
        if due.is_none_or(|due| due > now && due <= farthest) {
            return Ok(None);
        }
        let longest = self.targets.iter().map(|target| target.time_limit).max();
        let held = longest.unwrap_or_default() + CLAIM_MARGIN;
        let until = now.plus(held);
        Ok(self
            .store
            .claim_delivery((now, farthest, until), &self.busy)?)
    }

    fn start(&mut self, claimed: Claimed, now: Wall) {
        let target = self
            .targets
            .iter()
            .find(|target| target.name == claimed.target);
        let (Some(target), Some(notice)) = (target, claimed.notice.clone()) else {
            let why = "the notice is damaged, or its target is not configured any more";
            let settled = self
                .store
                .settle_delivery(&claimed, Settlement::Dead, why)
                .map_err(OutboxError::from);
            return self.complain(settled);
        };
        let target = Arc::clone(target);
        self.busy.push(target.name.clone());
        self.on_the_way.spawn(async move {
            let outcome = attempt(&target, &claimed.id, &notice, now).await;
            (claimed, outcome)
        });
    }

    /// Waits for the next attempt to end and writes down what came of it; for ever when there is none.
    pub(super) async fn settle_next(&mut self) {
        match self.on_the_way.join_next().await {
            Some(Ok((claimed, outcome))) => {
                self.busy.retain(|name| *name != claimed.target);
                let settled = self.settle(&claimed, &outcome, os::moment().wall);
                self.complain(settled);
            }
            Some(Err(error)) => {
                // An attempt panicked: an error of ours. Its claim runs out and it is tried again.
                tracing::error!(%error, "an attempt to deliver a notice broke");
                self.busy.clear();
            }
            None => std::future::pending().await,
        }
    }

    fn settle(
        &mut self,
        claimed: &Claimed,
        outcome: &Outcome,
        now: Wall,
    ) -> Result<(), OutboxError> {
        let settlement = decide_settlement(claimed, outcome, now, rand::random());
        self.store
            .settle_delivery(claimed, settlement, outcome.words())?;
        let Claimed { id, target, .. } = claimed;
        match (outcome, settlement) {
            (Outcome::Gone, _) => {
                tracing::warn!(%target, "the endpoint wants nothing more (410); the target is closed");
                let known = self.targets.iter().find(|known| known.name == *target);
                let mark = known.and_then(|known| known.mark().ok());
                self.store
                    .close_target(target, mark.as_deref().unwrap_or_default())?;
            }
            (_, Settlement::Dead) => {
                tracing::warn!(%target, notice = %id, why = outcome.words(), "notice given up");
            }
            (Outcome::Refused { why, .. }, _) => {
                tracing::info!(%target, notice = %id, why, "notice not delivered, later again");
            }
            (Outcome::Taken, _) => tracing::debug!(%target, notice = %id, "notice delivered"),
        }
        Ok(())
    }

    /// True when nothing is on its way.
    pub(super) fn is_quiet(&self) -> bool {
        self.on_the_way.is_empty()
    }

    /// Ends the session; gives the number of deliveries that still wait. Attempts under way are left
    /// alone: their claims run out.
    pub(super) fn end(mut self) -> usize {
        let ended = self.store.end_telling(&self.session);
        self.complain(ended.map_err(OutboxError::from));
        self.store.count_waiting().unwrap_or(0)
    }

    fn complain(&mut self, done: Result<(), OutboxError>) {
        match done {
            Ok(()) => self.complained = false,
            Err(error) if !self.complained => {
                self.complained = true;
                tracing::warn!(error = %os::with_cause(&error), "notices are held up");
            }
            Err(error) => tracing::debug!(%error, "notices are still held up"),
        }
    }
}
