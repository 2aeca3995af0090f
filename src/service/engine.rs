//! The engine: one task that owns the queue, asks the agenda what is next, starts runs and answers
//! whoever asks. It sleeps until something happens or the agenda wants to look again.

use std::collections::HashMap;
use std::time::Duration;

use jiff::tz::TimeZone;
use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};
use tokio::sync::{oneshot, watch};

use super::action::{Action, Answer, Refusal};
use super::agenda::{
    Calendar, Checked, Decision, NewJob, Notice, PendingChange, Surroundings, World, add_job,
    after_restart, decide, ended, standings, started, upkeep,
};
use super::readiness::sleep;
use super::runner::{RunEnd, RunNews, RunOrder, Running, start_run};
use super::state::{length_of, queue_view};
use super::surroundings::{
    errors_told_within, find_cut_run, find_late_errors, read_boot_id, read_holds,
    read_surroundings, read_tuning,
};
use super::wires::{Call, EngineSetup, Snapshot};
use crate::model::{
    Conditions, Hold, HoldKind, Job, JobId, JobState, Moment, Mono, Origin, QueueChange, QueueMark,
    RunWish,
};
use crate::os::{self, LoadLock, TakeLoadLockError};
use crate::report::QueueView;
use crate::run::StopWish;

/// A load of another process is looked at again after this time.
const LOADED_ELSEWHERE: Duration = Duration::from_secs(15);
/// What becomes of a job with programs that somebody else wrote into the record, or that an earlier service
/// without a lasting key sealed.
const NO_SEAL: &str = "it starts programs, others can write this record, and this service did not see who asked \
                       for it; queue it again";
const LOADED_WORDS: &str = "for the load of another process on this machine to end";
/// A disk that cannot be written is tried again after this time.
const RETRY_STORAGE: Duration = Duration::from_secs(60);
/// Surroundings older than this are read again before anything is decided on them.
const FRESH: Duration = Duration::from_secs(2);

/// Whoever followed a run that the end of the service ended may read its verdict for so long.
const LAST_WORDS: Duration = Duration::from_millis(500);

#[derive(Debug)]
pub(super) struct Engine {
    setup: EngineSetup,
    began: Moment,
    boot_id: String,
    running: Option<Running>,
    news_sender: UnboundedSender<RunNews>,
    news: UnboundedReceiver<RunNews>,
    waiting_replies: HashMap<JobId, oneshot::Sender<Result<Answer, Refusal>>>,
    notice: Option<Notice>,
    around: Option<(Moment, Surroundings)>,
    loaded_elsewhere: bool,
    hub_heard: bool,
    storage: Option<Hold>,
    /// When to look for errors that show only after the end of a run.
    late: Option<Mono>,
    ending: bool,
    interrupted: bool,
    snapshot: watch::Sender<Snapshot>,
    rows: watch::Sender<u64>,
}

impl Engine {
    pub(super) fn new(setup: EngineSetup) -> Self {
        let (news_sender, news) = unbounded_channel();
        let boot_id = read_boot_id(&setup.root);
        Self {
            began: os::moment(),
            boot_id,
            setup,
            running: None,
            news_sender,
            news,
            waiting_replies: HashMap::new(),
            notice: None,
            around: None,
            loaded_elsewhere: false,
            hub_heard: false,
            storage: None,
            late: None,
            ending: false,
            interrupted: false,
            snapshot: watch::Sender::new(Snapshot::default()),
            rows: watch::Sender::new(0),
        }
    }

    /// To follow what the service is at.
    pub(super) fn snapshots(&self) -> watch::Receiver<Snapshot> {
        self.snapshot.subscribe()
    }

    /// To be told that there is more to read of the run under way.
    pub(super) fn rows(&self) -> watch::Receiver<u64> {
        self.rows.subscribe()
    }

