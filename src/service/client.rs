//! The other end of the socket: how commands reach a service that runs, and follow what it does.

use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use axum::body::{Body, Bytes};
use futures_util::StreamExt;
use hyper::client::conn::http1;
use hyper::{Method, Request, StatusCode, header};
use hyper_util::rt::TokioIo;
use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use tokio::net::UnixStream;
use tokio::sync::mpsc::UnboundedReceiver;
use tokio::time::timeout;

use super::agenda::NewJob;
use super::http::{
    EntriesBody, JobBody, JudgedBody, LedgerBody, MoveBody, NoteBody, RecoveryBody, ServiceFacts,
    StopBody, WishBody,
};
use crate::ledger::{Ledger, Outcome};
use crate::model::{Entry, Job, JobId, LedgerEntry, NotedCause, Record, RunWish};
use crate::report::QueueView;
use crate::run::Observer;
use crate::store::{DamagedRow, RunSummary, StoredOutcome, StoredRow, record_of};

/// Largest answer that is taken in whole, in bytes.
const MOST_ANSWER: usize = 64 << 20;
/// A service says at once what it is.
const FACTS_WITHIN: Duration = Duration::from_secs(5);
/// Longest line of a stream, in bytes.
const MOST_LINE: usize = 16 << 20;

/// A service did not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum ServiceError {
    /// It said no.
    #[error("{detail}")]
    Refused {
        /// True when the request itself was wrong.
        usage: bool,
        /// In its words.
        detail: String,
    },
    /// It went away.
    #[error("the service at `{}` does not answer any more", path.display())]
    Gone {
        /// Its socket.
        path: PathBuf,
        /// Why.
        #[source]
        source: Box<dyn std::error::Error + Send + Sync>,
    },
    /// What it says has no meaning here.
    #[error("the service at `{}` speaks another language; is it of the same version?", path.display())]
    Strange {
        /// Its socket.
        path: PathBuf,
        /// Why.
        #[source]
        source: serde_json::Error,
    },
    /// The record that it keeps is damaged.
    #[error("the record is damaged: {0}")]
    Damaged(DamagedRow),
}

/// A service that answers.
#[derive(Debug)]
pub struct Client {
    socket: PathBuf,
    facts: ServiceFacts,
}

/// Looks for a service at each of `sockets` and takes the first that answers.
///
/// # Errors
/// A socket is there and may not be used, with its path.
pub async fn find_service(sockets: &[PathBuf]) -> Result<Option<Client>, (PathBuf, io::Error)> {
    for socket in sockets {
        match UnixStream::connect(socket).await {
            Ok(_) => {}
            Err(error) if error.kind() == io::ErrorKind::PermissionDenied => {
                return Err((socket.clone(), error));
            }
            Err(error) => {
                tracing::debug!(%error, socket = %socket.display(), "no service there");
                continue;
            }
        }
        let asker = Asker { socket };
        let facts = asker.json(Method::GET, "/v1/service", None);
        let late = |_| Err(asker.gone("it is too slow".into()));
        match timeout(FACTS_WITHIN, facts).await.unwrap_or_else(late) {
            Ok(facts) => {
                let socket = socket.clone();
                return Ok(Some(Client { socket, facts }));
            }
            Err(error) => {
                let error: &dyn std::error::Error = &error;
                tracing::warn!(error, socket = %socket.display(), "no service there");
            }
        }
    }
    Ok(None)
}

/// What a list of runs looks like.
#[derive(Debug, Deserialize)]
struct Runs {
    runs: Vec<RunSummary>,
}

#[derive(Debug, Deserialize)]
struct Begun {
    run: i64,
}

#[derive(Debug, Deserialize)]
struct Damage {
    run: i64,
    damaged: Vec<String>,
}

#[derive(Debug, Deserialize)]
struct Problem {
    detail: String,
}

impl Client {
    /// What it says of itself.
    pub fn facts(&self) -> &ServiceFacts {
        &self.facts
    }

