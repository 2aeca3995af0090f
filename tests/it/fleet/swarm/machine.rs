//! A simulated machine: a connection, a memory that outlives it, jobs that take a while, and the same duties
//! as `fleet::agent` has. It computes nothing.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use async_nats::jetstream::message::PublishMessage;
use async_nats::jetstream::{self, AckKind, Message};
use futures_util::StreamExt;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use soakproof::fleet::link::{LinkOptions, connect};
use soakproof::fleet::protocol::{
    Beat, CHUNK_HEAD, Doing, HUB_SUBJECT, JOBS, JobEnd, JobMessage, MOST_CHUNK, MachineName,
    Outcome, PARCEL_HEAD, Progress, Word, parse_message, subject, write_message,
};
use soakproof::model::Wall;
use tokio::sync::mpsc::{Sender, channel};
use tokio::task::{AbortHandle, JoinSet};
use tokio::time::{MissedTickBehavior, interval, sleep};

use super::records::Template;

/// Between two tries at most.
const LONGEST_WAIT: Duration = Duration::from_secs(600);

/// What one machine is like.
#[derive(Debug, Clone)]
pub(crate) struct Traits {
    pub(crate) name: MachineName,
    pub(crate) serial: String,
    pub(crate) link: LinkOptions,
    pub(crate) seed: u64,
    /// Its clock is so far ahead.
    pub(crate) skew_ms: i64,
    /// It sends everything twice, under another message id.
    pub(crate) twice: bool,
    /// Shortest and longest job.
    pub(crate) work: (Duration, Duration),
    /// What has no receipt is sent again after this time, then after twice that, and so on.
    pub(crate) wait: Duration,
}

/// A job as the machine remembers it.
#[derive(Debug, Clone)]
pub(crate) struct JobHere {
    pub(crate) taken: Instant,
    until: Instant,
    /// What was told of it.
    pub(crate) outcome: Option<String>,
}

impl JobHere {
    pub(crate) fn ended(outcome: &str) -> Self {
        Self {
            taken: Instant::now(),
            until: Instant::now(),
            outcome: Some(outcome.to_owned()),
        }
    }
}

/// An outcome as the machine remembers it.
#[derive(Debug, Clone)]
pub(crate) struct Told {
    pub(crate) outcome: Outcome,
    /// Which record: 0 passes, 1 fails.
    pub(crate) template: usize,
    pub(crate) ended: Instant,
    /// The server has all of it.
    pub(crate) acknowledged: Option<Instant>,
    /// The hub says that it is kept.
    pub(crate) receipt: Option<Instant>,
    pub(crate) refused: Option<String>,
    due: Instant,
    waits: Duration,
    /// How often it was wanted once more: part of the message's id, as an agent has it.
    asked_again: u32,
}

impl Told {
    pub(crate) fn new(outcome: Outcome, template: usize) -> Self {
        let now = Instant::now();
        Self {
            outcome,
            template,
            ended: now,
            acknowledged: None,
            receipt: None,
            refused: None,
            due: now,
            waits: Duration::ZERO,
            asked_again: 0,
        }
    }

    fn again(&mut self, now: Instant) {
        self.asked_again += 1;
        self.due = now;
    }

    fn is_owed(&self) -> bool {
        self.receipt.is_none() && self.refused.is_none()
    }
}

/// What outlives a machine's death.
#[derive(Debug, Clone, Default)]
pub(crate) struct Disk {
    pub(crate) jobs: BTreeMap<String, JobHere>,
    pub(crate) told: BTreeMap<String, Told>,
}

impl Disk {
    /// Whether nothing is under way or owed.
    pub(crate) fn is_settled(&self) -> bool {
        let open = self.jobs.values().any(|job| job.outcome.is_none());
        !open && !self.told.values().any(Told::is_owed)
    }
}

/// A disk that the campaign reads too.
#[derive(Debug, Clone, Default)]
pub(crate) struct SharedDisk(Arc<Mutex<Disk>>);

