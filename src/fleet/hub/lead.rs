//! What only the holder of the lease does: send jobs, receipts, cancels, and its own sign of life. Each act
//! can be done twice without harm.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use async_nats::Client;
use async_nats::jetstream::context::PublishError;
use async_nats::jetstream::message::PublishMessage;
use async_nats::jetstream::{self, Context};
use futures_util::future::join_all;
use tokio::sync::mpsc::UnboundedReceiver;
use tokio::time::{MissedTickBehavior, interval};

use super::desk::{new_stamp, send_note};
use super::keep::{Keep, KeepError};
use super::presence::word_subject;
use super::shop::SharedShop;
use super::streams::{drop_mailbox, make_mailbox};
use crate::fleet::floor::{Standing, parts_of_job};
use crate::fleet::lease::{Lease, Try};
use crate::fleet::plan::{lost_together, message, next_jobs, present_order};
use crate::fleet::protocol::{
    BEAT_EVERY, Circuit, DeskEntry, DeskNote, HUB_SUBJECT, JOBS, JobMessage, LEASE, LEASE_SUBJECT,
    MachineName, Word, job_subject, write_message,
};
use crate::model::Mono;
use crate::os;

/// Between two rounds.
const ROUND_EVERY: Duration = Duration::from_millis(500);
/// Jobs that go out at once, in a round, and mailboxes that are made; more wait for the next one, so that receipts
/// and the lease do not.
const MOST_AT_ONCE: usize = 128;
/// A machine that is there and does not know its job after so long did not get it.
const DOUBT_AFTER: Duration = Duration::from_secs(10);