    /// Works until it was told to end and no run is left.
    pub(super) async fn work(&mut self, mut ends: UnboundedReceiver<()>) {
        self.resume_after_restart();
        loop {
            let look_again = self.turn();
            let pulse = self.running.as_ref().map(|running| running.pulse.clone());
            let sleep = sleep(look_again, self.setup.watchdog, pulse);
            if self.ending && self.running.is_none() {
                if self.interrupted {
                    tokio::time::sleep(LAST_WORDS).await;
                }
                return;
            }
            tokio::select! {
                Some(call) = self.setup.calls.recv() => self.answer(call),
                Some(news) = self.news.recv() => self.hear(news),
                Some(()) = ends.recv() => self.end(),
                () = sleep => {}
            }
        }
    }

    fn resume_after_restart(&mut self) {
        let store = &self.setup.state.store;
        let reset = store.reset_after(self.resets_seen(), &self.boot_id);
        let reset = reset.unwrap_or_else(|error| {
            tracing::error!(error = os::with_cause(&error), "past runs cannot be read");
            None
        });
        if let Some(run) = reset {
            tracing::warn!(
                run,
                "a reset cut a run short; the queue is held until it is released"
            );
        }
        let queue = &self.setup.state.queue;
        let cut = find_cut_run(store, queue);
        let changes = after_restart(queue, reset, cut, self.began.wall);
        // What goes on has the wish of the job that was under way, so it is sealed only where that one was.
        let under_way = queue.jobs.iter();
        let mut under_way = under_way.filter(|job| matches!(job.state, JobState::Running { .. }));
        let changes = if under_way.all(|job| self.setup.state.is_vouched_for(job)) {
            self.seal_new(changes)
        } else {
            changes
        };
        self.alter(&changes);
    }

    /// Jobs among `changes` that the service itself makes, sealed.
    fn seal_new(&self, changes: Vec<QueueChange>) -> Vec<QueueChange> {
        let state = &self.setup.state;
        let seal = |change| match change {
            QueueChange::Put(job) if state.queue.job(job.id).is_none() => {
                QueueChange::Put(Box::new(state.sealed(*job)))
            }
            known @ (QueueChange::Put(_) | QueueChange::Mark(_) | QueueChange::Forget(_)) => known,
        };
        changes.into_iter().map(seal).collect()
    }

    /// Alters the queue; where that fails nothing starts until it can be written again.
    fn alter(&mut self, changes: &[QueueChange]) -> bool {
        match self.setup.state.alter(changes) {
            Ok(()) => {
                self.storage = None;
                true
            }
            Err(error) => {
                let reason = format!("the queue cannot be written: {}", os::with_cause(&error));
                tracing::error!(reason);
                self.storage = Some(Hold {
                    kind: HoldKind::Storage,
                    since: os::moment().wall,
                    reason,
                });
                false
            }
        }
    }

    /// Brings the queue up to date, starts what is to be started, and says when to look again.
    fn turn(&mut self) -> Duration {
        let mut decision = self.consider();
        if decision.watch && !self.has_fresh_surroundings() {
            self.look_around();
            decision = self.consider();
        }
        self.notice = decision.notice;
        let mut look_again = decision.look_again;
        if let Some(id) = decision.start.filter(|_| !self.ending) {
            self.start(id);
        }
        if self.loaded_elsewhere {
            look_again = look_again.min(LOADED_ELSEWHERE);
        }
        if let Some(at) = self.late {
            look_again = look_again.min(self.look_for_late_errors(at));
        }
        if self.storage.is_some() {
            self.try_storage();
            look_again = look_again.min(RETRY_STORAGE);
        }
        self.publish();
        look_again
    }

    /// Looks for late errors once their time has come and no run needs the machine; says when to ask again.
    fn look_for_late_errors(&mut self, at: Mono) -> Duration {
        let now = os::monotonic();
        if now < at {
            return at.since(now);
        }
        if self.running.is_some() {
            return LOADED_ELSEWHERE;
        }
        let (folder, root) = (self.setup.folder.clone(), self.setup.root.clone());
        let rows = self.rows.clone();
        let started = os::start_aside("look for late errors", move || {
            find_late_errors(&folder, &root);
            rows.send_modify(|count| *count = count.wrapping_add(1));
        });
        // Where no thread can be had, it is tried again.
        self.late = Some(at).filter(|_| !started);
        self.late.map_or(Duration::MAX, |_| LOADED_ELSEWHERE)
    }

