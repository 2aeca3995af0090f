//! The list of notices.

use serde_json::{Value, json};

use super::json::NOTICES_SCHEMA;
use super::page::{Flush, Page, Style};
use super::units::{instant, rfc3339};
use crate::model::{NoticeEvent, Wall};

/// One notice to one target.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OutboxLine {
    /// Id, the same in every attempt.
    pub id: String,
    /// What happened; none when the stored notice is damaged.
    pub event: Option<NoticeEvent>,
    /// Its title.
    pub title: String,
    /// When it was put into the outbox.
    pub at: Wall,
    /// Who is told.
    pub target: String,
    /// `waiting`, `delivered` or `dead`.
    pub state: String,
    /// Attempts so far.
    pub attempts: u32,
    /// When it is tried next, if it waits.
    pub next: Option<Wall>,
    /// When it was last tried.
    pub last: Option<Wall>,
    /// What came of it.
    pub answer: String,
}

/// A table of notices, those that a person has to look after told apart at the end.
pub fn notices_text(notices: &[OutboxLine], style: Style) -> String {
    let mut page = Page::new(&style);
    if notices.is_empty() {
        page.plain("No notice is on record.");
        return page.finish();
    }
    let rows: Vec<Vec<String>> = notices.iter().map(|notice| row(notice, &style)).collect();
    page.table(
        &[
            ("at", Flush::Left),
            ("event", Flush::Left),
            ("to", Flush::Left),
            ("state", Flush::Left),
            ("tries", Flush::Right),
            ("id and answer", Flush::Left),
        ],
        &rows,
    );
    let dead = notices
        .iter()
        .filter(|notice| notice.state == "dead")
        .count();
    if dead > 0 {
        page.plain(&format!(
            "{dead} given up; `soakproof notices retry ID` tries one again."
        ));
    }
    page.finish()
}

fn row(notice: &OutboxLine, style: &Style) -> Vec<String> {
    let next = notice.next.map(|at| instant(at, &style.zone));
    let next = next.map(|at| format!("next {at}"));
    let words = [Some(notice.id.clone()), next, Some(notice.answer.clone())];
    let words: Vec<String> = words
        .into_iter()
        .flatten()
        .filter(|text| !text.is_empty())
        .collect();
    vec![
        instant(notice.at, &style.zone),
        notice.event.map_or("damaged", NoticeEvent::name).to_owned(),
        notice.target.clone(),
        notice.state.clone(),
        notice.attempts.to_string(),
        words.join(", "),
    ]
}

/// `soakproof.notices/1`: `notices`, a list of `id`, `type` (null when damaged), `title`, `at`, `target`,
/// `state` (`waiting`, `delivered`, `dead`), `attempts` (count), `next` (null unless it waits), `last` (null
/// before the first attempt), `answer`.
pub fn notices_json(notices: &[OutboxLine]) -> Value {
    let list: Vec<Value> = notices
        .iter()
        .map(|notice| {
            json!({
                "id": notice.id,
                "type": notice.event,
                "title": notice.title,
                "at": rfc3339(notice.at),
                "target": notice.target,
                "state": notice.state,
                "attempts": notice.attempts,
                "next": notice.next.and_then(rfc3339),
                "last": notice.last.and_then(rfc3339),
                "answer": notice.answer,
            })
        })
        .collect();
    json!({ "schema": NOTICES_SCHEMA, "notices": list })
}
