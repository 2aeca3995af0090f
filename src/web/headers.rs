//! What goes along with every page, and problems as pages.

use std::sync::LazyLock;

use axum::extract::Request;
use axum::http::header::{self, HeaderName};
use axum::http::{HeaderMap, HeaderValue};
use axum::middleware::Next;
use axum::response::{Html, IntoResponse, Response};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use sha2::{Digest, Sha256};

use super::gate::Visitor;
use super::problem::HttpProblem;
use crate::report::{page_styles, problem_page};

/// Nothing but what this service sends itself: its script, the styles that stand in its pages by their
/// digests, its own events and forms.
static POLICY: LazyLock<String> = LazyLock::new(|| {
    let styles = page_styles().map(|style| {
        let digest = STANDARD.encode(Sha256::digest(style.as_bytes()));
        format!("'sha256-{digest}'")
    });
    format!(
        "default-src 'none'; script-src 'self'; style-src {}; connect-src 'self'; form-action 'self'; \
         base-uri 'none'; frame-ancestors 'none'",
        styles.join(" ")
    )
});

/// Puts the usual headers on an answer and tells a problem as a page.
pub(crate) async fn dress(request: Request, next: Next) -> Response {
    let visitor = request.extensions().get::<Visitor>().cloned();
    let mut response = next.run(request).await;
    if let Some(problem) = response.extensions_mut().remove::<HttpProblem>() {
        let site = visitor.map(|visitor| visitor.site());
        let known = site.filter(|site| site.proof.is_some());
        match problem_page(problem.words(), known.as_ref()) {
            Ok(page) => response = (response.status(), Html(page)).into_response(),
            Err(error) => tracing::error!(%error, "a problem has no page"),
        }
    }
    put_headers(response.headers_mut());
    response
}

fn put_headers(headers: &mut HeaderMap) {
    match HeaderValue::from_str(&POLICY) {
        Ok(policy) => drop(headers.insert(header::CONTENT_SECURITY_POLICY, policy)),
        Err(error) => tracing::error!(%error, "no policy"),
    }
    let fixed = [
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        // Not `no-referrer`: with it browsers send the forms of a page with `Origin: null` (WHATWG Fetch, "append
        // a request Origin header"), and nobody could tell whose they are. Other sites hear nothing by this one either.
        (header::REFERRER_POLICY, "same-origin"),
        (header::CACHE_CONTROL, "no-store"),
        (
            HeaderName::from_static("cross-origin-resource-policy"),
            "same-origin",
        ),
        (
            HeaderName::from_static("cross-origin-opener-policy"),
            "same-origin",
        ),
    ];
    for (name, value) in fixed {
        headers.insert(name, HeaderValue::from_static(value));
    }
}
