//! Copying the streams: what the desk said always before what came of it.

use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use async_nats::jetstream::consumer::PullConsumer;
use async_nats::jetstream::{Context, Message};
use futures_util::StreamExt;
use tokio::sync::mpsc::UnboundedSender;

use super::keep::{Keep, KeepError, Place};
use super::query::KeptOutcome;
use super::refusals::{Refusals, Telling};
use super::result::{TakeOutcomeError, check_outcome, take_outcome};
use super::shop::SharedShop;
use super::streams::read_from;
use crate::fleet::floor::{KnownEnd, parts_of_job};
use crate::fleet::protocol::{
    CHUNK_HEAD, DESK, DeskNote, JobEnd, MOST_CHUNK, MOST_CHUNKS, MachineName, Outcome, PARCEL_HEAD,
    RESULTS, Word, machine_of_subject, parse_message,
};
use crate::os;
use crate::store::Store;

/// Messages taken at once.
const BATCH: usize = 64;
/// How long a batch may be waited for.
const ASKED_FOR: Duration = Duration::from_millis(500);
/// After trouble.
const PAUSE: Duration = Duration::from_secs(1);
/// A server that was started anew without what it had shows within this time.
const FRESH_FOR: Duration = Duration::from_secs(30);
/// A server ends each batch by a word of its own. Where none comes for so long it has forgotten the reader, as
/// it does when it is started anew.
const WORD_WITHIN: Duration = Duration::from_secs(2);

