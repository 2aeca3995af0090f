//! Who may ask: heads of sensible size, meant for this service (Host), not sent by somebody else's web
//! page (Origin), and with the token where one is needed. A page that gets a name of its own resolved
//! to this machine is sent away by the first two, whatever address it reached.

use std::net::IpAddr;
use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::uri::Authority;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::problem::HttpProblem;
use crate::service::token::Token;

/// Largest head of a request: its target and its fields with their values, in bytes.
const MOST_HEAD: usize = 16 * 1024;
/// Most fields.
const MOST_FIELDS: usize = 64;
/// Longest target, in bytes.
const MOST_TARGET: usize = 4 * 1024;

/// What one way in demands.
#[derive(Debug, Clone)]
pub(in crate::service) struct Gate(Arc<Demands>);

#[derive(Debug)]
struct Demands {
    /// In small letters, without ports.
    hosts: Vec<String>,
    /// Names that the configuration gives; pages from there may ask too.
    named: Vec<String>,
    token: Option<Token>,
}

impl Gate {
    /// For a socket that only some users reach, which needs no token.
    pub(in crate::service) fn of_socket() -> Self {
        Self(Arc::new(Demands {
            hosts: vec!["localhost".to_owned()],
            named: Vec::new(),
            token: None,
        }))
    }

    /// For TCP at `address`, also called by the names in `named`.
    pub(in crate::service) fn of_tcp(address: IpAddr, named: Vec<String>, token: Token) -> Self {
        let mut hosts = vec![match address {
            IpAddr::V4(address) => address.to_string(),
            IpAddr::V6(address) => format!("[{address}]"),
        }];
        if address.is_loopback() || address.is_unspecified() {
            hosts.extend(["localhost", "127.0.0.1", "[::1]"].map(str::to_owned));
        }
        Self(Arc::new(Demands {
            hosts,
            named,
            token: Some(token),
        }))
    }
}

impl Demands {
    fn check(&self, request: &Request) -> Result<(), HttpProblem> {
        check_size(request)?;
        let host = self.check_host(request)?;
        self.check_origin(request.headers(), &host)?;
        match &self.token {
            Some(token) => check_token(request.headers(), token),
            None => Ok(()),
        }
    }

    fn knows(&self, host: &str) -> bool {
        let host = host.to_ascii_lowercase();
        self.hosts.contains(&host) || self.named.contains(&host)
    }

    fn check_host(&self, request: &Request) -> Result<Authority, HttpProblem> {
        let wrong = |detail: &str| HttpProblem::new(StatusCode::BAD_REQUEST, detail);
        let host = match request.uri().authority() {
            // The target goes before the field (RFC 9112 section 3.2.2).
            Some(authority) => authority.clone(),
            None => {
                let mut fields = request.headers().get_all(header::HOST).iter();
                let (Some(field), None) = (fields.next(), fields.next()) else {
                    return Err(wrong(
                        "a request has exactly one `Host` (RFC 9112 section 3.2)",
                    ));
                };
                let parsed = field.to_str().ok().and_then(|text| text.parse().ok());
                parsed.ok_or_else(|| wrong("`Host` is no name of a host"))?
            }
        };
        if self.knows(host.host()) {
            return Ok(host);
        }
        let known: Vec<&str> = self
            .hosts
            .iter()
            .chain(&self.named)
            .map(String::as_str)
            .collect();
        Err(HttpProblem::new(
            StatusCode::MISDIRECTED_REQUEST,
            format!(
                "this service is not called like the `Host` of the request; it is known as {} (more by \
                 `hosts` in its configuration)",
                known.join(", ")
            ),
        ))
    }

    fn check_origin(&self, headers: &HeaderMap, host: &Authority) -> Result<(), HttpProblem> {
        let Some(origin) = headers.get(header::ORIGIN) else {
            return Ok(());
        };
        let from = origin.to_str().ok();
        let from = from.and_then(|text| text.parse::<axum::http::Uri>().ok());
        let from = from.as_ref().and_then(axum::http::Uri::authority);
        let own = from.is_some_and(|from| {
            let named = from.host().to_ascii_lowercase();
            from.as_str().eq_ignore_ascii_case(host.as_str()) || self.named.contains(&named)
        });
        if own {
            return Ok(());
        }
        Err(HttpProblem::new(
            StatusCode::FORBIDDEN,
            "the request comes from a web page of somebody else (`Origin`)",
        ))
    }
}

fn check_size(request: &Request) -> Result<(), HttpProblem> {
    let target = request
        .uri()
        .path_and_query()
        .map_or(0, |target| target.as_str().len());
    if target > MOST_TARGET {
        return Err(HttpProblem::new(
            StatusCode::URI_TOO_LONG,
            format!("the target has over {MOST_TARGET} bytes"),
        ));
    }
    let fields = request.headers();
    let bytes: usize = fields
        .iter()
        .map(|(name, value)| name.as_str().len() + value.len())
        .sum();
    if fields.len() > MOST_FIELDS || bytes + target > MOST_HEAD {
        return Err(HttpProblem::new(
            StatusCode::REQUEST_HEADER_FIELDS_TOO_LARGE,
            format!("a head has at most {MOST_FIELDS} fields and {MOST_HEAD} bytes"),
        ));
    }
    Ok(())
}

fn check_token(headers: &HeaderMap, token: &Token) -> Result<(), HttpProblem> {
    let shown = headers
        .get(header::AUTHORIZATION)
        .map(HeaderValue::as_bytes);
    let shown = shown.and_then(|value| {
        let (scheme, rest) = value.split_at_checked(7)?;
        scheme.eq_ignore_ascii_case(b"bearer ").then_some(rest)
    });
    if shown.is_some_and(|shown| token.is(shown)) {
        return Ok(());
    }
    let detail = match shown {
        Some(_) => "the token is another one",
        None => "a token is needed: `Authorization: Bearer ...` (RFC 6750 section 2.1)",
    };
    Err(HttpProblem::new(StatusCode::UNAUTHORIZED, detail))
}

/// Lets in whoever may ask.
pub(super) async fn admit(State(gate): State<Gate>, request: Request, next: Next) -> Response {
    match gate.0.check(&request) {
        Ok(()) => next.run(request).await,
        Err(problem) => problem.into_response(),
    }
}
