//! The agent's day: one loop over everything that can happen, one state.

use std::time::Duration;

use async_nats::jetstream::{self, Message};
use futures_util::StreamExt;
use tokio::sync::mpsc::{Receiver, channel};
use tokio::sync::oneshot;
use tokio::task::JoinHandle;
use tokio::time::{MissedTickBehavior, interval};

use super::jobs::{Jobs, find_line};
use super::mailbox::read_mailbox;
use super::outbox::Outbox;
use super::progress::Follower;
use super::sending::{SendError, send};
use super::start::AgentOptions;
use crate::fleet::link::connect;
use crate::fleet::protocol::{
    BEAT_EVERY, Beat, Doing, HUB_SUBJECT, Word, parse_message, subject, write_message,
};
use crate::model::Mono;
use crate::os;
use crate::report::QueueView;
use crate::sensors::read_serial;
use crate::service::{Action, Answer, Inside};
use crate::store::Store;

/// The loop looks at least this often; live progress goes out at this pace.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// The job in hand is reported as being worked on this often; the server waits four times as long.
const REASSURE_EVERY: Duration = Duration::from_secs(5);
/// A hub that was not heard for so long is not there: another one would have taken over by then.
const HUB_GONE_AFTER: Duration = Duration::from_secs(20);
/// What is owed is looked for this often, where nothing else calls for it.
const LOOK_FOR_OWED_EVERY: Duration = Duration::from_secs(60);
/// The same while a job of the hub's waits: what it waits for changes without anybody's doing, and is shown.
const LOOK_AT_WAITING_EVERY: Duration = Duration::from_secs(4);
/// Most phrases of what a job waits for.
const MOST_WAITS: usize = 4;

/// Between tries to come to the server at all.
const PAUSE: Duration = Duration::from_secs(10);

/// Lives until it is dropped, or the service has ended.
pub(super) async fn live(options: AgentOptions, store: Store, inside: oneshot::Receiver<Inside>) {
    let Ok(inside) = inside.await else { return };
    let client = loop {
        match connect(&options.link, true).await {
            Ok(client) => break client,
            Err(error) => {
                tracing::error!(error = os::with_cause(&error), "no fleet");
                tokio::time::sleep(PAUSE).await;
            }
        }
    };
    let jetstream = jetstream::new(client.clone());
    let (sender, messages) = channel(1);
    tokio::spawn(read_mailbox(
        jetstream.clone(),
        options.machine.clone(),
        sender,
    ));
    let boot_id = options.root.read_text("proc/sys/kernel/random/boot_id");
    let serial = options
        .serial
        .clone()
        .or_else(|| read_serial(&options.root));
    let mut life = Life {
        jobs: Jobs::new(options.machine.clone()),
        outbox: Outbox::new(options.machine.clone(), serial.clone()),
        follower: Follower::default(),
        view: QueueView::default(),
        boot_id: boot_id.unwrap_or_default(),
        serial,
        hub_heard: None,
        hub_is_heard: false,
        owed_looked: None,
        waits: false,
        beat: None,
        reassured: None,
        sending: None,
        jetstream,
        client,
        store,
        inside,
        options,
    };
    if let Err(error) = life.work(messages).await {
        tracing::error!(error = %error, "this machine leaves its fleet");
    }
}

struct Life {
    options: AgentOptions,
    client: async_nats::Client,
    jetstream: jetstream::Context,
    inside: Inside,
    store: Store,
    jobs: Jobs,
    outbox: Outbox,
    follower: Follower,
    /// The queue when it last changed.
    view: QueueView,
    boot_id: String,
    serial: Option<String>,
    hub_heard: Option<Mono>,
    hub_is_heard: bool,
    owed_looked: Option<Mono>,
    /// A job of the hub's was seen to wait.
    waits: bool,
    beat: Option<Mono>,
    reassured: Option<Mono>,
    sending: Option<JoinHandle<Result<String, SendError>>>,
}

/// True at most every `span`.
fn is_due(last: &mut Option<Mono>, now: Mono, span: Duration) -> bool {
    let due = last.is_none_or(|last| now.since(last) >= span);
    if due {
        *last = Some(now);
    }
    due
}

