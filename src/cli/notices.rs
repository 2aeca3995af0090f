//! `notices`: what was told, what waits, what was given up; a trial; another try.

use std::time::Duration;

use anyhow::Context;
use tokio::signal::unix::{SignalKind, signal};

use super::arguments::{NoticeArguments, NoticeCommand};
use super::configuration::{configuration, record_folder};
use super::run::style;
use super::{Exit, Failure, put, put_json};
use crate::model::NoticeEvent;
use crate::os::{self, Root};
use crate::report::{self, OutboxLine, escape};
use crate::service::config::Configuration;
use crate::service::notices::{NoticeDesk, Outcome, Target, attempt, example_notice};
use crate::store::{DeliveryLine, DeliveryState, Store};

/// How long another try from the command line may take in all.
const RETRY_PATIENCE: Duration = Duration::from_secs(70);
/// How long the end of a run waits for its last notices.
const END_PATIENCE: Duration = Duration::from_secs(10);

/// Runs the command.
pub(super) fn notices(wanted: &NoticeArguments) -> Result<Exit, Failure> {
    let configuration = configuration(&wanted.config).map_err(Failure::usage)?;
    match &wanted.command {
        None => list(wanted, &configuration),
        Some(NoticeCommand::Test { name }) => test(name.as_deref(), &configuration),
        Some(NoticeCommand::Retry { id }) => retry(wanted, id, &configuration),
        Some(NoticeCommand::Deliver) => deliver(wanted, configuration),
    }
}

/// Opens the desk over `store` where there is anyone to be told. That it cannot be opened is told; what
/// was asked for is the run or the service.
pub(super) fn start_desk(store: &Store, targets: Vec<Target>) -> Option<NoticeDesk> {
    let folder = store.path().parent().filter(|_| !targets.is_empty())?;
    match NoticeDesk::open(folder, targets) {
        Ok(desk) => Some(desk),
        Err(error) => {
            eprintln!("soakproof: {}", os::with_cause(&error));
            None
        }
    }
}

/// Waits a little for the last notices of a run.
pub(super) fn close_desk(desk: Option<NoticeDesk>) {
    let left = desk.map_or(0, |desk| desk.close(END_PATIENCE));
    if left > 0 {
        eprintln!(
            "soakproof: {left} deliveries of notices wait; the service or the next run tries again, or \
             `soakproof notices retry ID`"
        );
    }
}

fn open(wanted: &NoticeArguments, configuration: &Configuration) -> Result<Store, Failure> {
    let named = wanted.store.store.as_deref();
    Ok(Store::open(&record_folder(named, configuration)?)?)
}

fn list(wanted: &NoticeArguments, configuration: &Configuration) -> Result<Exit, Failure> {
    let store = open(wanted, configuration)?;
    let lines: Vec<OutboxLine> = store.deliveries()?.into_iter().map(line).collect();
    if wanted.store.output.json {
        put_json(&report::notices_json(&lines));
    } else {
        put(&report::notices_text(&lines, style()));
    }
    Ok(Exit::Fine)
}

fn line(delivery: DeliveryLine) -> OutboxLine {
    let notice = delivery.notice;
    OutboxLine {
        id: delivery.id,
        event: notice.as_ref().map(|notice| notice.event),
        title: notice.map_or_else(|| "damaged".to_owned(), |notice| notice.title),
        at: delivery.at,
        target: delivery.target,
        state: delivery.state.name().to_owned(),
        attempts: delivery.attempts,
        next: (delivery.state == DeliveryState::Waiting).then_some(delivery.due),
        last: delivery.last,
        answer: delivery.answer,
    }
}

fn test(name: Option<&str>, configuration: &Configuration) -> Result<Exit, Failure> {
    let targets = chosen(name, &configuration.notices)?;
    let runtime = os::event_loop().context("cannot start the event loop")?;
    let host = crate::sensors::read_machine(&Root::real(), &[], &[]).host;
    let mut all_taken = true;
    for target in targets {
        let now = os::moment().wall;
        let notice = example_notice(NoticeEvent::Test, &host, now);
        let id = format!("msg_{}", uuid::Uuid::now_v7().simple());
        let outcome = runtime.block_on(attempt(target, &id, &notice, now));
        all_taken &= outcome == Outcome::Taken;
        put(&format!("{}: {}\n", target.name, escape(outcome.words())));
    }
    runtime.shutdown_background();
    Ok(if all_taken { Exit::Fine } else { Exit::Other })
}

