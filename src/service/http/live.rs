//! Live views as server-sent events (WHATWG HTML, section 9.2). What is sent is read from the store
//! when there is more in it, so nobody hears of anything before it is on disk, a slow reader costs no
//! memory, and one who comes back says with `Last-Event-ID` how far it was.

use std::collections::VecDeque;
use std::convert::Infallible;

use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::sse::{Event, Sse};
use futures_util::Stream;
use serde_json::json;
use tokio::sync::watch;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::Desk;
use super::read::look;
use super::runs::PAGE_ROWS;
use crate::report::queue_json;
use crate::service::wires::Snapshot;
use crate::store::StoredRow;
use crate::web::{HttpProblem, Path, Teller, events_of};

pub(super) fn routes() -> OpenApiRouter<Desk> {
    OpenApiRouter::new()
        .routes(routes!(live))
        .routes(routes!(follow))
}

/// Queue and number of the run under way, whenever they change, as server-sent events `state`.
#[utoipa::path(
    get, path = "/v1/live", tag = "live",
    responses((status = 200, content_type = "text/event-stream", body = String))
)]
async fn live(State(desk): State<Desk>) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let mut snapshots = desk.snapshots;
    snapshots.mark_changed();
    events_of(States(snapshots))
}

struct States(watch::Receiver<Snapshot>);

impl Teller for States {
    async fn next(&mut self) -> Option<Event> {
        self.0.changed().await.ok()?;
        let snapshot = self.0.borrow_and_update();
        let data = json!({ "run": snapshot.run, "queue": queue_json(&snapshot.view) });
        Some(Event::default().event("state").data(data.to_string()))
    }
}

/// The rows of a run as they come to lie on disk, as server-sent events `row`; `end` after the last one.
#[utoipa::path(
    get, path = "/v1/runs/{run}/live", tag = "live",
    params(
        ("run" = String, Path, description = "Number, beginning of an id, or `last`"),
        ("Last-Event-ID" = Option<i64>, Header, description = "Number of the last row that was seen")
    ),
    responses((status = 200, content_type = "text/event-stream", body = String))
)]
async fn follow(
    State(desk): State<Desk>,
    Path(word): Path<String>,
    headers: HeaderMap,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, HttpProblem> {
    let after = match headers.get("last-event-id") {
        None => -1,
        Some(id) => id
            .to_str()
            .ok()
            .and_then(|id| id.parse().ok())
            .ok_or_else(|| {
                HttpProblem::new(StatusCode::BAD_REQUEST, "`Last-Event-ID` is no row number")
            })?,
    };
    let folder = desk.facts.store.clone();
    let run = look(folder, move |store| Ok(store.find_run(&word)?)).await?;
    let follower = Follower {
        run,
        after,
        ready: VecDeque::new(),
        over: false,
        rows: desk.rows.clone(),
        desk,
    };
    Ok(events_of(follower))
}

struct Follower {
    run: i64,
    after: i64,
    ready: VecDeque<StoredRow>,
    over: bool,
    rows: watch::Receiver<u64>,
    desk: Desk,
}

impl Teller for Follower {
    async fn next(&mut self) -> Option<Event> {
        while !self.over {
            if let Some(row) = self.ready.pop_front() {
                self.after = row.seq;
                let event = Event::default().event("row").id(row.seq.to_string());
                return Some(event.data(json!(row).to_string()));
            }
            // Asked before the store is read: a run that is over by now has written everything.
            let over = self.desk.snapshots.borrow().run != Some(self.run);
            self.rows.mark_unchanged();
            let (run, after) = (self.run, self.after);
            let folder = self.desk.facts.store.clone();
            let page = look(folder, move |store| Ok(store.rows(run, after, PAGE_ROWS)?)).await;
            self.ready = page.ok()?.into();
            if self.ready.is_empty() {
                if over {
                    self.over = true;
                    return Some(Event::default().event("end").data("{}"));
                }
                self.rows.changed().await.ok()?;
            }
        }
        None
    }
}
