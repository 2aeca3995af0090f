//! The document that tells of all resources (OpenAPI 3.1), made from the handlers themselves.

use axum::http::StatusCode;
use axum::routing::get;
use axum::{Json, Router};
use utoipa::openapi::path::PathItem;
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityRequirement, SecurityScheme};
use utoipa::openapi::{
    ContactBuilder, ContentBuilder, InfoBuilder, LicenseBuilder, OpenApi, OpenApiBuilder, Ref,
    RefOr, Response, ResponseBuilder, schema::ComponentsBuilder,
};
use utoipa::{PartialSchema, ToSchema};

use super::{Desk, resources};
use crate::web::Problem;

const ABOUT: &str = "Queue, runs and record of a service that puts checked load on a computer. At a Unix socket whoever \
    may open it may ask; over TCP every request shows a token. Bodies are JSON of at most 256 KiB, unknown fields are \
    refused, and what goes wrong is told as a problem (RFC 9457). The load makes heat and draws power, and an unstable \
    machine can lose data: save work first, and mind the limits of the makers of its parts.";
const BEARER: &str = "token";

/// What stands at the head of the document.
pub(super) fn head() -> OpenApi {
    let info = InfoBuilder::new()
        .title("soakproof")
        .version(env!("CARGO_PKG_VERSION"))
        .description(Some(ABOUT))
        .contact(Some(
            ContactBuilder::new()
                .name(Some("the soakproof authors"))
                .build(),
        ))
        .license(Some(
            LicenseBuilder::new()
                .name("MIT OR Apache-2.0")
                .identifier(Some("MIT OR Apache-2.0"))
                .build(),
        ))
        .build();
    let token = HttpBuilder::new()
        .scheme(HttpAuthScheme::Bearer)
        .description(Some("The token of the configuration; over TCP only"))
        .build();
    let components = ComponentsBuilder::new()
        .security_scheme(BEARER, SecurityScheme::Http(token))
        .schema(Problem::name(), Problem::schema())
        .build();
    OpenApiBuilder::new()
        .info(info)
        .components(Some(components))
        .security(Some([SecurityRequirement::new::<_, [&str; 0], &str>(
            BEARER,
            [],
        )]))
        .build()
}

/// The whole document.
pub fn openapi() -> OpenApi {
    let (_, mut document) = resources().split_for_parts();
    for (path, item) in &mut document.paths.paths {
        complete(path, item);
    }
    document
}

/// What holds for every operation: a name of its own, a description of every answer (required by OpenAPI
/// 3.1), and that it can end in a problem.
fn complete(path: &str, item: &mut PathItem) {
    for (method, operation) in [("get", &mut item.get), ("post", &mut item.post)] {
        let Some(operation) = operation else { continue };
        operation.operation_id = Some(name_of(method, path));
        let responses = &mut operation.responses.responses;
        for (status, response) in responses.iter_mut() {
            if let RefOr::T(response) = response
                && response.description.is_empty()
            {
                let status: Option<StatusCode> = status.parse().ok();
                let phrase = status.and_then(|status| status.canonical_reason());
                response.description = phrase.unwrap_or_default().to_owned();
            }
        }
        responses.insert("default".to_owned(), problem().into());
    }
}

/// Such as `get_runs_run_samples`.
fn name_of(method: &str, path: &str) -> String {
    let words = path
        .split(['/', '{', '}'])
        .filter(|word| !word.is_empty() && *word != "v1");
    words.fold(method.to_owned(), |name, word| format!("{name}_{word}"))
}

fn problem() -> Response {
    let content = ContentBuilder::new()
        .schema(Some(Ref::from_schema_name(Problem::name())))
        .build();
    ResponseBuilder::new()
        .description("What went wrong")
        .content("application/problem+json", content)
        .build()
}

pub(super) fn routes() -> Router<Desk> {
    Router::new().route("/openapi.json", get(show))
}

async fn show() -> Json<OpenApi> {
    Json(openapi())
}
