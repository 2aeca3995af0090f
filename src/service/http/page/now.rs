//! What is under way, and its changes as server-sent events (WHATWG HTML, section 9.2).

use std::convert::Infallible;
use std::time::Duration;

use axum::Extension;
use axum::extract::State;
use axum::response::sse::{Event, Sse};
use futures_util::Stream;
use tokio::sync::watch;

use super::{Desk, HttpProblem, Shown, Visitor, shown};
use crate::report::live::LiveView;
use crate::report::{QueueView, RenderPageError, RunLine, Site, Style, now_page, now_parts};
use crate::service::http::read::look;
use crate::service::run_line;
use crate::service::wires::Snapshot;
use crate::web::{Teller, events_of, page_style};

/// Nobody reads faster, and the machine has other work.
const EACH: Duration = Duration::from_secs(2);

/// Makes a page, or the part of it that changes.
type Maker = fn(
    Option<&LiveView>,
    (&QueueView, Option<&RunLine>),
    &Site,
    &Style,
) -> Result<String, RenderPageError>;

/// What is under way.
pub(super) async fn show(
    State(desk): State<Desk>,
    Extension(visitor): Extension<Visitor>,
) -> Shown {
    shown(Ok(make(&desk, visitor.site(), now_page).await?))
}

async fn make(desk: &Desk, site: Site, maker: Maker) -> Result<String, HttpProblem> {
    let Snapshot { view, run } = desk.snapshots.borrow().clone();
    let followed = desk.followed.clone();
    look(desk.facts.store.clone(), move |store| {
        let style = page_style();
        let last = match run {
            Some(_) => None,
            None => store.runs()?.pop().map(run_line),
        };
        let page = followed.look((store, run), &style, |live| {
            maker(live, (&view, last.as_ref()), &site, &style)
        })?;
        Ok(page?)
    })
    .await
}

/// The part of the page that changes, whenever it has, as events `now`.
pub(super) async fn live(
    State(desk): State<Desk>,
    Extension(visitor): Extension<Visitor>,
) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let watcher = Watcher {
        snapshots: desk.snapshots.clone(),
        rows: desk.rows.clone(),
        desk,
        visitor,
        sent: String::new(),
    };
    events_of(watcher)
}

struct Watcher {
    desk: Desk,
    visitor: Visitor,
    snapshots: watch::Receiver<Snapshot>,
    rows: watch::Receiver<u64>,
    sent: String,
}

impl Teller for Watcher {
    /// The next event; none once the visit has ended.
    async fn next(&mut self) -> Option<Event> {
        loop {
            if !self.sent.is_empty() {
                tokio::time::sleep(EACH).await;
                tokio::select! {
                    changed = self.snapshots.changed() => changed.ok()?,
                    changed = self.rows.changed() => changed.ok()?,
                }
            }
            if !self.visitor.is_in() {
                return None;
            }
            // Marked before the store is read: what comes meanwhile is told by the next event.
            self.snapshots.mark_unchanged();
            self.rows.mark_unchanged();
            let parts = make(&self.desk, self.visitor.site(), now_parts)
                .await
                .ok()?;
            if parts != self.sent {
                let event = Event::default().event("now").data(&parts);
                self.sent = parts;
                return Some(event);
            }
        }
    }
}
