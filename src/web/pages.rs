//! What all our pages share besides their headers: the script, times and widths, and events that tell a page what
//! is new on it.

use std::convert::Infallible;
use std::time::Duration;

use axum::http::header;
use axum::response::IntoResponse;
use axum::response::sse::{Event, KeepAlive, Sse};
use futures_util::Stream;
use futures_util::stream;
use jiff::tz::TimeZone;

use super::problem::HttpProblem;
use crate::report::{PAGE_SCRIPT, Style};

/// Pages have no columns; what is laid out in columns is laid out for so many.
const WIDTH: u16 = 100;
/// A comment is sent after this time without an event, so that a dead connection is noticed.
const KEEP_ALIVE: Duration = Duration::from_secs(15);

/// Times are told in the zone of the machine that serves.
pub(crate) fn page_style() -> Style {
    Style::new(false, WIDTH).in_zone(TimeZone::system())
}

/// The script of pages that change by themselves.
pub(crate) async fn page_script() -> impl IntoResponse {
    let kind = [(header::CONTENT_TYPE, "text/javascript; charset=utf-8")];
    (kind, PAGE_SCRIPT)
}

/// Waits for what is to be told next.
pub(crate) trait Teller: Send + 'static {
    /// The next event; none at the end.
    fn next(&mut self) -> impl Future<Output = Option<Event>> + Send;
}

/// All that `teller` tells, as server-sent events (WHATWG HTML, section 9.2).
pub(crate) fn events_of(teller: impl Teller) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let events = stream::unfold(teller, |mut teller| async move {
        let event = teller.next().await?;
        Some((Ok(event), teller))
    });
    Sse::new(events).keep_alive(KeepAlive::new().interval(KEEP_ALIVE))
}

/// Does `work` on a thread where it may take its time.
pub(crate) async fn aside<T: Send + 'static>(
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, HttpProblem> {
    let task = tokio::task::spawn_blocking(work);
    task.await.map_err(|error| HttpProblem::inner(&error))
}
