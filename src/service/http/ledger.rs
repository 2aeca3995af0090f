//! The ledger of the machine: everything that is known of it, and new entries behind what was read.

use axum::extract::State;
use axum::http::StatusCode;
use axum::routing::get;
use axum::{Json, Router};
use serde::{Deserialize, Serialize};

use super::Desk;
use super::problem::{Body, HttpProblem};
use super::read::{alter, look};
use crate::model::{LedgerEntry, LedgerRow, Wall};
use crate::os;
use crate::sensors::read_machine;
use crate::store::{ReadLedgerError, StoredOutcome, WriteLedgerError};

pub(super) fn routes() -> Router<Desk> {
    Router::new().route("/v1/ledger", get(show).post(write))
}

/// The ledger, as it travels.
#[derive(Debug, Serialize, Deserialize)]
pub(in crate::service) struct LedgerBody {
    /// The machine's present boot.
    pub(in crate::service) boot_id: String,
    pub(in crate::service) rows: Vec<LedgerRow>,
    pub(in crate::service) outcomes: Vec<StoredOutcome>,
}

/// New entries, as they travel.
#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::service) struct EntriesBody {
    /// Number of the newest row that the writer has read, 0 for none.
    pub(in crate::service) after: i64,
    pub(in crate::service) entries: Vec<LedgerEntry>,
}

async fn show(State(desk): State<Desk>) -> Result<Json<LedgerBody>, HttpProblem> {
    let body = look(desk.facts.store, move |store| {
        let machine = read_machine(&desk.root, &[], &[]);
        Ok(LedgerBody {
            rows: store.ledger(&machine.host)?,
            outcomes: store.outcomes(&machine.host, Wall(i64::MIN))?,
            boot_id: machine.boot_id,
        })
    });
    Ok(Json(body.await?))
}

async fn write(
    State(desk): State<Desk>,
    Body(body): Body<EntriesBody>,
) -> Result<StatusCode, HttpProblem> {
    alter(desk.facts.store, move |store| {
        let host = read_machine(&desk.root, &[], &[]).host;
        let place = (host.as_str(), body.after);
        Ok(store.append_ledger(place, os::moment().wall, &body.entries)?)
    })
    .await?;
    Ok(StatusCode::NO_CONTENT)
}

impl From<ReadLedgerError> for HttpProblem {
    fn from(error: ReadLedgerError) -> Self {
        Self::inner(&error)
    }
}

impl From<WriteLedgerError> for HttpProblem {
    fn from(error: WriteLedgerError) -> Self {
        match &error {
            WriteLedgerError::Moved => Self::new(StatusCode::CONFLICT, error.to_string()),
            WriteLedgerError::Encode(_) | WriteLedgerError::Sqlite { .. } => Self::inner(&error),
        }
    }
}
