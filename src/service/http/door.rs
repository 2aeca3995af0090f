//! Connections: who may have how many, for how long.

use std::sync::Arc;
use std::time::Duration;

use axum::extract::Request;
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use axum::{Extension, Router};
use hyper::StatusCode;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::{UnixListener, UnixStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use super::problem::HttpProblem;
use crate::os;

/// Connections at once; more are told to come back.
const MOST_CONNECTIONS: usize = 64;
/// From the beginning of a connection, or the last answer on it, to a whole head of a request.
const HEAD_WITHIN: Duration = Duration::from_secs(10);
/// From the head to the beginning of the answer: a slow body, or a run that is being prepared.
const ANSWER_WITHIN: Duration = Duration::from_secs(60);
/// After the system refused a connection (out of descriptors, say).
const BREATHE: Duration = Duration::from_millis(200);
const TOO_MANY: &[u8] = b"HTTP/1.1 503 Service Unavailable\r\nretry-after: 1\r\n\
    connection: close\r\ncontent-length: 0\r\n\r\n";

/// The process at the other end, as the kernel tells it (`SO_PEERCRED`, unix(7)).
#[derive(Debug, Clone, Copy)]
pub(super) struct Peer {
    uid: u32,
}

impl Peer {
    /// What its person is called.
    pub(super) fn name(&self) -> String {
        os::user_name(self.uid)
    }
}

/// Serves connections until it is dropped.
pub(in crate::service) async fn listen(listener: UnixListener, router: Router) {
    let places = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    loop {
        let stream = match listener.accept().await {
            Ok((stream, _)) => stream,
            Err(error) => {
                tracing::warn!(%error, "no connection accepted");
                tokio::time::sleep(BREATHE).await;
                continue;
            }
        };
        match (Arc::clone(&places).try_acquire_owned(), stream.peer_cred()) {
            (Ok(place), Ok(credentials)) => {
                let peer = Peer {
                    uid: credentials.uid(),
                };
                let service = router.clone().layer(Extension(peer));
                tokio::spawn(serve_one(stream, service, place));
            }
            (Ok(_), Err(error)) => tracing::warn!(%error, "nobody knows who that is"),
            (Err(_), _) => {
                if let Err(error) = stream.try_write(TOO_MANY) {
                    tracing::debug!(%error, "one too many, who does not hear it");
                }
            }
        }
    }
}

async fn serve_one(stream: UnixStream, router: Router, _place: OwnedSemaphorePermit) {
    let served = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_WITHIN)
        .serve_connection(TokioIo::new(stream), TowerToHyperService::new(router))
        .await;
    if let Err(error) = served {
        tracing::debug!(%error, "a connection broke");
    }
}

/// Answers for a handler that takes too long.
pub(super) async fn in_time(request: Request, next: Next) -> Response {
    match tokio::time::timeout(ANSWER_WITHIN, next.run(request)).await {
        Ok(response) => response,
        Err(_) => HttpProblem::new(
            StatusCode::REQUEST_TIMEOUT,
            "the request did not come to its end in time",
        )
        .into_response(),
    }
}
