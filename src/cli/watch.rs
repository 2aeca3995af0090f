//! `watch`: look on at a run that somebody started elsewhere.

use std::time::Duration;

use anyhow::Context;
use tokio::signal::unix::SignalKind;
use tokio::sync::mpsc::unbounded_channel;

use super::arguments::{StoreArguments, WatchArguments};
use super::progress::Screen;
use super::run::{open_store, style};
use super::through::{Service, find, told_to_leave};
use super::{Exit, Failure, put};
use crate::model::{Entry, Record, RunHeader};
use crate::os;
use crate::report;
use crate::run::Observer;
use crate::store::Store;

/// How often the record is looked at where no service tells of it.
const LOOK: Duration = Duration::from_millis(500);
/// Rows that are read at once.
const PAGE: u32 = 500;

/// Looks on until the run or the patience of the person ends.
pub(super) fn watch(wanted: &WatchArguments) -> Result<Exit, Failure> {
    let place = wanted.place.as_store();
    match find(&place, None)? {
        Some(service) => watch_there(&service, wanted),
        None => watch_store(&place, wanted),
    }
}

fn watch_there(service: &Service, wanted: &WatchArguments) -> Result<Exit, Failure> {
    let (number, _) = service.wait(async |client| client.record(&wanted.run).await)?;
    let (sender, mut wishes) = unbounded_channel();
    let stop = move || {
        if sender.send(()).is_err() {
            tracing::debug!("the run is over already");
        }
    };
    let mut screen = Screen::new(wanted.lines, Some(Box::new(stop)));
    let seen = service.wait(async |client| {
        let followed = client.follow(number, &mut screen, &mut wishes);
        tokio::select! {
            followed = followed => followed.map(|()| true),
            () = leave() => Ok(false),
        }
    });
    screen.clear();
    if seen? {
        let (number, record) =
            service.wait(async |client| client.record(&number.to_string()).await)?;
        show(number, &record);
    }
    Ok(Exit::Fine)
}

/// Ends when the person, or the system, wants this process to end; the run goes on.
async fn leave() {
    let kinds = [
        SignalKind::interrupt(),
        SignalKind::terminate(),
        SignalKind::hangup(),
    ];
    told_to_leave(kinds).await;
}

/// A run of another process of the same record: what lies on disk is looked at again and again.
fn watch_store(place: &StoreArguments, wanted: &WatchArguments) -> Result<Exit, Failure> {
    let store = open_store(place.store.as_deref())?;
    let number = store.find_run(&wanted.run).map_err(Failure::usage)?;
    let mut screen = Screen::new(wanted.lines, None);
    let runtime = os::event_loop().context("cannot start the event loop")?;
    let seen = runtime.block_on(async {
        tokio::select! {
            seen = look_on(&store, number, &mut screen) => seen.map(Some),
            () = leave() => Ok(None),
        }
    });
    screen.clear();
    if let Some(record) = seen? {
        show(number, &record);
    }
    Ok(Exit::Fine)
}

/// Shows what comes until there is a verdict, then the whole record.
async fn look_on(store: &Store, number: i64, screen: &mut Screen) -> Result<Record, anyhow::Error> {
    let mut rows = store.rows(number, -1, PAGE)?;
    let header: RunHeader = rows
        .first()
        .and_then(|row| row.header().ok())
        .context("the header of the run is damaged")?;
    screen.begun(number, &header);
    let mut record = Record::new(header);
    let mut after = 0;
    loop {
        for row in rows.iter().filter(|row| row.seq > 0) {
            after = row.seq;
            // What is damaged is told by the report.
            let Ok(entry) = row.entry() else {
                continue;
            };
            // The observer's record holds all that is known but the samples.
            if !matches!(entry, Entry::Sample(_)) {
                record.apply(entry.clone());
            }
            screen.entry(&entry, &record);
        }
        if record.verdict().is_some() {
            return Ok(store.record(number)?);
        }
        if rows.len() <= 1 {
            tokio::time::sleep(LOOK).await;
        }
        rows = store.rows(number, after, PAGE)?;
    }
}

fn show(number: i64, record: &Record) {
    if let Some(verdict) = record.verdict() {
        let style = style().of_run(number);
        put(&report::verdict_text(record, verdict, style));
    }
}