impl SharedDisk {
    pub(crate) fn lock(&self) -> MutexGuard<'_, Disk> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

struct Machine {
    traits: Traits,
    templates: Arc<[Template; 2]>,
    disk: SharedDisk,
    random: StdRng,
    jetstream: jetstream::Context,
    client: async_nats::Client,
    in_hand: Option<(String, Message)>,
    tasks: JoinSet<()>,
    sending: Option<AbortHandle>,
    ticks: u64,
}

/// Lives until it is dropped, like a machine whose power may go at any moment.
pub(crate) async fn live(traits: Traits, templates: Arc<[Template; 2]>, disk: SharedDisk) {
    let Ok(client) = connect(&traits.link, true).await else {
        return;
    };
    let jetstream = jetstream::new(client.clone());
    let (sender, mut messages) = channel(1);
    let mut tasks = JoinSet::new();
    tasks.spawn(read_mailbox(jetstream.clone(), traits.name.clone(), sender));
    let words = client.subscribe(subject("word", &traits.name)).await;
    let hub = client.subscribe(HUB_SUBJECT).await;
    let (Ok(mut words), Ok(mut hub)) = (words, hub) else {
        return;
    };
    let mut random = StdRng::seed_from_u64(traits.seed);
    // Machines are not in step.
    sleep(Duration::from_millis(random.random_range(0..1000))).await;
    let mut seconds = interval(Duration::from_secs(1));
    seconds.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut machine = Machine {
        traits,
        templates,
        disk,
        random,
        jetstream,
        client,
        in_hand: None,
        tasks,
        sending: None,
        ticks: 0,
    };
    machine.rise();
    loop {
        tokio::select! {
            Some(message) = messages.recv() => machine.take(message).await,
            Some(word) = words.next() => machine.hear(&word.payload),
            Some(_) = hub.next() => {}
            _ = seconds.tick() => machine.tick().await,
        }
    }
}

impl Machine {
    /// What was under way when the machine went down is evidence, and is not run again.
    fn rise(&mut self) {
        let cut = |(id, job): (&String, &JobHere)| job.outcome.is_none().then(|| id.clone());
        let cut: Vec<String> = self.disk.lock().jobs.iter().filter_map(cut).collect();
        for job in cut {
            self.end(&job, 1);
        }
    }

    async fn take(&mut self, message: Message) {
        let Ok(job) = parse_message::<JobMessage>(&message.payload) else {
            return drop(message.ack_with(AckKind::Term).await);
        };
        let now = Instant::now();
        let (shortest, longest) = self.traits.work;
        let length = self.random.random_range(shortest..=longest);
        let known = {
            let mut disk = self.disk.lock();
            let known = disk.jobs.get(&job.id).map(|job| job.outcome.clone());
            if known.is_none() {
                let here = JobHere {
                    taken: now,
                    until: now + length,
                    outcome: None,
                };
                disk.jobs.insert(job.id.clone(), here);
            }
            if let Some(Some(outcome)) = &known
                && let Some(told) = disk.told.get_mut(outcome)
            {
                // The hub did not hear it, or lost it.
                told.receipt = None;
                told.again(now);
            }
            known
        };
        if matches!(known, Some(Some(_))) {
            drop(message.ack().await);
        } else {
            self.in_hand = Some((job.id, message));
        }
    }

    fn hear(&self, payload: &[u8]) {
        let now = Instant::now();
        let mut disk = self.disk.lock();
        match parse_message::<Word>(payload) {
            Ok(Word::Receipt { id }) => {
                if let Some(told) = disk.told.get_mut(&id) {
                    told.receipt.get_or_insert(now);
                }
            }
            Ok(Word::Refusal { id, why }) => {
                if let Some(told) = disk.told.get_mut(&id) {
                    told.refused = Some(why);
                }
            }
            Ok(Word::Again { id }) => {
                if let Some(told) = disk.told.get_mut(&id) {
                    told.again(now);
                }
            }
            Ok(Word::Cancel { .. }) | Err(_) => {}
        }
    }

    async fn tick(&mut self) {
        self.ticks += 1;
        while self.tasks.try_join_next().is_some() {}
        let now = Instant::now();
        let over = self.in_hand.as_ref().is_some_and(|(job, _)| {
            let disk = self.disk.lock();
            disk.jobs
                .get(job)
                .is_some_and(|job| job.until <= now || job.outcome.is_some())
        });
        if over && let Some((job, message)) = self.in_hand.take() {
            let template = usize::from(self.random.random_bool(0.05));
            self.end(&job, template);
            drop(message.ack().await);
        } else if self.ticks.is_multiple_of(5)
            && let Some((_, message)) = &self.in_hand
        {
            drop(message.ack_with(AckKind::Progress).await);
        }
        self.show(now).await;
        self.send_what_is_owed(now);
    }

    /// Writes the end of a job down, unless that was done.
    fn end(&self, job: &str, template: usize) {
        let run = uuid::Uuid::now_v7().to_string();
        let record = &self.templates[template];
        let at = self.wall();
        let told = record.told(&run, at);
        let outcome = Outcome {
            id: format!("{run}.{}", told.rows),
            machine: self.traits.name.clone(),
            serial: Some(self.traits.serial.clone()),
            at,
            job: Some((
                job.to_owned(),
                JobEnd::Judged {
                    grade: record.grade,
                },
            )),
            run: Some(told),
        };
        let mut disk = self.disk.lock();
        let id = outcome.id.clone();
        if let Some(here) = disk.jobs.get_mut(job)
            && here.outcome.is_none()
        {
            here.outcome = Some(id.clone());
            disk.told.insert(id, Told::new(outcome, template));
        }
    }

    fn wall(&self) -> Wall {
        Wall(wall_now().0 + self.traits.skew_ms)
    }