    /// Writes down again what stands there; the hold goes when that works.
    fn try_storage(&mut self) {
        let run = self.resets_seen();
        self.alter(&[QueueChange::Mark(QueueMark::ResetsSeen { run })]);
    }

    fn resets_seen(&self) -> i64 {
        let marks = &self.setup.state.queue.marks;
        let seen = marks.iter().find_map(|mark| match mark {
            QueueMark::ResetsSeen { run } => Some(*run),
            QueueMark::Held(_) | QueueMark::Due { .. } | QueueMark::Automatic { .. } => None,
        });
        seen.unwrap_or(0)
    }

    fn has_fresh_surroundings(&self) -> bool {
        let now = os::monotonic();
        let read = self.around.as_ref();
        read.is_some_and(|(at, _)| now.since(at.mono) < FRESH)
    }

    fn look_around(&mut self) {
        let now = os::moment();
        let before = self.around.take().map(|(_, surroundings)| surroundings);
        let around = read_surroundings(&self.setup.root, now, self.began.mono, before);
        self.around = Some((now, around));
    }

    fn consider(&mut self) -> Decision {
        let around = self
            .around
            .filter(|_| self.has_fresh_surroundings())
            .map(|(_, around)| around);
        let facts = self.facts();
        let world = facts.world(self, around);
        let setup = &self.setup;
        let queue = &setup.state.queue;
        let changes = upkeep(queue, &setup.schedule, &setup.policy, &world);
        let changes = self.seal_new(changes);
        if !changes.is_empty() && self.alter(&changes) {
            tracing::info!(?changes, "the queue was brought up to date");
        }
        let world = facts.world(self, around);
        decide(
            &self.setup.state.queue,
            &self.setup.schedule,
            &world,
            self.notice,
        )
    }

    fn facts(&self) -> Facts {
        let now = os::moment();
        let store = &self.setup.state.store;
        let read = read_tuning(store, &self.setup.policy.suite, &self.setup.root);
        let (change, checked) = read.unwrap_or_else(|error| {
            tracing::warn!(%error, "the ledger cannot be read");
            (None, Checked::Never)
        });
        let mut holds = read_holds(&self.setup.root, now);
        holds.extend(self.storage.clone());
        Facts {
            now,
            calendar: Calendar::new(TimeZone::system()),
            holds,
            change,
            checked,
        }
    }

    fn start(&mut self, id: JobId) {
        let Some(job) = self.setup.state.queue.job(id).cloned() else {
            return;
        };
        if !self.setup.state.is_vouched_for(&job) {
            tracing::error!(
                job = job.id.0,
                "a job with programs bears no seal of this service"
            );
            self.alter(&[ended(&job, None, Err(NO_SEAL.to_owned()))]);
            return;
        }
        match LoadLock::take() {
            Ok(lock) => {
                self.loaded_elsewhere = false;
                // Known as started before it is: a machine that goes down now does not try again.
                if self.alter(&[started(&job)]) {
                    self.launch(job, lock);
                }
            }
            Err(TakeLoadLockError::Held) => {
                self.loaded_elsewhere = true;
                tracing::info!(
                    job = job.id.0,
                    "another process puts load on; the job waits"
                );
            }
            Err(error @ TakeLoadLockError::System(_)) => {
                self.loaded_elsewhere = true;
                tracing::error!(error = os::with_cause(&error), "no load lock");
            }
        }
    }

    fn launch(&mut self, job: Job, lock: LoadLock) {
        tracing::info!(job = job.id.0, suite = job.wish.suite, "a job starts");
        let order = RunOrder {
            job: job.id,
            continues: match job.origin {
                Origin::Continuation { run, times } => Some((run, times)),
                Origin::Person
                | Origin::Schedule { .. }
                | Origin::AfterChange { .. }
                | Origin::Hub { .. } => None,
            },
            wish: job.wish,
            root: self.setup.root.clone(),
            store: self.setup.folder.clone(),
            lock,
            watchdog: self.setup.hardware_watchdog,
            rows: self.rows.clone(),
        };
        self.notice = None;
        self.running = Some(start_run(order, self.news_sender.clone()));
    }

