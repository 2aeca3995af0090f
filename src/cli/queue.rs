//! `queue`: what waits, and what a person wants of it; through the service where one runs, else in the
//! store itself.

use jiff::tz::TimeZone;

use super::arguments::{AddArguments, QueueArguments, QueueCommand, StoreArguments};
use super::configuration::usual_record_folder;
use super::run::{style, wish};
use super::through::{Service, find};
use super::{Exit, Failure, put, put_json};
use crate::model::{Conditions, Job, JobId};
use crate::os::{self, Root};
use crate::report;
use crate::service::agenda::{NewJob, parse_at, parse_window};
use crate::service::{Action, Answer, QueueState, Refusal};

/// Runs the command.
pub(super) fn queue(wanted: QueueArguments) -> Result<Exit, Failure> {
    let (action, store) = match wanted.command {
        None => return show(&wanted.store),
        Some(QueueCommand::Add(wanted)) => return add(*wanted),
        Some(QueueCommand::Move { job, place, store }) => {
            let job = JobId(job);
            (Action::Move { job, place }, store)
        }
        Some(QueueCommand::Cancel { job, store }) => (Action::Cancel(JobId(job)), store),
        Some(QueueCommand::Pause(store)) => (Action::Pause, store),
        Some(QueueCommand::Resume(store)) => (Action::Resume, store),
        Some(QueueCommand::Release(store)) => (Action::Release, store),
    };
    match find(&store, None)? {
        Some(service) => ask_service(&service, &action)?,
        None => ask_store(&store, action).map(drop)?,
    }
    show(&store)
}

fn ask_service(service: &Service, action: &Action) -> Result<(), Failure> {
    service.wait(async |client| match action {
        Action::Move { job, place } => client.move_to(*job, *place).await,
        Action::Cancel(job) => client.cancel(*job).await,
        Action::Pause => client.hold("pause").await,
        Action::Resume => client.hold("resume").await,
        Action::Release => client.hold("release").await,
        Action::Add(_) | Action::Show | Action::Check | Action::Run(_) | Action::Stop { .. } => {
            Ok(())
        }
    })?;
    Ok(())
}

fn ask_store(store: &StoreArguments, action: Action) -> Result<Answer, Failure> {
    let mut state = QueueState::open(&usual_record_folder(store.store.as_deref())?)?;
    let asker = os::user_name(os::own_user());
    let now = os::moment().wall;
    state.ask(action, &asker, now).map_err(refused)
}

fn refused(refusal: Refusal) -> Failure {
    let exit = match &refusal {
        Refusal::Queue(_) | Refusal::Suite(_) => Exit::Usage,
        Refusal::NotStarted(_)
        | Refusal::Busy
        | Refusal::NotOfTheQueue
        | Refusal::NotRunning(_)
        | Refusal::Storage(_)
        | Refusal::Unwell(_)
        | Refusal::Ending => Exit::Other,
    };
    Failure {
        error: refusal.into(),
        exit,
    }
}

fn show(store: &StoreArguments) -> Result<Exit, Failure> {
    let service = find(store, None)?;
    let view = match &service {
        Some(service) => service.wait(async |client| client.queue().await)?,
        None => {
            QueueState::open(&usual_record_folder(store.store.as_deref())?)?.view(&Root::real())
        }
    };
    if store.output.json {
        put_json(&report::queue_json(&view));
    } else {
        put(&report::queue_text(&view, service.is_some(), style()));
    }
    Ok(Exit::Fine)
}

fn add(wanted: AddArguments) -> Result<Exit, Failure> {
    let new = NewJob {
        wish: wish(&wanted.named)?,
        conditions: conditions(&wanted)?,
        priority: wanted.priority,
    };
    let job = match find(&wanted.store, None)? {
        Some(service) => service.wait(async |client| client.add(new).await)?,
        None => match ask_store(&wanted.store, Action::Add(Box::new(new)))? {
            Answer::Added(job) => *job,
            Answer::Done | Answer::Queue(_) | Answer::Begun { .. } => {
                return show(&wanted.store);
            }
        },
    };
    told(&job, &wanted.store)
}

/// The queue with the new job in it, since what it waits for is what a person wants to know.
fn told(job: &Job, store: &StoreArguments) -> Result<Exit, Failure> {
    if store.output.json {
        put_json(&serde_json::json!({ "schema": "soakproof.job/1", "job": job }));
        return Ok(Exit::Fine);
    }
    put(&format!("Job {} is in the queue.\n", job.id));
    show(store)
}

fn conditions(wanted: &AddArguments) -> Result<Conditions, Failure> {
    let zone = TimeZone::system();
    let now = os::moment().wall;
    let at = wanted.at.as_deref();
    let at = at.map(|text| parse_at(text, now, &zone)).transpose();
    let zone_name = zone.iana_name().map(str::to_owned);
    let window = wanted.window.as_deref();
    let window = window.map(|text| parse_window(text, zone_name)).transpose();
    Ok(Conditions {
        not_before: at.map_err(Failure::usage)?,
        window: window.map_err(Failure::usage)?,
        idle_s: wanted.when_idle.map(|span| span.as_secs()),
        after_change: wanted.after_change,
        unchecked: wanted.unchecked,
    })
}