impl Life {
    async fn work(
        &mut self,
        mut messages: Receiver<Message>,
    ) -> Result<(), async_nats::SubscribeError> {
        let words = subject("word", &self.options.machine);
        let mut words = self.client.subscribe(words).await?;
        let mut hub = self.client.subscribe(HUB_SUBJECT).await?;
        let mut looks = interval(LOOK_EVERY);
        looks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                Some(message) = messages.recv() => {
                    let taken = self.jobs.take(message, (&mut self.store, &self.inside)).await;
                    told("a job from the hub", taken);
                    self.owed_looked = None;
                }
                Some(word) = words.next() => self.hear(&word.payload),
                Some(_) = hub.next() => self.hear_hub(os::monotonic()).await,
                sent = finished(&mut self.sending) => self.sent(sent),
                changed = self.inside.changed() => {
                    if !changed {
                        return Ok(());
                    }
                    self.owed_looked = None;
                    // Changes come in crowds, and a look costs reads.
                    looks.tick().await;
                }
                _ = looks.tick() => {}
            }
            self.look().await;
        }
    }

    async fn look(&mut self) {
        let now = os::monotonic();
        if self.hub_is_heard
            && self
                .hub_heard
                .is_none_or(|heard| now.since(heard) >= HUB_GONE_AFTER)
        {
            tracing::warn!("the hub is not heard; its jobs wait");
            self.say_hub_is_heard(false).await;
        }
        let look_every = if self.waits {
            LOOK_AT_WAITING_EVERY
        } else {
            LOOK_FOR_OWED_EVERY
        };
        if is_due(&mut self.owed_looked, now, look_every)
            && let Ok(Answer::Queue(view)) = self.inside.ask(Action::Show, "the fleet").await
        {
            self.view = *view;
            let settled = self.jobs.settle(&mut self.store, &self.view).await;
            told("the hub's jobs", settled);
            let looked = self.outbox.look(&self.store, os::moment().wall);
            told("what the hub is owed", looked);
        }
        if is_due(&mut self.reassured, now, REASSURE_EVERY) {
            told("the job in hand", self.jobs.reassure().await);
        }
        if self.sending.is_none()
            && self.is_connected()
            && let Some(owed) = self.outbox.next_due(now)
        {
            let (jetstream, folder) = (self.jetstream.clone(), self.options.store.clone());
            self.sending = Some(tokio::spawn(send(jetstream, folder, owed)));
        }
        self.show(now).await;
    }

    fn is_connected(&self) -> bool {
        self.client.connection_state() == async_nats::connection::State::Connected
    }

    /// Shows signs of life, and progress during a run.
    async fn show(&mut self, now: Mono) {
        let run = self.inside.snapshot().run;
        let due = is_due(&mut self.beat, now, BEAT_EVERY);
        if !self.is_connected() || (!due && run.is_none()) {
            return;
        }
        let owed = self.store.owed_hub_jobs().unwrap_or_default();
        let open = owed.iter().find(|job| job.outcome.is_none());
        let doing = match run {
            Some(run) => match self.follower.look(&self.store, run) {
                Ok(progress) => Doing::Running(progress),
                Err(error) => {
                    tracing::warn!(%error, "the progress of the run cannot be read");
                    Doing::Running(crate::fleet::protocol::Progress::default())
                }
            },
            None => match open.and_then(|open| find_line(open, &self.view)) {
                Some(line) => Doing::Waiting {
                    waits: line.waits.iter().take(MOST_WAITS).cloned().collect(),
                },
                None => Doing::Idle,
            },
        };
        self.waits = matches!(doing, Doing::Waiting { .. });
        let beat = Beat {
            machine: self.options.machine.clone(),
            at: os::moment().wall,
            boot_id: self.boot_id.clone(),
            program: env!("CARGO_PKG_VERSION").to_owned(),
            serial: self.serial.clone(),
            doing,
            job: open.map(|job| job.id.clone()),
            owed: self.outbox.ids(),
        };
        let kind = if due { "beat" } else { "live" };
        let to = subject(kind, &self.options.machine);
        let said = self.client.publish(to, write_message(&beat).into()).await;
        told("a sign of life", said);
    }

    async fn hear_hub(&mut self, now: Mono) {
        self.hub_heard = Some(now);
        if !self.hub_is_heard {
            tracing::info!("the hub is heard");
            self.say_hub_is_heard(true).await;
        }
    }

    async fn say_hub_is_heard(&mut self, heard: bool) {
        self.hub_is_heard = heard;
        let said = self.inside.ask(Action::HearHub(heard), "the fleet").await;
        told("the service", said.map(drop));
    }

    fn hear(&mut self, payload: &[u8]) {
        let word: Word = match parse_message(payload) {
            Ok(word) => word,
            Err(error) => {
                tracing::warn!(%error, "a word of the hub's cannot be read");
                return;
            }
        };
        match word {
            Word::Receipt { id } => {
                tracing::info!(id, "the hub has it");
                told("a receipt", self.outbox.clear(&mut self.store, &id));
            }
            Word::Refusal { id, why } => {
                tracing::error!(id, why, "the hub refuses it; it stays on record here");
                told("a refusal", self.outbox.clear(&mut self.store, &id));
            }
            Word::Again { id } => {
                tracing::warn!(id, "the hub lacks parts of it; it is sent again");
                self.outbox.again(&id, os::monotonic());
            }
            Word::Cancel { job } => self.cancel(&job),
        }
    }

    fn cancel(&self, job: &str) {
        let known = self.store.hub_job(job).ok().flatten();
        let Some(local) = known.and_then(|known| known.job) else {
            return;
        };
        tracing::info!(job, local = local.0, "the hub takes its job back");
        let inside = self.inside.clone();
        // It may be over already, and then there is nothing to take back.
        tokio::spawn(async move {
            if let Err(refusal) = inside.ask(Action::Cancel(local), "the hub").await {
                tracing::debug!(%refusal, "the job is not cancelled");
            }
        });
    }

    fn sent(&mut self, sent: Result<Result<String, SendError>, tokio::task::JoinError>) {
        self.sending = None;
        match sent {
            Ok(Ok(id)) => tracing::info!(id, "told to the hub; its receipt is waited for"),
            Ok(Err(error)) => tracing::warn!(
                error = os::with_cause(&error),
                "the hub cannot be told; it is tried again"
            ),
            Err(error) => tracing::error!(%error, "sending to the hub panicked"),
        }
    }
}

/// Ends when what is being sent is; never where nothing is.
async fn finished(
    sending: &mut Option<JoinHandle<Result<String, SendError>>>,
) -> Result<Result<String, SendError>, tokio::task::JoinError> {
    match sending {
        Some(handle) => handle.await,
        None => std::future::pending().await,
    }
}

/// What goes wrong here is logged and tried again at the next look; nothing is lost by it.
fn told<E: std::error::Error>(what: &str, done: Result<(), E>) {
    if let Err(error) = done {
        tracing::warn!(error = os::with_cause(&error), "{what}");
    }
}