/// An act did not come about; it is tried again in the next round.
#[derive(Debug, thiserror::Error)]
enum ActError {
    #[error("the server does not take it")]
    Publish(#[from] PublishError),
    #[error("the server does not take it")]
    Say(#[from] async_nats::PublishError),
    #[error("the server does not do it: {0}")]
    Server(async_nats::Error),
    #[error(transparent)]
    Keep(#[from] KeepError),
}

/// The part of a hub that acts.
#[derive(Debug)]
pub(super) struct Lead {
    client: Client,
    post: Post,
    keep: Keep,
    /// Names this hub among others.
    id: String,
    lease: Lease,
    led: bool,
    mailboxes: BTreeSet<MachineName>,
    /// Jobs that were sent and are not known where they should be, since when.
    doubts: BTreeMap<String, Mono>,
    /// Machines whose power was found to have failed, until they are heard again.
    powerless: BTreeSet<MachineName>,
    beat: Option<Mono>,
}

impl Lead {
    pub(super) fn new(
        (client, jetstream): (Client, Context),
        shop: SharedShop,
        keep: Keep,
        id: String,
    ) -> Self {
        Self {
            client,
            post: Post { jetstream, shop },
            keep,
            id,
            lease: Lease::default(),
            led: false,
            mailboxes: BTreeSet::new(),
            doubts: BTreeMap::new(),
            powerless: BTreeSet::new(),
            beat: None,
        }
    }

    /// Acts, while it holds the lease, until it is dropped.
    pub(super) async fn work(mut self, mut words: UnboundedReceiver<(MachineName, Word)>) {
        let mut rounds = interval(ROUND_EVERY);
        rounds.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                Some((machine, word)) = words.recv() => {
                    if self.lease.holds(os::monotonic()) {
                        told("a word", self.say(&machine, &word).await);
                    }
                }
                _ = rounds.tick() => {
                    told("the lease", self.look_at_lease().await);
                    let leads = self.lease.holds(os::monotonic());
                    if leads != std::mem::replace(&mut self.led, leads) {
                        let words = if leads { "this hub acts" } else { "another hub acts" };
                        tracing::info!(id = self.id, words);
                        self.mailboxes.clear();
                        self.doubts.clear();
                    }
                    if leads {
                        self.round().await;
                    }
                }
            }
        }
    }

    async fn look_at_lease(&mut self) -> Result<(), ActError> {
        let begun = os::monotonic();
        let stream = self.post.jetstream.get_stream_no_info(LEASE).await;
        let stream = stream.map_err(|error| ActError::Server(error.into()))?;
        let last = stream.get_last_raw_message_by_subject(LEASE_SUBJECT).await;
        let revision = match last {
            Ok(last) => last.sequence,
            Err(error) if is_missing(&error) => 0,
            Err(error) => return Err(ActError::Server(error.into())),
        };
        let Try::Write { over } = self.lease.look(revision, begun) else {
            return Ok(());
        };
        let write = PublishMessage::build()
            .expected_last_subject_sequence(over)
            .payload(self.id.clone().into());
        let written = self
            .post
            .jetstream
            .send_publish(LEASE_SUBJECT, write)
            .await?;
        match written.await {
            Ok(ack) => self.lease.wrote(ack.sequence, begun),
            // Another hub was faster, or the answer was lost: the next look tells.
            Err(error) => {
                tracing::debug!(%error, "the lease was not written");
                self.lease.lost();
            }
        }
        Ok(())
    }

    async fn round(&mut self) {
        let now = os::monotonic();
        if self.beat.is_none_or(|beat| now.since(beat) >= BEAT_EVERY) {
            self.beat = Some(now);
            let beat = self.client.publish(HUB_SUBJECT, self.id.clone().into());
            told("the hub's sign of life", beat.await.map_err(ActError::from));
        }
        told("mailboxes", self.keep_mailboxes().await);
        told("circuits", self.hold_circuits(now).await);
        let jobs = {
            let shop = self.post.shop.lock();
            next_jobs(&shop.floor, &shop.seen(now))
        };
        // The server is waited for twice with each, and a cluster takes its time.
        let sending = jobs
            .iter()
            .take(MOST_AT_ONCE)
            .map(|job| self.post.send(job));
        for sent in join_all(sending).await {
            told("a job", sent);
        }
        told("answers", self.answer().await);
        told("doubts", self.doubt(now).await);
    }

    /// Every machine that is enrolled has a mailbox, and no other.
    async fn keep_mailboxes(&mut self) -> Result<(), ActError> {
        let (enrolled, revoked): (Vec<_>, Vec<_>) = {
            let shop = self.post.shop.lock();
            let names = shop
                .floor
                .machines()
                .map(|machine| (machine.name.clone(), machine.enrolled));
            names.partition(|(_, enrolled)| *enrolled)
        };
        let missing = enrolled.into_iter().map(|(machine, _)| machine);
        let missing = missing.filter(|machine| !self.mailboxes.contains(machine));
        let jetstream = &self.post.jetstream;
        let making = missing.take(MOST_AT_ONCE).map(async |machine| {
            let made = make_mailbox(jetstream, &machine).await;
            made.map(|()| machine).map_err(ActError::Server)
        });
        let mut done = Ok(());
        for made in join_all(making).await {
            match made {
                Ok(machine) => {
                    self.mailboxes.insert(machine);
                }
                Err(error) => done = Err(error),
            }
        }
        for (machine, _) in revoked {
            if self.mailboxes.remove(&machine) {
                let dropped = drop_mailbox(&self.post.jetstream, &machine).await;
                dropped.map_err(ActError::Server)?;
            }
        }
        done
    }

    /// Machines of one circuit that vanish together lost their power: a person looks before more load
    /// is put on it.
    async fn hold_circuits(&mut self, now: Mono) -> Result<(), ActError> {
        let lost = {
            let shop = self.post.shop.lock();
            let mut vanished = BTreeMap::new();
            for (name, presence) in &shop.present {
                if !presence.is_silent(now) {
                    self.powerless.remove(name);
                } else if presence.is_loaded() && !presence.remembered {
                    vanished.insert(name.clone(), presence.heard);
                }
            }
            let mut lost = Vec::new();
            for (name, machines) in lost_together(&shop.floor, &vanished) {
                // A person who has released the circuit knows of these.
                if !machines.is_subset(&self.powerless) {
                    let known = shop.floor.circuit(&name);
                    let most = known.and_then(|circuit| circuit.most);
                    lost.push((name, most, machines));
                }
            }
            lost
        };
        for (name, most, machines) in lost {
            let names: Vec<&str> = machines.iter().map(MachineName::as_str).collect();
            let why = format!("power: {} vanished together", names.join(", "));
            tracing::error!(
                circuit = name,
                why,
                "a circuit is held until a person releases it"
            );
            let held = Some(why);
            self.post
                .note(DeskEntry::Circuit(Circuit { name, most, held }))
                .await?;
            self.powerless.extend(machines);
        }
        Ok(())
    }

    async fn say(&mut self, machine: &MachineName, word: &Word) -> Result<(), ActError> {
        let to = word_subject(machine);
        Ok(self.client.publish(to, write_message(word).into()).await?)
    }

    /// Answers what machines are owed since their last beat: receipts, and cancels of what they have.
    async fn answer(&mut self) -> Result<(), ActError> {
        let waiting: Vec<(MachineName, Vec<String>, Option<String>)> = {
            let mut shop = self.post.shop.lock();
            let mut waiting = Vec::new();
            for (name, presence) in &mut shop.present {
                if std::mem::take(&mut presence.unanswered) {
                    let beat = &presence.line.beat;
                    waiting.push((name.clone(), beat.owed.clone(), beat.job.clone()));
                }
            }
            waiting
        };
        for (machine, owed, job) in waiting {
            for id in owed {
                if let Some(word) = self.keep.answer(&machine, &id)? {
                    self.say(&machine, &word).await?;
                }
            }
            let cancelled = job.filter(|job| {
                let parts = parts_of_job(job);
                let shop = self.post.shop.lock();
                parts.is_some_and(|(order, of, _)| {
                    of == machine && shop.floor.is_cancelled(order, &machine)
                })
            });
            if let Some(job) = cancelled {
                self.say(&machine, &Word::Cancel { job }).await?;
            }
        }
        Ok(())
    }

    /// A job whose machine is there and does not know it: it is still in the mailbox, or the server lost it.
    async fn doubt(&mut self, now: Mono) -> Result<(), ActError> {
        let open = self.unknown_jobs(now);
        let known: BTreeSet<&String> = open.iter().map(|(job, _)| &job.id).collect();
        self.doubts.retain(|job, _| known.contains(job));
        for (job, cancelled) in &open {
            let since = *self.doubts.entry(job.id.clone()).or_insert(now);
            if now.since(since) < DOUBT_AFTER {
                continue;
            }
            self.doubts.insert(job.id.clone(), now);
            let stream = self.post.jetstream.get_stream_no_info(JOBS).await;
            let stream = stream.map_err(|error| ActError::Server(error.into()))?;
            let to = job_subject(&job.machine);
            let last = stream.get_last_raw_message_by_subject(&to).await;
            let there = match last {
                Ok(last) => Some(last.sequence),
                Err(error) if is_missing(&error) => None,
                Err(error) => return Err(ActError::Server(error.into())),
            };
            match (there, cancelled) {
                (Some(_), false) => {}
                (None, false) => {
                    tracing::warn!(job = job.id, "a job got lost on its way and goes out again");
                    self.post.put(job, now.0).await?;
                }
                (there, true) => {
                    if let Some(seq) = there {
                        let deleted = stream.delete_message(seq).await;
                        deleted.map_err(|error| ActError::Server(error.into()))?;
                    }
                    let job = job.id.clone();
                    self.post.note(DeskEntry::Withdrawn { job }).await?;
                }
            }
        }
        Ok(())
    }

    /// Jobs that are out and not known where they should be, and whether they were taken back.
    fn unknown_jobs(&self, now: Mono) -> Vec<(JobMessage, bool)> {
        let shop = self.post.shop.lock();
        let mut unknown = Vec::new();
        for (name, presence) in &shop.present {
            if presence.is_silent(now) {
                continue;
            }
            if let Some((order, Standing::Out { job })) = present_order(&shop.floor, name)
                && presence.line.beat.job.as_ref() != Some(&job)
                // Its end is on the way.
                && presence.line.beat.owed.is_empty()
            {
                let cancelled = shop.floor.is_cancelled(&order.id, name);
                unknown.push((message(order, name, job), cancelled));
            }
        }
        unknown
    }
}

/// True where the stream has no such message.
fn is_missing(error: &jetstream::stream::LastRawMessageError) -> bool {
    matches!(
        error.kind(),
        jetstream::stream::LastRawMessageErrorKind::NoMessageFound
    )
}

/// The way to the desk and to the mailboxes, which many may go at once.
#[derive(Debug)]
struct Post {
    jetstream: Context,
    shop: SharedShop,
}

impl Post {
    /// Says it at the desk; it counts here at once.
    async fn note(&self, entry: DeskEntry) -> Result<(), ActError> {
        let note = DeskNote {
            stamp: new_stamp(os::moment().wall),
            entry,
        };
        send_note(&self.jetstream, &note.stamp.id, write_message(&note)).await?;
        self.shop.lock().floor.hear(&note);
        Ok(())
    }

    /// Known as sent before it is: whoever takes over does not plan it anew.
    async fn send(&self, job: &JobMessage) -> Result<(), ActError> {
        let sent = DeskEntry::Sent {
            job: job.id.clone(),
        };
        self.note(sent).await?;
        tracing::info!(job = job.id, suite = job.wish.suite, "a job goes out");
        self.put(job, 0).await
    }

    async fn put(&self, job: &JobMessage, again: u64) -> Result<(), ActError> {
        let message = PublishMessage::build()
            .message_id(format!("{}.{again}", job.id))
            .payload(write_message(job).into());
        let to = job_subject(&job.machine);
        self.jetstream.send_publish(to, message).await?.await?;
        Ok(())
    }
}

fn told(what: &str, done: Result<(), ActError>) {
    if let Err(error) = done {
        tracing::warn!(error = os::with_cause(&error), "{what}");
    }
}