/// Copying has come to a stop; it begins again.
#[derive(Debug, thiserror::Error)]
enum CopyError {
    #[error("the server does not give it: {0}")]
    Server(async_nats::Error),
    #[error("the server has forgotten the reader of {0}")]
    Forgotten(&'static str),
    #[error(transparent)]
    Keep(#[from] KeepError),
    #[error(transparent)]
    Take(#[from] TakeOutcomeError),
    #[error("a thread panicked")]
    Panic(#[from] tokio::task::JoinError),
}

/// What copies need.
#[derive(Debug)]
pub(super) struct Copier {
    pub(super) jetstream: Context,
    pub(super) shop: SharedShop,
    pub(super) words: UnboundedSender<(MachineName, Word)>,
    pub(super) folder: PathBuf,
    pub(super) refusals: Mutex<Refusals>,
}

/// Both files of the hub; they go to the thread that writes and come back.
struct Files {
    keep: Keep,
    store: Store,
}

/// A stream, and the reader on it.
struct Source {
    name: &'static str,
    created: String,
    reader: PullConsumer,
}

impl Copier {
    /// Copies until it is dropped.
    pub(super) async fn copy(self, keep: Keep, store: Store) {
        let mut files = Some(Files { keep, store });
        loop {
            let now = match files.take() {
                Some(files) => Ok(files),
                None => self.open(),
            };
            let stopped = match now {
                Ok(mut now) => {
                    let stopped = self.copy_for_a_while(&mut now).await;
                    files = Some(now);
                    stopped
                }
                Err(error) => Err(error),
            };
            if let Err(error) = stopped {
                tracing::warn!(error = os::with_cause(&error), "copying begins anew");
                tokio::time::sleep(PAUSE).await;
            }
        }
    }

    fn open(&self) -> Result<Files, CopyError> {
        let keep = Keep::open(&self.folder)?;
        let store =
            Store::open(&self.folder).map_err(|error| TakeOutcomeError::Store(Box::new(error)))?;
        Ok(Files { keep, store })
    }

    async fn source(&self, keep: &mut Keep, name: &'static str) -> Result<Source, CopyError> {
        let server = |error: async_nats::Error| CopyError::Server(error);
        let mut stream = self
            .jetstream
            .get_stream(name)
            .await
            .map_err(|error| server(error.into()))?;
        let info = stream.info().await.map_err(|error| server(error.into()))?;
        let created = info.created.to_string();
        let seq = keep.next_seq(name, &created)?;
        let reader = read_from(&stream, seq).await.map_err(server)?;
        Ok(Source {
            name,
            created,
            reader,
        })
    }

    async fn copy_for_a_while(&self, files: &mut Files) -> Result<(), CopyError> {
        let desk = self.source(&mut files.keep, DESK).await?;
        let results = self.source(&mut files.keep, RESULTS).await?;
        let begun = os::monotonic();
        while os::monotonic().since(begun) < FRESH_FOR {
            let came = next_batch(&results, ASKED_FOR).await?;
            // Whatever a result belongs to was said before it came, so it is known after this.
            loop {
                let notes = next_batch(&desk, Duration::from_millis(50)).await?;
                if notes.is_empty() {
                    break;
                }
                tokio::task::block_in_place(|| self.take_notes(&mut files.keep, &desk, &notes))?;
            }
            for message in &came {
                tokio::task::block_in_place(|| self.take_result(files, &results, message))?;
            }
        }
        Ok(())
    }

    fn take_notes(
        &self,
        keep: &mut Keep,
        source: &Source,
        messages: &[Message],
    ) -> Result<(), CopyError> {
        let Some(last) = messages.last() else {
            return Ok(());
        };
        let at = source.place(last)?;
        let mut notes = Vec::with_capacity(messages.len());
        for message in messages {
            match parse_message::<DeskNote>(&message.payload) {
                Ok(note) => notes.push(note),
                Err(error) => tracing::error!(%error, "a note of the desk is passed over"),
            }
        }
        keep.put_notes(&notes, &at)?;
        let mut shop = self.shop.lock();
        notes.iter().for_each(|note| shop.floor.hear(note));
        Ok(())
    }

    fn take_result(
        &self,
        files: &mut Files,
        source: &Source,
        message: &Message,
    ) -> Result<(), CopyError> {
        let at = source.place(message)?;
        let Some(machine) = machine_of_subject(&message.subject) else {
            return Ok(files.keep.pass_over(&at)?);
        };
        let refuse = |keep: &mut Keep, why: &str| {
            self.refused(&machine, "", why);
            let id = format!("message {} of {}", at.seq, at.created);
            keep.put_unsettled((&machine, &id), Some(why), &at)
        };
        if message
            .headers
            .as_ref()
            .is_some_and(|heads| heads.get(PARCEL_HEAD).is_some())
        {
            return match chunk_of(message) {
                Some((parcel, number)) => {
                    let place = (&machine, parcel.as_str(), number);
                    Ok(files.keep.put_chunk(place, &message.payload, &at)?)
                }
                None => Ok(refuse(&mut files.keep, "a chunk of no parcel")?),
            };
        }
        let outcome: Outcome = match parse_message(&message.payload) {
            Ok(outcome) => outcome,
            Err(error) => return Ok(refuse(&mut files.keep, &error.to_string())?),
        };
        self.take_outcome(files, (&machine, &outcome), &at)
    }

    fn refused(&self, machine: &MachineName, id: &str, why: &str) {
        let mut refusals = self.refusals.lock().unwrap_or_else(PoisonError::into_inner);
        match refusals.count(machine, os::monotonic()) {
            Telling::Told => tracing::warn!(%machine, id, why, "a result is refused"),
            Telling::Last => tracing::warn!(
                %machine, id, why, "a result is refused; further ones are counted for a minute"
            ),
            Telling::Untold => {}
            Telling::After(untold) => tracing::warn!(
                %machine, id, why, untold, "a result is refused, after others that were not told"
            ),
        }
    }

    fn take_outcome(
        &self,
        files: &mut Files,
        (machine, outcome): (&MachineName, &Outcome),
        at: &Place<'_>,
    ) -> Result<(), CopyError> {
        let packed = outcome.run.as_ref().and_then(|run| run.record.as_ref());
        let mut answer = files.keep.answer(machine, &outcome.id)?;
        if let Some(Word::Receipt { .. }) = answer {
            // Told again before its receipt was heard: nothing of it is read, or a busy hub would fall ever further
            // behind.
            files.keep.pass_over(at)?;
        } else {
            self.take_new(files, (machine, outcome), at)?;
            answer = files.keep.answer(machine, &outcome.id)?;
        }
        if let (Some(Word::Receipt { .. }), Some(packed)) = (&answer, packed) {
            files.keep.drop_parcel(machine, &packed.sha256)?;
        }
        if let Some(word) = answer {
            // The one who sends words lives as long as the hub.
            self.words.send((machine.clone(), word)).ok();
        }
        Ok(())
    }

    fn take_new(
        &self,
        files: &mut Files,
        (machine, outcome): (&MachineName, &Outcome),
        at: &Place<'_>,
    ) -> Result<(), CopyError> {
        let serial = check_outcome(&self.shop.lock().floor, machine, outcome);
        let place = (&mut files.keep, &mut files.store);
        let taken = serial.and_then(|serial| take_outcome(place, (machine, outcome), serial, at));
        match taken {
            Ok(kept) => {
                if let Some((job, end)) = kept.job.clone().zip(kept.job_end.clone()) {
                    let outcome = kept.key.clone();
                    let known = KnownEnd { end, outcome };
                    self.shop.lock().floor.know_end(&job, known);
                }
                tracing::info!(
                    machine = %machine,
                    grade = ?kept.grade,
                    reason = kept.reason,
                    "a result is kept"
                );
            }
            Err(TakeOutcomeError::Refused(why)) => {
                self.refused(machine, &outcome.id, &why);
                self.end_refused(&mut files.keep, (machine, outcome), &why, at)?;
                let id = (machine, outcome.id.as_str());
                files.keep.put_unsettled(id, Some(&why), at)?;
            }
            Err(TakeOutcomeError::Incomplete) => {
                tracing::warn!(machine = %machine, id = outcome.id, "a result lacks parts");
                let id = (machine, outcome.id.as_str());
                files.keep.put_unsettled(id, None, at)?;
            }
            Err(error) => return Err(error.into()),
        }
        Ok(())
    }
}

impl Copier {
    /// A job whose result was refused has ended all the same: else it would be asked for for ever.
    fn end_refused(
        &self,
        keep: &mut Keep,
        (machine, outcome): (&MachineName, &Outcome),
        why: &str,
        at: &Place<'_>,
    ) -> Result<(), CopyError> {
        let Some((job, _)) = &outcome.job else {
            return Ok(());
        };
        let ours = parts_of_job(job).is_some_and(|(order, of, _)| {
            of == *machine && self.shop.lock().floor.order(order).is_some()
        });
        if !ours {
            return Ok(());
        }
        let end = JobEnd::NotRun {
            why: format!("its result was refused: {why}"),
        };
        let mut kept = KeptOutcome::of(machine.clone(), format!("{} refused", outcome.id));
        (kept.at, kept.copied) = (outcome.at, at.now);
        kept.job = Some(job.clone());
        kept.job_end = Some(end.clone());
        kept.reason = format!("its result was refused: {why}");
        keep.put_outcome(&kept, (&kept.key, at))?;
        let outcome = kept.key;
        self.shop
            .lock()
            .floor
            .know_end(job, KnownEnd { end, outcome });
        Ok(())
    }
}

impl Source {
    fn place(&self, message: &Message) -> Result<Place<'_>, CopyError> {
        let info = message.info().map_err(CopyError::Server)?;
        Ok(Place {
            stream: self.name,
            created: &self.created,
            seq: info.stream_sequence,
            now: os::moment().wall,
        })
    }
}

async fn next_batch(source: &Source, patience: Duration) -> Result<Vec<Message>, CopyError> {
    let server = |error: async_nats::Error| CopyError::Server(error);
    let collect = async {
        let mut batch = source
            .reader
            .batch()
            .max_messages(BATCH)
            .expires(patience)
            .messages()
            .await
            .map_err(|error| server(error.into()))?;
        let mut messages = Vec::new();
        while let Some(message) = batch.next().await {
            messages.push(message.map_err(server)?);
        }
        Ok(messages)
    };
    // What a batch without its end held is read once more by the next reader.
    tokio::time::timeout(patience + WORD_WITHIN, collect)
        .await
        .map_err(|_| CopyError::Forgotten(source.name))?
}

/// Parcel and number of a chunk that has the right form.
fn chunk_of(message: &Message) -> Option<(String, u32)> {
    let heads = message.headers.as_ref()?;
    let parcel = heads.get(PARCEL_HEAD)?.as_str();
    let number: u32 = heads.get(CHUNK_HEAD)?.as_str().parse().ok()?;
    let hexadecimal = parcel.len() == 64 && parcel.bytes().all(|byte| byte.is_ascii_hexdigit());
    let fits = hexadecimal && number < MOST_CHUNKS && message.payload.len() <= MOST_CHUNK;
    fits.then(|| (parcel.to_owned(), number))
}
