//! Suites that are built in.

use axum::Json;
use axum::http::StatusCode;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::Desk;
use crate::suite;
use crate::web::{HttpProblem, Path};

pub(super) fn routes() -> OpenApiRouter<Desk> {
    OpenApiRouter::new()
        .routes(routes!(list))
        .routes(routes!(show))
}

/// A suite.
#[derive(Debug, Serialize, ToSchema)]
struct SuiteBody {
    /// By which it is called.
    name: String,
    /// Planned length in seconds.
    length_s: u64,
    /// What it is for.
    about: String,
    /// As it is written (TOML).
    text: String,
}

/// Suites that are built in.
#[derive(Debug, Serialize, ToSchema)]
struct SuitesBody {
    /// `soakproof.suites/1`.
    schema: &'static str,
    /// From the shortest to the longest use.
    suites: Vec<SuiteBody>,
}

fn known() -> Vec<SuiteBody> {
    let kernels = suite::known_kernels();
    let builtins = suite::builtin_names()
        .into_iter()
        .filter_map(suite::builtin);
    builtins
        .filter_map(|builtin| {
            let parsed = suite::parse_suite(builtin.origin, builtin.text, &kernels).ok()?;
            Some(SuiteBody {
                name: builtin.name.to_owned(),
                length_s: parsed.length().as_secs(),
                about: parsed.about,
                text: builtin.text.to_owned(),
            })
        })
        .collect()
}

/// The suites that are built in.
#[utoipa::path(get, path = "/v1/suites", tag = "suites", responses((status = 200, body = SuitesBody)))]
async fn list() -> Json<SuitesBody> {
    Json(SuitesBody {
        schema: "soakproof.suites/1",
        suites: known(),
    })
}

/// One of them.
#[utoipa::path(
    get, path = "/v1/suites/{name}", tag = "suites",
    params(("name" = String, Path, description = "Its name")),
    responses((status = 200, body = SuiteBody))
)]
async fn show(Path(name): Path<String>) -> Result<Json<SuiteBody>, HttpProblem> {
    let found = known().into_iter().find(|suite| suite.name == name);
    let names = suite::builtin_names().join("`, `");
    let missing = || HttpProblem::new(StatusCode::NOT_FOUND, format!("there are `{names}`"));
    found.map(Json).ok_or_else(missing)
}