    async fn show(&self, now: Instant) {
        let (job, left, owed) = {
            let disk = self.disk.lock();
            let open = disk.jobs.iter().find(|(_, job)| job.outcome.is_none());
            let left = open.map(|(_, job)| job.until.saturating_duration_since(now));
            let owed = disk.told.iter().filter(|(_, told)| told.is_owed());
            let owed = owed.map(|(id, _)| id.clone()).take(8).collect();
            (open.map(|(id, _)| id.clone()), left, owed)
        };
        let doing = left.map_or(Doing::Idle, |left| {
            Doing::Running(Progress {
                suite: "night".to_owned(),
                stage: "work".to_owned(),
                stage_number: 2,
                stages: 6,
                left_s: left.as_secs(),
                hottest_c: Some(71.5),
                findings: 0,
            })
        });
        let kind = if doing == Doing::Idle || self.ticks.is_multiple_of(2) {
            "beat"
        } else {
            "live"
        };
        let beat = Beat {
            machine: self.traits.name.clone(),
            at: self.wall(),
            boot_id: format!("boot {}", self.traits.seed),
            program: "0.1.0".to_owned(),
            serial: Some(self.traits.serial.clone()),
            doing,
            job,
            owed,
        };
        if self.client.connection_state() == async_nats::connection::State::Connected {
            let to = subject(kind, &self.traits.name);
            drop(self.client.publish(to, write_message(&beat).into()).await);
        }
    }

    /// One outcome at a time, and again without a receipt.
    fn send_what_is_owed(&mut self, now: Instant) {
        if self
            .sending
            .as_ref()
            .is_some_and(|sending| !sending.is_finished())
        {
            return;
        }
        let owed = {
            let mut disk = self.disk.lock();
            let due = |told: &&mut Told| told.is_owed() && told.due <= now;
            let Some(told) = disk.told.values_mut().find(due) else {
                return;
            };
            told.waits = (told.waits * 2).clamp(self.traits.wait, LONGEST_WAIT);
            told.due = now + told.waits;
            told.clone()
        };
        let (jetstream, disk) = (self.jetstream.clone(), self.disk.clone());
        let (templates, twice) = (self.templates.clone(), self.traits.twice);
        self.sending = Some(self.tasks.spawn(async move {
            let record = &templates[owed.template];
            let sent = send(&jetstream, &owed, record, 0).await;
            if sent.is_ok() {
                if let Some(told) = disk.lock().told.get_mut(&owed.outcome.id) {
                    told.acknowledged.get_or_insert(Instant::now());
                }
                if twice {
                    drop(send(&jetstream, &owed, record, 1).await);
                }
            }
        }));
    }
}

/// The record first, the outcome last, each acknowledged by the server.
async fn send(
    jetstream: &jetstream::Context,
    owed: &Told,
    record: &Template,
    copy: u32,
) -> Result<(), jetstream::context::PublishError> {
    let mut outcome = owed.outcome.clone();
    let to = subject("results", &outcome.machine);
    let mark = format!("{}.{copy}", owed.asked_again);
    if let Some(run) = &mut outcome.run {
        let (packed, bytes) = record.parcel(&run.id);
        for (number, chunk) in bytes.chunks(MOST_CHUNK).enumerate() {
            let message = PublishMessage::build()
                .message_id(format!("{}.{number}.{mark}", packed.sha256))
                .header(PARCEL_HEAD, packed.sha256.as_str())
                .header(CHUNK_HEAD, number.to_string())
                .payload(chunk.to_vec().into());
            jetstream.send_publish(to.clone(), message).await?.await?;
        }
        run.record = Some(packed);
    }
    let message = PublishMessage::build()
        .message_id(format!("{}.{mark}", outcome.id))
        .payload(write_message(&outcome).into());
    jetstream.send_publish(to, message).await?.await?;
    Ok(())
}

async fn read_mailbox(jetstream: jetstream::Context, machine: MachineName, to: Sender<Message>) {
    loop {
        // Refused, or no mailbox yet: again after a while, like the agent.
        if read_once(&jetstream, &machine, &to).await.is_err() {
            sleep(Duration::from_secs(2)).await;
        }
    }
}

async fn read_once(
    jetstream: &jetstream::Context,
    machine: &MachineName,
    to: &Sender<Message>,
) -> Result<(), async_nats::Error> {
    use async_nats::jetstream::consumer::{PullConsumer, pull};
    let consumer: PullConsumer = jetstream
        .get_consumer_from_stream::<pull::Config, _, _>(machine.as_str(), JOBS)
        .await?;
    loop {
        let ask = consumer.batch().max_messages(1);
        let mut batch = ask.expires(Duration::from_secs(20)).messages().await?;
        while let Some(message) = batch.next().await {
            to.send(message?).await?;
        }
    }
}

/// The present.
pub(crate) fn wall_now() -> Wall {
    let since = std::time::SystemTime::UNIX_EPOCH.elapsed();
    let ms = since.expect("after 1970").as_millis();
    Wall(i64::try_from(ms).expect("before the year 292 million"))
}
