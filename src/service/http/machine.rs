//! The machine and its instruments.

use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use axum::Json;
use axum::extract::State;
use serde_json::Value;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::Desk;
use super::read::{last_sample, look};
use crate::kernels;
use crate::model::{Channel, ChannelId, Gap, Loss, Machine, Mono, Reading};
use crate::os::{self, Root};
use crate::report::{InstrumentsSeen, instruments_json};
use crate::sensors::{InstrumentOptions, Instruments, read_machine};
use crate::web::{HttpProblem, aside};

/// Some chips stop their fans while they answer, so nobody makes us ask more often than this.
const READ_EVERY: Duration = Duration::from_secs(10);
/// Two rounds this far apart, so that power can be told from energy counters.
const BETWEEN_ROUNDS: Duration = Duration::from_millis(250);

static LAST_READ: Mutex<Option<(Mono, Look)>> = Mutex::new(None);

/// One look at all instruments.
#[derive(Debug, Clone)]
pub(super) struct Look {
    machine: Machine,
    channels: Vec<Channel>,
    readings: Vec<Reading>,
    lost: Vec<(ChannelId, Loss)>,
    gaps: Vec<Gap>,
}

impl Look {
    pub(super) fn seen(&self) -> InstrumentsSeen<'_> {
        InstrumentsSeen {
            machine: &self.machine,
            channels: &self.channels,
            readings: &self.readings,
            lost: &self.lost,
            gaps: &self.gaps,
        }
    }
}

pub(super) fn routes() -> OpenApiRouter<Desk> {
    OpenApiRouter::new()
        .routes(routes!(machine))
        .routes(routes!(instruments))
}

/// What the machine says of itself.
#[utoipa::path(get, path = "/v1/machine", tag = "machine", responses((status = 200, body = Machine)))]
async fn machine(State(desk): State<Desk>) -> Result<Json<Machine>, HttpProblem> {
    let read =
        aside(move || read_machine(&desk.root, &os::allowed_cpus(), kernels::detect().sets()));
    Ok(Json(read.await?))
}

/// What can be read on the machine, and its readings of the last 10 s; during a run those of its last sample:
/// `soakproof.instruments/1`.
#[utoipa::path(get, path = "/v1/instruments", tag = "machine", responses((status = 200, body = Object)))]
async fn instruments(State(desk): State<Desk>) -> Result<Json<Value>, HttpProblem> {
    let look = look_at_instruments(desk).await?;
    Ok(Json(instruments_json(&look.seen())))
}

/// During a run its last sample; else the last look, or a new one where that is too long ago.
pub(super) async fn look_at_instruments(desk: Desk) -> Result<Look, HttpProblem> {
    let run = desk.snapshots.borrow().run;
    if let Some(run) = run {
        return look(desk.facts.store, move |store| {
            let (header, sample) = last_sample(store, run)?;
            let (readings, lost) = sample.map_or_else(Default::default, |s| (s.readings, s.lost));
            Ok(Look {
                machine: header.machine,
                channels: header.channels,
                readings,
                lost,
                gaps: header.gaps,
            })
        })
        .await;
    }
    aside(move || read_instruments(&desk.root)).await
}

fn read_instruments(root: &Root) -> Look {
    let mut last = LAST_READ.lock().unwrap_or_else(PoisonError::into_inner);
    let now = os::monotonic();
    if let Some((at, look)) = &*last
        && now.since(*at) < READ_EVERY
    {
        return look.clone();
    }
    let machine = read_machine(root, &os::allowed_cpus(), kernels::detect().sets());
    let mut instruments = Instruments::open(root, &InstrumentOptions::default(), os::moment());
    instruments.read(os::moment());
    os::wait(BETWEEN_ROUNDS);
    let (readings, lost) = instruments.read(os::moment());
    let look = Look {
        machine,
        channels: instruments.channels().to_vec(),
        readings,
        lost,
        gaps: instruments.gaps().to_vec(),
    };
    *last = Some((now, look.clone()));
    look
}
