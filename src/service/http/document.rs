//! The document that tells of all resources (OpenAPI 3.1), made from the handlers themselves.

use axum::routing::get;
use axum::{Json, Router};
use utoipa::openapi::path::{Operation, PathItem};
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityRequirement, SecurityScheme};
use utoipa::openapi::{
    ContactBuilder, ContentBuilder, InfoBuilder, LicenseBuilder, OpenApi, OpenApiBuilder, Ref,
    ResponseBuilder, schema::ComponentsBuilder,
};
use utoipa::{PartialSchema, ToSchema};

use super::problem::Problem;
use super::{Desk, resources};

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
    document.paths.paths.values_mut().for_each(add_problems);
    document
}

/// Every operation can end in a problem.
fn add_problems(item: &mut PathItem) {
    let content = ContentBuilder::new()
        .schema(Some(Ref::from_schema_name(Problem::name())))
        .build();
    let problem = ResponseBuilder::new()
        .description("What went wrong")
        .content("application/problem+json", content)
        .build();
    let operations: [&mut Option<Operation>; 2] = [&mut item.get, &mut item.post];
    for operation in operations.into_iter().flatten() {
        let responses = &mut operation.responses.responses;
        responses.insert("default".to_owned(), problem.clone().into());
    }
}

pub(super) fn routes() -> Router<Desk> {
    Router::new().route("/openapi.json", get(show))
}

async fn show() -> Json<OpenApi> {
    Json(openapi())
}