    fn answer(&mut self, call: Call) {
        let Call {
            action,
            asker,
            reply,
        } = call;
        let answer = match action {
            Action::Run(wish) => return self.run_now(*wish, asker, reply),
            Action::Stop { run, at_once } => self.stop(run, at_once),
            Action::Show => Ok(Answer::Queue(Box::new(self.view()))),
            Action::Check => self.check(),
            Action::Cancel(id) if self.runs(id) => self.end_run(StopWish::Stop),
            Action::HearHub(heard) => {
                self.hub_heard = heard;
                Ok(Answer::Done)
            }
            Action::Add(_)
            | Action::TakeIn { .. }
            | Action::Move { .. }
            | Action::Cancel(_)
            | Action::Pause
            | Action::Resume
            | Action::Release => self.setup.state.ask(action, &asker, os::moment().wall),
        };
        respond(reply, answer);
    }

    fn stop(&self, run: i64, at_once: bool) -> Result<Answer, Refusal> {
        let running = self
            .running
            .as_ref()
            .filter(|running| running.run == Some(run));
        running.ok_or(Refusal::NotRunning(run))?;
        self.end_run(if at_once {
            StopWish::Kill
        } else {
            StopWish::Stop
        })
    }

    fn check(&self) -> Result<Answer, Refusal> {
        if let Some(hold) = &self.storage {
            return Err(Refusal::Unwell(hold.reason.clone()));
        }
        let now = os::monotonic();
        let stuck = self
            .running
            .as_ref()
            .is_some_and(|running| !running.pulse.is_alive(now));
        if stuck {
            let words = "the run under way shows no life";
            return Err(Refusal::Unwell(words.to_owned()));
        }
        Ok(Answer::Done)
    }

    fn runs(&self, id: JobId) -> bool {
        self.running
            .as_ref()
            .is_some_and(|running| running.job == id)
    }

    /// Tells the run under way; one that has ended by itself meanwhile need not hear it.
    fn end_run(&self, wish: StopWish) -> Result<Answer, Refusal> {
        if let Some(running) = &self.running
            && running.stop.send(wish).is_err()
        {
            tracing::debug!("the run has just ended");
        }
        Ok(Answer::Done)
    }

    /// Somebody is there and asks: no notice, no condition, no hold; but never two at once.
    fn run_now(
        &mut self,
        wish: RunWish,
        asker: String,
        reply: oneshot::Sender<Result<Answer, Refusal>>,
    ) {
        match self.prepare_now(wish, asker) {
            Ok((job, lock)) => {
                self.waiting_replies.insert(job.id, reply);
                self.launch(job, lock);
            }
            Err(refusal) => respond(reply, Err(refusal)),
        }
    }

    fn prepare_now(&mut self, wish: RunWish, asker: String) -> Result<(Job, LoadLock), Refusal> {
        if self.ending {
            return Err(Refusal::Ending);
        }
        if self.running.is_some() {
            return Err(Refusal::Busy);
        }
        let length_s = crate::run::read_suite(&wish)?.length().as_secs();
        let lock = LoadLock::take().map_err(|error| match error {
            TakeLoadLockError::Held => Refusal::Busy,
            TakeLoadLockError::System(_) => Refusal::NotStarted(os::with_cause(&error)),
        })?;
        let new = NewJob {
            wish,
            conditions: Conditions::default(),
            priority: 0,
        };
        let state = &mut self.setup.state;
        let job = add_job(&state.queue, new, length_s, (asker, os::moment().wall))?;
        let job = state.sealed(job);
        state
            .alter(&[started(&job)])
            .map_err(|error| Refusal::Storage(os::with_cause(&error)))?;
        Ok((job, lock))
    }

