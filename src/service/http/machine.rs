//! The machine, its instruments, and the suites that are built in.

use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use axum::extract::State;
use axum::routing::get;
use axum::{Json, Router};
use serde_json::{Value, json};

use super::Desk;
use super::problem::HttpProblem;
use crate::kernels;
use crate::model::Mono;
use crate::os::{self, Root};
use crate::report::{InstrumentsSeen, instruments_json};
use crate::sensors::{InstrumentOptions, Instruments, read_machine};
use crate::suite;

/// Some chips stop their fans while they answer, so nobody makes us ask more often than this.
const READ_EVERY: Duration = Duration::from_secs(10);
/// Two rounds this far apart, so that power can be told from energy counters.
const BETWEEN_ROUNDS: Duration = Duration::from_millis(250);

static LAST_READ: Mutex<Option<(Mono, Value)>> = Mutex::new(None);

pub(super) fn routes() -> Router<Desk> {
    Router::new()
        .route("/v1/machine", get(machine))
        .route("/v1/instruments", get(instruments))
        .route("/v1/suites", get(suites))
}

async fn machine(State(desk): State<Desk>) -> Json<Value> {
    let machine = read_machine(&desk.root, &os::allowed_cpus(), kernels::detect().sets());
    Json(json!(machine))
}

async fn instruments(State(desk): State<Desk>) -> Result<Json<Value>, HttpProblem> {
    let read = tokio::task::spawn_blocking(move || read_instruments(&desk.root));
    let seen = read.await.map_err(|error| HttpProblem::broken(&error))?;
    Ok(Json(seen))
}

fn read_instruments(root: &Root) -> Value {
    let mut last = LAST_READ.lock().unwrap_or_else(PoisonError::into_inner);
    let now = os::monotonic();
    if let Some((at, value)) = &*last
        && now.since(*at) < READ_EVERY
    {
        return value.clone();
    }
    let machine = read_machine(root, &os::allowed_cpus(), kernels::detect().sets());
    let mut instruments = Instruments::open(root, &InstrumentOptions::default(), os::moment());
    instruments.read(os::moment());
    os::wait(BETWEEN_ROUNDS);
    let (readings, lost) = instruments.read(os::moment());
    let value = instruments_json(&InstrumentsSeen {
        machine: &machine,
        channels: instruments.channels(),
        readings: &readings,
        lost: &lost,
        gaps: instruments.gaps(),
    });
    *last = Some((now, value.clone()));
    value
}

async fn suites() -> Json<Value> {
    let kernels = suite::known_kernels();
    let builtins = suite::builtin_names()
        .into_iter()
        .filter_map(suite::builtin);
    let known: Vec<Value> = builtins
        .filter_map(|builtin| {
            let parsed = suite::parse_suite(builtin.origin, builtin.text, &kernels).ok()?;
            Some(json!({
                "name": builtin.name, "length_s": parsed.length().as_secs(), "about": parsed.about,
                "text": builtin.text,
            }))
        })
        .collect();
    Json(json!({ "schema": "soakproof.suites/1", "suites": known }))
}