fn chosen<'t>(name: Option<&str>, targets: &'t [Target]) -> Result<Vec<&'t Target>, Failure> {
    let fits = |target: &&Target| name.is_none_or(|name| target.name == name);
    let found: Vec<&Target> = targets.iter().filter(fits).collect();
    if !found.is_empty() {
        return Ok(found);
    }
    let known: Vec<&str> = targets.iter().map(|target| target.name.as_str()).collect();
    Err(Failure::usage(match (name, known.is_empty()) {
        (_, true) => anyhow::anyhow!(
            "the configuration has no `[[notice]]`; `soakproof config example` shows how it is written"
        ),
        (name, false) => anyhow::anyhow!(
            "no notice is called `{}`; there are `{}`",
            name.unwrap_or_default(),
            known.join("`, `")
        ),
    }))
}

fn retry(
    wanted: &NoticeArguments,
    id: &str,
    configuration: &Configuration,
) -> Result<Exit, Failure> {
    let mut store = open(wanted, configuration)?;
    let id = find(&store, id)?;
    let again = store.retry_notice(&id, os::moment().wall)?;
    if again.is_empty() {
        put(&format!("{id}: delivered already\n"));
        return Ok(Exit::Fine);
    }
    let store_folder = store.path().parent().context("the store has a folder")?;
    let desk = NoticeDesk::open(store_folder, configuration.notices.clone())?;
    desk.close(RETRY_PATIENCE);
    let mut all_taken = true;
    for delivery in store.deliveries()? {
        if delivery.id == id && again.contains(&delivery.target) {
            all_taken &= delivery.state == DeliveryState::Delivered;
            let state = delivery.state.name();
            let answer = escape(&delivery.answer);
            put(&format!("{}: {state}: {answer}\n", delivery.target));
        }
    }
    Ok(if all_taken { Exit::Fine } else { Exit::Other })
}

/// The notice whose id begins so.
fn find(store: &Store, beginning: &str) -> Result<String, Failure> {
    let mut ids: Vec<String> = store
        .deliveries()?
        .into_iter()
        .map(|delivery| delivery.id)
        .filter(|id| id.starts_with(beginning))
        .collect();
    ids.dedup();
    match ids.as_slice() {
        [id] => Ok(id.clone()),
        [] => Err(Failure::usage(anyhow::anyhow!(
            "no notice `{}`; `soakproof notices` lists them",
            escape(beginning)
        ))),
        [..] => Err(Failure::usage(anyhow::anyhow!(
            "`{}` fits {} notices; say more of the id",
            escape(beginning),
            ids.len()
        ))),
    }
}

/// Sends notices until SIGTERM or SIGINT: the part of the service that needs the network and nothing
/// else, so that it can run without any rights.
fn deliver(wanted: &NoticeArguments, configuration: Configuration) -> Result<Exit, Failure> {
    if configuration.notices.is_empty() {
        put("No notice is configured, so there is nothing to do.\n");
        // A unit that ends without this has failed, and is started again and again.
        sd_notify::notify(&[sd_notify::NotifyState::Ready]).ok();
        return Ok(Exit::Fine);
    }
    let store = open(wanted, &configuration)?;
    let store_folder = store.path().parent().context("the store has a folder")?;
    let desk = NoticeDesk::open(store_folder, configuration.notices)?;
    let runtime = os::event_loop().context("cannot start the event loop")?;
    let ended = runtime.block_on(async {
        let mut terminate = signal(SignalKind::terminate())?;
        let mut interrupt = signal(SignalKind::interrupt())?;
        // Where nobody supervises this process, nobody is told.
        sd_notify::notify(&[sd_notify::NotifyState::Ready]).ok();
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
        std::io::Result::Ok(())
    });
    desk.close(END_PATIENCE);
    ended.context("cannot listen for signals")?;
    Ok(Exit::Fine)
}