    fn hear(&mut self, news: RunNews) {
        match news {
            RunNews::Begun(run) => self.begun(run),
            RunNews::Ended(end) => self.run_ended(end),
        }
        self.rows
            .send_modify(|count| *count = count.wrapping_add(1));
    }

    fn begun(&mut self, run: i64) {
        let Some(running) = &mut self.running else {
            return;
        };
        running.run = Some(run);
        let id = running.job;
        if let Some(reply) = self.waiting_replies.remove(&id) {
            respond(reply, Ok(Answer::Begun { run }));
        }
        if let Some(job) = self.setup.state.queue.job(id) {
            let mut job = job.clone();
            job.state = JobState::Running { run: Some(run) };
            self.alter(&[QueueChange::Put(Box::new(job))]);
        }
    }

    fn run_ended(&mut self, end: RunEnd) {
        let Some(running) = self.running.take() else {
            return;
        };
        let (outcome, refusal) = match end {
            RunEnd::Judged { grade, stored } => {
                if !stored {
                    tracing::error!("part of the record of the last run could not be written");
                }
                (Ok(grade), None)
            }
            RunEnd::Refused(error) => (Err(os::with_cause(&*error)), Some(Refusal::Suite(*error))),
            RunEnd::Broken(why) => (Err(why.clone()), Some(Refusal::NotStarted(why))),
        };
        tracing::info!(job = running.job.0, run = ?running.run, ?outcome, "a job has ended");
        self.late = Some(os::monotonic().plus(errors_told_within(&self.setup.root)));
        if let Some((reply, refusal)) = self.waiting_replies.remove(&running.job).zip(refusal) {
            respond(reply, Err(refusal));
        }
        if let Some(job) = self.setup.state.queue.job(running.job) {
            let change = ended(job, running.run, outcome);
            self.alter(&[change]);
        }
    }

    /// The first time the run is ended with a verdict, the second time at once.
    fn end(&mut self) {
        let wish = if std::mem::replace(&mut self.ending, true) {
            StopWish::Kill
        } else {
            StopWish::Interrupt("the service was told to end".to_owned())
        };
        self.interrupted |= self.running.is_some();
        if let Err(refusal) = self.end_run(wish) {
            tracing::debug!(%refusal, "nothing to end");
        }
    }

    fn view(&self) -> QueueView {
        let facts = self.facts();
        let around = self.around.map(|(_, around)| around);
        let world = facts.world(self, around);
        let queue = &self.setup.state.queue;
        let standings = standings(queue, &world);
        let mut view = queue_view(
            queue,
            &standings,
            (&facts.holds, self.notice),
            (facts.now, &facts.calendar),
        );
        if self.loaded_elsewhere && self.running.is_none() {
            let next = view.jobs.iter_mut().filter(|line| line.place.is_some());
            let next = next.filter(|line| line.waits.is_empty());
            next.for_each(|line| line.waits.push(LOADED_WORDS.to_owned()));
        }
        view
    }

    fn publish(&self) {
        let run = self.running.as_ref().and_then(|running| running.run);
        let snapshot = Snapshot {
            view: self.view(),
            run,
        };
        self.snapshot.send_if_modified(|known| {
            let changed = *known != snapshot;
            *known = snapshot;
            changed
        });
    }
}

/// Read from the world at one instant.
struct Facts {
    now: Moment,
    calendar: Calendar,
    holds: Vec<Hold>,
    change: Option<PendingChange>,
    checked: Checked,
}

impl Facts {
    fn world<'w>(&'w self, engine: &Engine, around: Option<Surroundings>) -> World<'w> {
        World {
            now: self.now,
            began: engine.began.wall,
            calendar: &self.calendar,
            loaded: engine.running.is_some(),
            surroundings: around,
            holds: &self.holds,
            change: self.change.as_ref(),
            checked: self.checked,
            hub_heard: engine.hub_heard,
            timing: engine.setup.timing,
            length_s: length_of,
        }
    }
}

fn respond(reply: oneshot::Sender<Result<Answer, Refusal>>, answer: Result<Answer, Refusal>) {
    if reply.send(answer).is_err() {
        tracing::debug!("whoever asked is gone");
    }
}
