//! One attempt over HTTP, after Standard Webhooks 1.0.0: only 2xx is success, redirects are not
//! followed, 410 means never again, the answer is read to a limit only.

use std::time::Duration;

use reqwest::header::{AUTHORIZATION, CONTENT_TYPE, HeaderMap, HeaderValue, RETRY_AFTER};
use reqwest::{Response, StatusCode};

use super::address::resolve_address;
use super::attempt::Outcome;
use super::body::render_body;
use super::sign::SigningKey;
use super::target::{Method, Webhook};
use crate::model::{Notice, Wall};
use crate::os::with_cause;
use crate::os::{ReadSecretError, Secret};

/// Most bytes of an answer that are read; nobody needs more to see what is wrong.
const MOST_ANSWER_BYTES: usize = 2048;
/// Part of the time limit after which a connection must stand.
const CONNECT_PART: u32 = 2;

/// Sends a notice once. Whatever goes wrong is told in words that hold no secret.
pub(super) async fn send_webhook(
    webhook: &Webhook,
    (id, notice): (&str, &Notice),
    now: Wall,
    limit: Duration,
) -> Outcome {
    match send(webhook, (id, notice), now, limit).await {
        Ok(response) => judge(response).await,
        Err(error) => Outcome::refused(with_cause(&error)),
    }
}

/// A request could not be made, or got no answer.
#[derive(Debug, thiserror::Error)]
enum SendWebhookError {
    #[error("a secret cannot be read")]
    Secret(#[from] ReadSecretError),
    #[error("no signature")]
    Key(#[from] super::sign::ParseKeyError),
    #[error("no body")]
    Body(#[from] super::body::RenderBodyError),
    #[error("no address")]
    Address(#[from] super::address::CheckAddressError),
    #[error("a header would hold characters that it cannot")]
    Header(#[from] reqwest::header::InvalidHeaderValue),
    #[error("no TLS: {0}; install the certificates of the known authorities (`ca-certificates`)")]
    Client(String),
    #[error("no answer within {0} s")]
    Late(u64),
    #[error("no answer: {0}")]
    Unreachable(String),
}

async fn send(
    webhook: &Webhook,
    (id, notice): (&str, &Notice),
    now: Wall,
    limit: Duration,
) -> Result<Response, SendWebhookError> {
    let address = webhook.address.read()?;
    let url = resolve_address(address.reveal(), id, webhook.authorization.is_some())?;
    let body = render_body(&webhook.body, id, notice)?;
    let headers = headers(webhook, id, now.0.div_euclid(1000), &body)?;
    let method = match webhook.method {
        Method::Post => reqwest::Method::POST,
        Method::Put => reqwest::Method::PUT,
    };
    let request = client(limit, url.scheme() == "http")
        .map_err(|error| SendWebhookError::Client(innermost(&error)))?
        .request(method, url)
        .headers(headers)
        .body(body);
    request.send().await.map_err(|error| {
        if error.is_timeout() {
            SendWebhookError::Late(limit.as_secs())
        } else {
            SendWebhookError::Unreachable(innermost(&error.without_url()))
        }
    })
}

/// A new client each time: notices are rare, and the certificates of the world in memory are most of
/// what an idle service would hold.
fn client(limit: Duration, plain: bool) -> reqwest::Result<reqwest::Client> {
    // The second time this fails, and nothing is to be done then.
    rustls::crypto::ring::default_provider()
        .install_default()
        .ok();
    let mut builder = reqwest::Client::builder();
    if plain {
        // A machine without the certificates of known authorities can still tell its neighbour.
        builder = builder.tls_certs_only([]);
    }
    builder
        .redirect(reqwest::redirect::Policy::none())
        .retry(reqwest::retry::never())
        .connect_timeout(limit / CONNECT_PART)
        .timeout(limit)
        .user_agent(concat!("soakproof/", env!("CARGO_PKG_VERSION")))
        .build()
}

fn headers(
    webhook: &Webhook,
    id: &str,
    timestamp_s: i64,
    body: &str,
) -> Result<HeaderMap, SendWebhookError> {
    let mut headers = HeaderMap::new();
    headers.insert(CONTENT_TYPE, HeaderValue::from_str(&webhook.content_type)?);
    headers.insert("webhook-id", HeaderValue::from_str(id)?);
    headers.insert("webhook-timestamp", HeaderValue::from(timestamp_s));
    if let Some(place) = &webhook.signing {
        let signature = SigningKey::parse(&place.read()?)?.sign(id, timestamp_s, body.as_bytes());
        headers.insert("webhook-signature", HeaderValue::from_str(&signature)?);
    }
    if let Some(place) = &webhook.authorization {
        headers.insert(AUTHORIZATION, hidden(&place.read()?)?);
    }
    Ok(headers)
}

fn hidden(secret: &Secret) -> Result<HeaderValue, reqwest::header::InvalidHeaderValue> {
    let mut value = HeaderValue::from_str(secret.reveal())?;
    value.set_sensitive(true);
    Ok(value)
}

async fn judge(mut response: Response) -> Outcome {
    let status = response.status();
    if status.is_success() {
        return Outcome::Taken;
    }
    if status == StatusCode::GONE {
        return Outcome::Gone;
    }
    let asked = response.headers().get(RETRY_AFTER);
    let asked = asked
        .and_then(|value| value.to_str().ok()?.trim().parse().ok())
        .map(Duration::from_secs);
    let mut words = Vec::new();
    while words.len() < MOST_ANSWER_BYTES {
        match response.chunk().await {
            Ok(Some(chunk)) => words.extend_from_slice(&chunk),
            Ok(None) | Err(_) => break,
        }
    }
    words.truncate(MOST_ANSWER_BYTES);
    let redirect = if status.is_redirection() {
        " (redirects are not followed: write the new address into the configuration)"
    } else {
        ""
    };
    let words = String::from_utf8_lossy(&words);
    let words = words.split_whitespace().collect::<Vec<_>>().join(" ");
    let end = if words.is_empty() { "" } else { ": " };
    Outcome::Refused {
        why: format!("answered {}{redirect}{end}{words}", status.as_u16()),
        asked,
    }
}

/// The innermost cause says what is wrong; those around it say that something is.
fn innermost(error: &dyn std::error::Error) -> String {
    let mut cause = error;
    while let Some(inner) = cause.source() {
        cause = inner;
    }
    cause.to_string()
}
