//! Connections: who may have how many, for how long. Each way in has places of its own, so that whoever
//! takes all of one cannot shut out the others.

use std::future::poll_fn;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::Request;
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use hyper::StatusCode;
use hyper::server::conn::http1;
use hyper::service::{Service, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream, UnixListener};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::timeout;
use tokio_io_timeout::TimeoutStream;
use tokio_rustls::TlsAcceptor;

use super::gate::{Gate, House, admit};
use super::problem::{HttpProblem, raw_problem};
use crate::os;

/// Connections at once on each way in; more are told to come back.
const MOST_CONNECTIONS: usize = 64;
/// From the beginning of a connection, or the last answer on it, to a whole head of a request.
const HEAD_WITHIN: Duration = Duration::from_secs(10);
/// From the head to the beginning of the answer: a slow body, or a run that is being prepared.
const ANSWER_WITHIN: Duration = Duration::from_secs(60);
/// A client that takes nothing of its answer for this long is left.
const TAKEN_WITHIN: Duration = Duration::from_secs(60);
/// For the handshake of an encrypted connection.
const HANDSHAKE_WITHIN: Duration = Duration::from_secs(10);
/// After the system refused a connection (out of descriptors, say).
const BREATHE: Duration = Duration::from_millis(200);
/// What hyper takes in of a head, in bytes and fields, before it refuses in its own words; the gate's limits
/// are lower and are told as a problem.
const READ_AHEAD: usize = 64 * 1024;
const MOST_READ_FIELDS: usize = 256;

/// Who is at the other end.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Peer {
    /// A process of this machine, as the kernel tells it (`SO_PEERCRED`, unix(7)).
    Local {
        /// Its user.
        uid: u32,
    },
    /// Someone with the token.
    Remote(SocketAddr),
}

impl Peer {
    /// What its person is called.
    pub(crate) fn name(&self) -> String {
        match self {
            Self::Local { uid } => os::user_name(*uid),
            Self::Remote(address) => format!("someone at {}", address.ip()),
        }
    }
}

/// Serves connections at a Unix socket until it is dropped.
pub(crate) async fn listen(listener: UnixListener, router: Router, house: House) {
    let router = guarded(router, Gate::of_socket(house));
    let places = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    loop {
        let Some((stream, _)) = accepted(listener.accept().await).await else {
            continue;
        };
        let Ok(credentials) = stream.peer_cred() else {
            tracing::warn!("nobody knows who that is");
            continue;
        };
        let peer = Peer::Local {
            uid: credentials.uid(),
        };
        match Arc::clone(&places).try_acquire_owned() {
            Ok(place) => {
                tokio::spawn(serve_one(stream, (router.clone(), peer), place));
            }
            Err(_) => send_away(stream.try_write(&too_many())),
        }
    }
}

/// Serves connections over TCP until it is dropped, encrypted where there is a key.
pub(crate) async fn listen_tcp(
    listener: TcpListener,
    tls: Option<TlsAcceptor>,
    (router, gate): (Router, Gate),
) {
    let router = guarded(router, gate);
    let places = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    loop {
        let Some((stream, address)) = accepted(listener.accept().await).await else {
            continue;
        };
        let asked = (router.clone(), Peer::Remote(address));
        match (Arc::clone(&places).try_acquire_owned(), &tls) {
            (Ok(place), Some(tls)) => {
                tokio::spawn(serve_encrypted(stream, tls.clone(), asked, place));
            }
            (Ok(place), None) => {
                tokio::spawn(serve_one(stream, asked, place));
            }
            (Err(_), Some(_)) => tracing::debug!(%address, "one too many"),
            (Err(_), None) => send_away(stream.try_write(&too_many())),
        }
    }
}

fn guarded(router: Router, gate: Gate) -> Router {
    router.layer(from_fn_with_state(gate, admit))
}

async fn accepted<T>(accepted: std::io::Result<T>) -> Option<T> {
    match accepted {
        Ok(stream) => Some(stream),
        Err(error) => {
            tracing::warn!(%error, "no connection accepted");
            tokio::time::sleep(BREATHE).await;
            None
        }
    }
}

fn too_many() -> Vec<u8> {
    let detail = format!("{MOST_CONNECTIONS} connections are open already; try again in a second");
    raw_problem(
        StatusCode::SERVICE_UNAVAILABLE,
        &detail,
        "retry-after: 1\r\n",
    )
}

fn send_away(sent: std::io::Result<usize>) {
    if let Err(error) = sent {
        tracing::debug!(%error, "one too many, who does not hear it");
    }
}

async fn serve_encrypted(
    stream: TcpStream,
    tls: TlsAcceptor,
    asked: (Router, Peer),
    place: OwnedSemaphorePermit,
) {
    match timeout(HANDSHAKE_WITHIN, tls.accept(stream)).await {
        Ok(Ok(stream)) => serve_one(stream, asked, place).await,
        Ok(Err(error)) => tracing::debug!(%error, "no encrypted connection"),
        Err(_) => tracing::debug!("no encrypted connection in time"),
    }
}

async fn serve_one(
    stream: impl AsyncRead + AsyncWrite + Send + 'static,
    (router, peer): (Router, Peer),
    _place: OwnedSemaphorePermit,
) {
    let mut stream = TimeoutStream::new(stream);
    stream.set_write_timeout(Some(TAKEN_WITHIN));
    let inner = TowerToHyperService::new(router);
    let service = service_fn(move |mut request: hyper::Request<hyper::body::Incoming>| {
        request.extensions_mut().insert(peer);
        Box::pin(inner.call(request))
    });
    let mut connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_WITHIN)
        .max_buf_size(READ_AHEAD)
        .max_headers(MOST_READ_FIELDS)
        .serve_connection(TokioIo::new(Box::pin(stream)), service);
    let served = poll_fn(|context| connection.poll_without_shutdown(context)).await;
    let parts = connection.into_parts();
    let mut stream = parts.io.into_inner();
    if let Err(error) = served {
        tracing::debug!(%error, "a connection broke");
        // One that never began a request is not waiting for an answer.
        if error.is_timeout() && !parts.read_buf.is_empty() {
            let detail = format!("no whole head came within {} s", HEAD_WITHIN.as_secs());
            let answer = raw_problem(StatusCode::REQUEST_TIMEOUT, &detail, "");
            let written = stream.write_all(&answer).await;
            if let Err(error) = written {
                tracing::debug!(%error, "nobody hears it");
            }
        }
    }
    if let Err(error) = stream.shutdown().await {
        tracing::debug!(%error, "already closed");
    }
}

/// Answers for a handler that takes too long.
pub(crate) async fn in_time(request: Request, next: Next) -> Response {
    match timeout(ANSWER_WITHIN, next.run(request)).await {
        Ok(response) => response,
        Err(_) => HttpProblem::new(
            StatusCode::REQUEST_TIMEOUT,
            "the request did not come to its end in time",
        )
        .into_response(),
    }
}