    fn asker(&self) -> Asker<'_> {
        Asker {
            socket: &self.socket,
        }
    }

    async fn post(&self, path: &str, body: Value) -> Result<(), ServiceError> {
        let response = self.asker().send(Method::POST, path, Some(body)).await?;
        response.map(drop)
    }

    /// The list of runs.
    ///
    /// # Errors
    /// It refuses or is gone.
    pub async fn runs(&self) -> Result<Vec<RunSummary>, ServiceError> {
        let list: Runs = self.asker().json(Method::GET, "/v1/runs", None).await?;
        Ok(list.runs)
    }

    /// Number and record of the run that `word` names.
    ///
    /// # Errors
    /// It refuses or is gone, or the record is damaged.
    pub async fn record(&self, word: &str) -> Result<(i64, Record), ServiceError> {
        let (number, rows) = self.rows(word).await?;
        let record = record_of(number, rows).map_err(ServiceError::Damaged)?;
        Ok((number, record))
    }

    /// Number and rows of the run that `word` names, as they are stored.
    ///
    /// # Errors
    /// It refuses or is gone.
    pub async fn rows(&self, word: &str) -> Result<(i64, Vec<StoredRow>), ServiceError> {
        let path = format!("/v1/runs/{}/rows", escape_segment(word));
        let response = self.asker().open(Method::GET, &path, None).await?;
        let number = response.headers().get("run");
        let number = number.and_then(|number| number.to_str().ok()?.parse().ok());
        let number = number.unwrap_or(0);
        let mut lines = self.lines(Body::new(response.into_body()));
        let mut rows: Vec<StoredRow> = Vec::new();
        while let Some(line) = lines.next().await? {
            rows.push(self.asker().parse(&line)?);
        }
        Ok((number, rows))
    }

    /// Starts a run now.
    ///
    /// # Errors
    /// It refuses or is gone.
    pub async fn start_run(&self, wish: RunWish) -> Result<i64, ServiceError> {
        let body = json!(WishBody::from(wish));
        let begun: Begun = self
            .asker()
            .json(Method::POST, "/v1/runs", Some(body))
            .await?;
        Ok(begun.run)
    }

    /// Ends run number `run`.
    ///
    /// # Errors
    /// It refuses or is gone.
    pub async fn stop_run(&self, run: i64, at_once: bool) -> Result<(), ServiceError> {
        let path = format!("/v1/runs/{run}/stop");
        self.post(&path, json!(StopBody { at_once })).await
    }

    /// Puts a person's word beside the run that `word` names.
    ///
    /// # Errors
    /// It refuses or is gone.
    pub async fn note_run(
        &self,
        word: &str,
        cause: Option<NotedCause>,
        text: &str,
    ) -> Result<(), ServiceError> {
        let path = format!("/v1/runs/{}/notes", escape_segment(word));
        let text = text.to_owned();
        self.post(&path, json!(NoteBody { cause, text })).await
    }

    /// Number of the run that `word` names, and its damaged rows in words.
    ///
    /// # Errors
    /// It refuses or is gone.
    pub async fn damage(&self, word: &str) -> Result<(i64, Vec<String>), ServiceError> {
        let path = format!("/v1/runs/{}/damage", escape_segment(word));
        let found: Damage = self.asker().json(Method::GET, &path, None).await?;
        Ok((found.run, found.damaged))
    }

    /// Headers and verdicts of the run that `word` names and of at most `earlier` runs of its suite before it,
    /// oldest first; none where the run has no verdict.
    ///
    /// # Errors
    /// It refuses or is gone.
    pub async fn judged_up_to(
        &self,
        word: &str,
        earlier: u32,
    ) -> Result<Vec<StoredOutcome>, ServiceError> {
        let path = format!("/v1/runs/{}/judged?earlier={earlier}", escape_segment(word));
        let found: JudgedBody = self.asker().json(Method::GET, &path, None).await?;
        Ok(found.runs)
    }

    /// Closes runs that were cut short, and looks for errors that showed after a run's end.
    ///
    /// # Errors
    /// It refuses or is gone.
    pub async fn close_runs(&self) -> Result<RecoveryBody, ServiceError> {
        let nothing = Some(json!({}));
        self.asker()
            .json(Method::POST, "/v1/runs/close", nothing)
            .await
    }

    /// Shows run number `run` to `observer` from its beginning to its end. `interrupted` gives a value
    /// for each wish of the person to end it: the first is orderly, later ones are at once.
    ///
    /// # Errors
    /// It is gone; the run may go on.
    pub async fn follow(
        &self,
        run: i64,
        observer: &mut dyn Observer,
        interrupted: &mut UnboundedReceiver<()>,
    ) -> Result<(), ServiceError> {
        let path = format!("/v1/runs/{run}/live");
        let response = self.asker().open(Method::GET, &path, None).await?;
        let mut lines = self.lines(Body::new(response.into_body()));
        let mut watched = None;
        let mut asked = false;
        loop {
            let line = tokio::select! {
                line = lines.next() => line?,
                Some(()) = interrupted.recv() => {
                    self.stop_run(run, std::mem::replace(&mut asked, true)).await?;
                    continue;
                }
            };
            let Some(line) = line else {
                return Err(self.asker().gone("the stream broke off".into()));
            };
            if line == "event: end" {
                return Ok(());
            }
            if let Some(data) = line.strip_prefix("data: ")
                && data != "{}"
            {
                show(&self.asker().parse(data)?, run, &mut watched, observer);
            }
        }
    }

    /// The ledger of its machine.
    ///
    /// # Errors
    /// It refuses or is gone.
    pub async fn ledger(&self) -> Result<Ledger, ServiceError> {
        let body: LedgerBody = self.asker().json(Method::GET, "/v1/ledger", None).await?;
        let outcomes = body.outcomes.iter();
        let outcomes = outcomes
            .filter_map(|stored| Outcome::of(stored.run, &stored.header, stored.verdict.as_ref()));
        Ok(Ledger::new(&body.rows, outcomes.collect(), &body.boot_id))
    }

    /// Writes entries into the ledger, all or none, behind row `after`.
    ///
    /// # Errors
    /// It refuses or is gone; somebody else may have written since it was read.
    pub async fn write_ledger(
        &self,
        after: i64,
        entries: &[LedgerEntry],
    ) -> Result<(), ServiceError> {
        let entries = entries.to_vec();
        self.post("/v1/ledger", json!(EntriesBody { after, entries }))
            .await
    }

    /// The queue.
    ///
    /// # Errors
    /// It refuses or is gone.
    pub async fn queue(&self) -> Result<QueueView, ServiceError> {
        self.asker().json(Method::GET, "/v1/queue", None).await
    }

    /// Puts a job into the queue.
    ///
    /// # Errors
    /// It refuses or is gone.
    pub async fn add(&self, new: NewJob) -> Result<Job, ServiceError> {
        let body = json!(JobBody::from(new));
        self.asker()
            .json(Method::POST, "/v1/queue", Some(body))
            .await
    }

    /// Takes a waiting job out.
    ///
    /// # Errors
    /// It refuses or is gone.
    pub async fn cancel(&self, job: JobId) -> Result<(), ServiceError> {
        let path = format!("/v1/queue/jobs/{job}/cancel");
        self.post(&path, json!({})).await
    }

    /// Brings a waiting job to this place.
    ///
    /// # Errors
    /// It refuses or is gone.
    pub async fn move_to(&self, job: JobId, place: usize) -> Result<(), ServiceError> {
        let path = format!("/v1/queue/jobs/{job}/move");
        self.post(&path, json!(MoveBody { place })).await
    }

    /// Pauses, resumes or releases the queue: `verb` is the last part of the resource's name.
    ///
    /// # Errors
    /// It refuses or is gone.
    pub async fn hold(&self, verb: &str) -> Result<(), ServiceError> {
        self.post(&format!("/v1/queue/{verb}"), json!({})).await
    }

    fn lines(&self, body: Body) -> Lines<'_> {
        Lines {
            asker: self.asker(),
            stream: body.into_data_stream(),
            unread: Vec::new(),
        }
    }
}

