//! The machine and its instruments.

use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use axum::Json;
use axum::extract::State;
use serde_json::Value;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::Desk;
use super::problem::HttpProblem;
use crate::kernels;
use crate::model::{Machine, Mono};
use crate::os::{self, Root};
use crate::report::{InstrumentsSeen, instruments_json};
use crate::sensors::{InstrumentOptions, Instruments, read_machine};

/// Some chips stop their fans while they answer, so nobody makes us ask more often than this.
const READ_EVERY: Duration = Duration::from_secs(10);
/// Two rounds this far apart, so that power can be told from energy counters.
const BETWEEN_ROUNDS: Duration = Duration::from_millis(250);

static LAST_READ: Mutex<Option<(Mono, Value)>> = Mutex::new(None);

pub(super) fn routes() -> OpenApiRouter<Desk> {
    OpenApiRouter::new()
        .routes(routes!(machine))
        .routes(routes!(instruments))
}

/// What the machine says of itself.
#[utoipa::path(get, path = "/v1/machine", tag = "machine", responses((status = 200, body = Machine)))]
async fn machine(State(desk): State<Desk>) -> Result<Json<Machine>, HttpProblem> {
    let read = tokio::task::spawn_blocking(move || {
        read_machine(&desk.root, &os::allowed_cpus(), kernels::detect().sets())
    });
    Ok(Json(
        read.await.map_err(|error| HttpProblem::inner(&error))?,
    ))
}

/// What can be read on the machine, and its readings of the last 10 s: `soakproof.instruments/1`.
#[utoipa::path(get, path = "/v1/instruments", tag = "machine", responses((status = 200, body = Object)))]
async fn instruments(State(desk): State<Desk>) -> Result<Json<Value>, HttpProblem> {
    let read = tokio::task::spawn_blocking(move || read_instruments(&desk.root));
    let seen = read.await.map_err(|error| HttpProblem::inner(&error))?;
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
