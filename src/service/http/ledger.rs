//! The ledger of the machine: everything that is known of it, and new entries behind what was read.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::Desk;
use super::read::{alter, look};
use crate::model::{LedgerEntry, LedgerRow, Setting, Wall};
use crate::os;
use crate::report::changes_json;
use crate::run::{EnterError, enter, read_ledger};
use crate::sensors::read_machine;
use crate::store::{ReadLedgerError, StoredOutcome, WriteLedgerError};
use crate::web::{Body, HttpProblem};

pub(super) fn routes() -> OpenApiRouter<Desk> {
    OpenApiRouter::new()
        .routes(routes!(show, write))
        .routes(routes!(settings))
        .routes(routes!(changes))
}

/// The ledger, as it travels.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub(in crate::service) struct LedgerBody {
    /// The machine's present boot.
    pub(in crate::service) boot_id: String,
    /// Entries, oldest first.
    pub(in crate::service) rows: Vec<LedgerRow>,
    /// Header and verdict of every run of the machine.
    #[schema(value_type = Vec<Object>)]
    pub(in crate::service) outcomes: Vec<StoredOutcome>,
}

/// New entries, as they travel.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(in crate::service) struct EntriesBody {
    /// Number of the newest row that the writer has read, 0 for none.
    pub(in crate::service) after: i64,
    /// Written all or none.
    pub(in crate::service) entries: Vec<LedgerEntry>,
}

/// Everything that the ledger of this machine holds, for whoever folds it.
#[utoipa::path(get, path = "/v1/ledger", tag = "ledger", responses((status = 200, body = LedgerBody)))]
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

/// Writes entries behind what was read; refused when somebody else has written meanwhile.
#[utoipa::path(
    post, path = "/v1/ledger", tag = "ledger", request_body = EntriesBody, responses((status = 204))
)]
async fn write(
    State(desk): State<Desk>,
    Body(body): Body<EntriesBody>,
) -> Result<StatusCode, HttpProblem> {
    alter(desk.facts.store, move |store| {
        let machine = read_machine(&desk.root, &[], &[]);
        Ok(enter(store, &machine, body.after, &body.entries)?)
    })
    .await?;
    Ok(StatusCode::NO_CONTENT)
}

/// Settings of the machine.
#[derive(Debug, Serialize, ToSchema)]
struct SettingsBody {
    /// `soakproof.settings/1`.
    schema: &'static str,
    /// In the order in which they were declared.
    settings: Vec<Setting>,
}

/// What the person sets in firmware, between which limits.
#[utoipa::path(get, path = "/v1/settings", tag = "ledger", responses((status = 200, body = SettingsBody)))]
async fn settings(State(desk): State<Desk>) -> Result<Json<SettingsBody>, HttpProblem> {
    let settings = look(desk.facts.store, move |store| {
        let ledger = read_ledger(store, &read_machine(&desk.root, &[], &[]))?;
        Ok(ledger.settings().to_vec())
    });
    Ok(Json(SettingsBody {
        schema: "soakproof.settings/1",
        settings: settings.await?,
    }))
}

/// Declared changes and what they led to: `soakproof.changes/1`.
#[utoipa::path(get, path = "/v1/changes", tag = "ledger", responses((status = 200, body = Object)))]
async fn changes(State(desk): State<Desk>) -> Result<Json<Value>, HttpProblem> {
    let changes = look(desk.facts.store, move |store| {
        let ledger = read_ledger(store, &read_machine(&desk.root, &[], &[]))?;
        Ok(changes_json(&ledger))
    });
    Ok(Json(changes.await?))
}

impl From<ReadLedgerError> for HttpProblem {
    fn from(error: ReadLedgerError) -> Self {
        Self::inner(&error)
    }
}

impl From<EnterError> for HttpProblem {
    fn from(error: EnterError) -> Self {
        match error {
            EnterError::Read(error) => error.into(),
            EnterError::Rule(error) => {
                Self::new(StatusCode::UNPROCESSABLE_ENTITY, os::with_cause(&error))
            }
            EnterError::Write(error) => error.into(),
        }
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