/// Shows one row; a row that is damaged is left to whoever reads the whole record.
fn show(row: &StoredRow, run: i64, watched: &mut Option<Record>, observer: &mut dyn Observer) {
    match watched {
        None => {
            if let Ok(header) = row.header() {
                observer.begun(run, &header);
                *watched = Some(Record::new(header));
            }
        }
        Some(record) => {
            if let Ok(entry) = row.entry() {
                if !matches!(entry, Entry::Sample(_)) {
                    record.apply(entry.clone());
                }
                observer.entry(&entry, record);
            }
        }
    }
}

/// Words of a person as one segment of a path: everything but letters, digits and `-` is escaped
/// (RFC 3986 section 2.1).
fn escape_segment(word: &str) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || byte == b'-';
    word.bytes()
        .map(|byte| match byte {
            byte if plain(byte) => char::from(byte).to_string(),
            byte => format!("%{byte:02X}"),
        })
        .collect()
}

#[derive(Debug, Clone, Copy)]
struct Asker<'s> {
    socket: &'s Path,
}

type Response = hyper::Response<hyper::body::Incoming>;

impl Asker<'_> {
    fn gone(&self, source: Box<dyn std::error::Error + Send + Sync>) -> ServiceError {
        ServiceError::Gone {
            path: self.socket.to_path_buf(),
            source,
        }
    }

    fn parse<T: DeserializeOwned>(&self, text: &str) -> Result<T, ServiceError> {
        serde_json::from_str(text).map_err(|source| ServiceError::Strange {
            path: self.socket.to_path_buf(),
            source,
        })
    }

    async fn exchange(
        &self,
        method: Method,
        path: &str,
        body: Option<Value>,
    ) -> Result<Response, Box<dyn std::error::Error + Send + Sync>> {
        let stream = UnixStream::connect(self.socket).await?;
        let (mut sender, connection) = http1::handshake(TokioIo::new(stream)).await?;
        tokio::spawn(connection);
        let request = Request::builder()
            .method(method)
            .uri(path)
            .header(header::HOST, "localhost")
            .header(header::CONTENT_TYPE, "application/json");
        let body = body.map_or_else(Body::empty, |body| Body::from(body.to_string()));
        Ok(sender.send_request(request.body(body)?).await?)
    }

    /// The outer error is that nobody answered, the inner one what was answered.
    async fn send(
        &self,
        method: Method,
        path: &str,
        body: Option<Value>,
    ) -> Result<Result<Response, ServiceError>, ServiceError> {
        let response = self.exchange(method, path, body).await;
        let response = response.map_err(|source| self.gone(source))?;
        let status = response.status();
        if status.is_success() {
            return Ok(Ok(response));
        }
        let problem = self.take_in(response).await?;
        let detail = match serde_json::from_slice::<Problem>(&problem) {
            Ok(problem) => problem.detail,
            Err(_) => format!("the service answers {status}"),
        };
        let usage = matches!(
            status,
            StatusCode::BAD_REQUEST
                | StatusCode::NOT_FOUND
                | StatusCode::UNPROCESSABLE_ENTITY
                | StatusCode::PAYLOAD_TOO_LARGE
        );
        Ok(Err(ServiceError::Refused { usage, detail }))
    }

    async fn open(
        &self,
        method: Method,
        path: &str,
        body: Option<Value>,
    ) -> Result<Response, ServiceError> {
        self.send(method, path, body).await?
    }

    async fn json<T: DeserializeOwned>(
        &self,
        method: Method,
        path: &str,
        body: Option<Value>,
    ) -> Result<T, ServiceError> {
        let response = self.open(method, path, body).await?;
        let bytes = self.take_in(response).await?;
        self.parse(&String::from_utf8_lossy(&bytes))
    }

    async fn take_in(&self, response: Response) -> Result<Bytes, ServiceError> {
        let body = Body::new(response.into_body());
        let bytes = axum::body::to_bytes(body, MOST_ANSWER).await;
        bytes.map_err(|error| self.gone(error.into()))
    }
}

/// A body as lines.
struct Lines<'s> {
    asker: Asker<'s>,
    stream: axum::body::BodyDataStream,
    unread: Vec<u8>,
}

impl Lines<'_> {
    /// The next whole line, without its end. Safe to be dropped while it waits.
    async fn next(&mut self) -> Result<Option<String>, ServiceError> {
        loop {
            if let Some(end) = self.unread.iter().position(|byte| *byte == b'\n') {
                let line: Vec<u8> = self.unread.drain(..=end).collect();
                let text = String::from_utf8_lossy(&line);
                return Ok(Some(text.trim_end_matches('\n').to_owned()));
            }
            match self.stream.next().await {
                Some(Ok(bytes)) => self.unread.extend_from_slice(&bytes),
                Some(Err(error)) => return Err(self.asker.gone(error.into())),
                None => return Ok(None),
            }
            if self.unread.len() > MOST_LINE {
                return Err(self.asker.gone("a line without an end".into()));
            }
        }
    }
}
