//! The board, and its changes as server-sent events (WHATWG HTML, section 9.2).

use std::collections::{BTreeMap, BTreeSet};
use std::convert::Infallible;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::Extension;
use axum::extract::{self, RawQuery};
use axum::response::sse::{Event, Sse};
use futures_util::Stream;
use serde::Deserialize;

use super::{Desk, Shown};
use crate::fleet::hub::board::{BoardLine, State, board_lines, held_words};
use crate::fleet::hub::query::KeptOutcome;
use crate::model::Mono;
use crate::os;
use crate::report::{BoardRow, BoardSeen, Choice, board_news, board_page};
use crate::web::{Asked, HttpProblem, Teller, Visitor, events_of};

/// Nobody reads faster.
const EACH: Duration = Duration::from_secs(2);
/// All who look within this time see the same.
const SAME_FOR: Duration = Duration::from_secs(1);
/// The floor as it was put together last.
#[derive(Debug, Default)]
pub(super) struct Latest(Mutex<Option<(Mono, Arc<KnownFloor>)>>);

#[derive(Debug)]
struct KnownFloor {
    lines: Vec<BoardLine>,
    cautions: Vec<String>,
}

/// Which machines are wanted.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Wanted {
    group: String,
    circuit: String,
    state: String,
    name: String,
}

impl Wanted {
    fn fits(&self, line: &BoardLine) -> bool {
        let is = |wanted: &str, has: Option<&str>| wanted.is_empty() || has == Some(wanted);
        is(&self.group, line.group.as_deref())
            && is(&self.circuit, line.circuit.as_deref())
            && is(&self.state, Some(line.state.words()))
            && line.machine.as_str().contains(self.name.trim())
    }
}

/// Every machine with what it is at.
pub(super) async fn show(
    extract::State(desk): extract::State<Desk>,
    Extension(visitor): Extension<Visitor>,
    RawQuery(query): RawQuery,
    Asked(wanted): Asked<Wanted>,
) -> Shown {
    let query = query.unwrap_or_default();
    let seen = desk
        .look(move |desk| Ok(see(&*known_floor(desk)?, &wanted, query)))
        .await?;
    Ok(axum::response::Html(board_page(&seen, &visitor.site())?))
}

/// What is new on the board, as events `now`.
pub(super) async fn live(
    extract::State(desk): extract::State<Desk>,
    Extension(visitor): Extension<Visitor>,
    RawQuery(query): RawQuery,
    Asked(wanted): Asked<Wanted>,
) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let watcher = Watcher {
        desk,
        visitor,
        wanted,
        query: query.unwrap_or_default(),
        before: None,
    };
    events_of(watcher)
}

struct Watcher {
    desk: Desk,
    visitor: Visitor,
    wanted: Wanted,
    query: String,
    /// None until something was sent: what has changed since the page was made is not known.
    before: Option<BoardSeen>,
}

impl Teller for Watcher {
    /// The next event; none once the visit has ended.
    async fn next(&mut self) -> Option<Event> {
        loop {
            if self.before.is_some() {
                tokio::time::sleep(EACH).await;
            }
            if !self.visitor.is_in() {
                return None;
            }
            let (wanted, query) = (self.wanted.clone(), self.query.clone());
            let before = self.before.take().unwrap_or_default();
            let looked = self.desk.look(move |desk| {
                let seen = see(&*known_floor(desk)?, &wanted, query);
                let news = board_news(&seen, &before)?;
                Ok((seen, news))
            });
            let (seen, news) = looked.await.ok()?;
            self.before = Some(seen);
            if let Some(news) = news {
                return Some(Event::default().event("now").data(news));
            }
        }
    }
}

fn known_floor(desk: &Desk) -> Result<Arc<KnownFloor>, HttpProblem> {
    let Desk { shop, latest, .. } = desk;
    let mut latest = latest.0.lock().unwrap_or_else(PoisonError::into_inner);
    let now = os::monotonic();
    if let Some((at, known)) = &*latest
        && now.since(*at) < SAME_FOR
    {
        return Ok(Arc::clone(known));
    }
    let last = desk.keep()?.last_outcomes()?;
    let shop = shop.lock();
    let present = shop.present.iter();
    let live: BTreeMap<_, _> = present
        .map(|(name, presence)| (name.clone(), presence.line.clone()))
        .collect();
    let known = Arc::new(KnownFloor {
        lines: board_lines(&shop.floor, &live, &last, os::moment().wall),
        cautions: held_words(&shop.floor),
    });
    *latest = Some((now, Arc::clone(&known)));
    Ok(known)
}

fn see(floor: &KnownFloor, wanted: &Wanted, query: String) -> BoardSeen {
    let lines = &floor.lines;
    let named = |of: fn(&BoardLine) -> Option<&String>| -> Vec<String> {
        let names: BTreeSet<&String> = lines.iter().filter_map(of).collect();
        names.into_iter().cloned().collect()
    };
    let states: Vec<(usize, String)> = State::ALL
        .iter()
        .map(|state| {
            let number = lines.iter().filter(|line| line.state == *state).count();
            (number, state.to_string())
        })
        .filter(|(number, _)| *number > 0)
        .collect();
    let choice = |label, name, options, chosen: &str| Choice {
        label,
        name,
        options,
        chosen: chosen.to_owned(),
    };
    let fitting = lines.iter().filter(|line| wanted.fits(line));
    BoardSeen {
        rows: fitting.map(row).collect(),
        cautions: floor.cautions.clone(),
        choices: vec![
            choice(
                "group",
                "group",
                named(|line| line.group.as_ref()),
                &wanted.group,
            ),
            choice(
                "circuit",
                "circuit",
                named(|line| line.circuit.as_ref()),
                &wanted.circuit,
            ),
            choice(
                "state",
                "state",
                State::ALL.map(|state| state.to_string()).to_vec(),
                &wanted.state,
            ),
        ],
        states,
        name: wanted.name.clone(),
        query,
    }
}

fn row(line: &BoardLine) -> BoardRow {
    let grade = line.last.as_ref().and_then(|last| last.grade);
    BoardRow {
        machine: line.machine.to_string(),
        circuit: line.circuit.clone().unwrap_or_default(),
        state: line.state.to_string(),
        state_tone: match line.state {
            State::Vanished => "failed",
            State::Silent => "marginal",
            State::Running => "provisional",
            State::NeverHeard | State::Waiting | State::Idle => "",
        },
        stage: line.stage_words(),
        left: line.left_words(),
        hottest: line.hottest_words(),
        grade: line
            .last
            .as_ref()
            .map_or_else(String::new, KeptOutcome::grade_words),
        grade_tone: grade.map_or_else(String::new, |grade| grade.to_string()),
        why: line.why.clone(),
    }
}
