//! HTTP over the service's socket. A request becomes an [`Action`](super::Action) or a look into the
//! store; the answer becomes JSON, or a problem (RFC 9457). One file a resource, each with its routes;
//! limits of connections, bodies and time stand in [`door`].

mod door;
mod ledger;
mod live;
mod machine;
mod problem;
mod queue;
mod read;
mod runs;

use std::path::PathBuf;

use axum::extract::DefaultBodyLimit;
use axum::routing::get;
use axum::{Extension, Json, Router};
use serde::{Deserialize, Serialize};
use tokio::sync::mpsc::Sender;
use tokio::sync::{oneshot, watch};

use super::action::{Action, Answer, Refusal};
use super::engine::{Call, Snapshot};
use crate::model::ScheduleEntry;
use crate::os::Root;

use door::Peer;
pub(super) use door::listen;
pub(super) use ledger::{EntriesBody, LedgerBody};
use problem::{HttpProblem, wrong_method, wrong_path};
pub(super) use queue::{JobBody, MoveBody, WishBody};
pub(super) use runs::StopBody;

/// Largest body of a request, in bytes: a suite is a few kilobytes.
const MOST_BODY: usize = 256 * 1024;

/// What a client may want to know before it asks anything else.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ServiceFacts {
    /// Of the program.
    pub version: String,
    /// Of the service.
    pub pid: u32,
    /// Folder of its store.
    pub store: PathBuf,
    /// Folder that stands in for the machine, where one does.
    pub machine: Option<PathBuf>,
}

/// Everything that handlers reach.
#[derive(Debug, Clone)]
pub(super) struct Desk {
    pub(super) calls: Sender<Call>,
    pub(super) facts: ServiceFacts,
    pub(super) schedule: Vec<ScheduleEntry>,
    pub(super) root: Root,
    pub(super) snapshots: watch::Receiver<Snapshot>,
    pub(super) rows: watch::Receiver<u64>,
}

impl Desk {
    /// Asks the engine.
    async fn ask(&self, peer: &Peer, action: Action) -> Result<Answer, HttpProblem> {
        let (reply, answer) = oneshot::channel();
        let call = Call {
            action,
            asker: peer.name(),
            reply,
        };
        self.calls.send(call).await.map_err(|_| Refusal::Ending)?;
        Ok(answer.await.map_err(|_| Refusal::Ending)??)
    }
}

/// All resources.
pub(super) fn router(desk: Desk) -> Router {
    Router::new()
        .route("/v1/service", get(show_service))
        .merge(queue::routes())
        .merge(runs::routes())
        .merge(ledger::routes())
        .merge(live::routes())
        .merge(machine::routes())
        .fallback(wrong_path)
        .method_not_allowed_fallback(wrong_method)
        .layer(axum::middleware::from_fn(door::in_time))
        .layer(DefaultBodyLimit::max(MOST_BODY))
        .with_state(desk)
}

async fn show_service(
    axum::extract::State(desk): axum::extract::State<Desk>,
    Extension(_peer): Extension<Peer>,
) -> Json<ServiceFacts> {
    Json(desk.facts)
}
