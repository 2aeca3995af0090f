//! HTTP over the service's socket. A request becomes an [`Action`](super::Action) or a look into the
//! store; the answer becomes JSON, or a problem (RFC 9457). One file a resource, each with its routes.
//! [`page`] shows the same to browsers.

mod document;
mod health;
mod ledger;
mod live;
mod machine;
mod metrics;
mod page;
mod past;
mod queue;
mod read;
mod refusals;
mod rights;
mod runs;
mod samples;
mod suites;

use std::net::SocketAddr;
use std::path::PathBuf;

use axum::extract::{DefaultBodyLimit, State};
use axum::{Json, Router};
use serde::{Deserialize, Serialize};
use tokio::sync::mpsc::Sender;
use tokio::sync::{oneshot, watch};
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::action::{Action, Answer, Refusal};
use super::wires::{Call, Snapshot};
use crate::model::ScheduleEntry;
use crate::os::Root;
use crate::web::{HttpProblem, Peer, in_time, wrong_method, wrong_path};

pub use document::openapi;
pub(super) use ledger::{EntriesBody, LedgerBody};
pub(super) use page::{Followed, HOUSE};
pub use past::{ClosedLine, LeftLine, RecoveryBody};
pub(super) use past::{JudgedBody, NoteBody};
pub(super) use queue::{JobBody, MoveBody, WishBody};
use rights::check_programs;
pub(super) use runs::StopBody;

/// Largest body of a request, in bytes: a suite is a few kilobytes.
const MOST_BODY: usize = 256 * 1024;

/// What a client may want to know before it asks anything else.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ServiceFacts {
    /// Of the program.
    pub version: String,
    /// Of the service.
    pub pid: u32,
    /// Folder of its store.
    #[schema(value_type = String)]
    pub store: PathBuf,
    /// Folder that stands in for the machine, where one does.
    #[schema(value_type = Option<String>)]
    pub machine: Option<PathBuf>,
    /// Where it listens over TCP, where it does.
    #[serde(default)]
    #[schema(value_type = Option<String>)]
    pub listen: Option<SocketAddr>,
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
    pub(super) followed: Followed,
}

impl Desk {
    /// Asks the engine.
    async fn ask(&self, peer: &Peer, action: Action) -> Result<Answer, HttpProblem> {
        match &action {
            Action::Add(new) => check_programs(peer, &new.wish)?,
            Action::Run(wish) => check_programs(peer, wish)?,
            Action::Show
            | Action::TakeIn { .. }
            | Action::HearHub(_)
            | Action::Check
            | Action::Move { .. }
            | Action::Cancel(_)
            | Action::Pause
            | Action::Resume
            | Action::Release
            | Action::Stop { .. } => {}
        }
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

/// All resources that the document tells of.
fn resources() -> OpenApiRouter<Desk> {
    OpenApiRouter::with_openapi(document::head())
        .routes(routes!(show_service))
        .merge(queue::routes())
        .merge(runs::routes())
        .merge(past::routes())
        .merge(samples::routes())
        .merge(live::routes())
        .merge(ledger::routes())
        .merge(machine::routes())
        .merge(suites::routes())
        .merge(health::routes())
        .merge(metrics::routes())
}

/// All resources.
pub(super) fn router(desk: Desk) -> Router {
    let (router, _) = resources().split_for_parts();
    router
        .merge(document::routes())
        .merge(page::routes())
        .fallback(wrong_path)
        .method_not_allowed_fallback(wrong_method)
        .layer(axum::middleware::from_fn(in_time))
        .layer(DefaultBodyLimit::max(MOST_BODY))
        .with_state(desk)
}

/// What the service is, and what it keeps.
#[utoipa::path(get, path = "/v1/service", tag = "service", responses((status = 200, body = ServiceFacts)))]
async fn show_service(State(desk): State<Desk>) -> Json<ServiceFacts> {
    Json(desk.facts)
}
