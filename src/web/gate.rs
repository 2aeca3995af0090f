//! Who may ask: heads of sensible size, meant for this service (Host), not sent by somebody else's web
//! page (Origin), and with the token where one is needed, or the cookie of a visit that began with it. A page
//! that gets a name of its own resolved to this machine is sent away by the first two, whatever address it
//! reached.

use std::net::IpAddr;
use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::uri::Authority;
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use subtle::ConstantTimeEq;

use super::problem::HttpProblem;
use super::token::Token;
use super::visits::{Book, random_word};
use crate::os;
use crate::report::{Site, SitePages};

/// Largest head of a request: its target and its fields with their values, in bytes.
const MOST_HEAD: usize = 16 * 1024;
/// Most fields.
const MOST_FIELDS: usize = 64;
/// Longest target, in bytes.
const MOST_TARGET: usize = 4 * 1024;
/// Where a visit begins: the only page for those without one.
pub(crate) const SIGN_IN: &str = "/sign-in";
/// Where everything lies that is not for browsers.
const API: &str = "/v1/";
/// Before the name of a cookie that a browser takes from this host and over TLS only (RFC 6265bis section
/// 4.1.3.2).
const OF_HOST: &str = "__Host-";

/// Whose gate it is.
#[derive(Debug, Clone, Copy)]
pub(crate) struct House {
    /// Name of its cookies: they know no ports, and several servers of ours may stand on one machine.
    pub(crate) cookie: &'static str,
    /// Pages that every other one leads to.
    pub(crate) pages: SitePages,
}

/// What one way in demands.
#[derive(Debug, Clone)]
pub(crate) struct Gate(Arc<Demands>);

#[derive(Debug)]
struct Demands {
    /// In small letters, without ports.
    hosts: Vec<String>,
    /// Names that the configuration gives; pages from there may ask too.
    named: Vec<String>,
    way: Way,
    house: House,
}

/// How one is known here.
#[derive(Debug)]
enum Way {
    /// By having reached the socket. Its forms all hand back one word.
    Socket { proof: String },
    /// By token, or the cookie of a visit.
    Tcp {
        token: Token,
        book: Book,
        /// Browsers come by TLS.
        tls: bool,
    },
}

/// Who asks, for the pages.
#[derive(Debug, Clone)]
pub(crate) struct Visitor {
    gate: Gate,
    /// None for those who came by token, or not in at all.
    proof: Option<String>,
    cookie: Option<String>,
}

impl Visitor {
    /// As pages see it.
    pub(crate) fn site(&self) -> Site {
        Site {
            proof: self.proof.clone(),
            signed_in: self.cookie.is_some(),
            pages: self.gate.0.house.pages,
        }
    }

    /// True when a form was made for this visitor.
    pub(crate) fn has_sent(&self, proof: &str) -> bool {
        let own = self.proof.as_ref();
        own.is_some_and(|own| own.as_bytes().ct_eq(proof.as_bytes()).into())
    }

    /// False once the visit has ended; a page that is looked at keeps it going.
    pub(crate) fn is_in(&self) -> bool {
        match (&self.gate.0.way, &self.cookie) {
            (Way::Tcp { book, .. }, Some(cookie)) => book.find(cookie, os::monotonic()).is_some(),
            (Way::Tcp { .. } | Way::Socket { .. }, _) => true,
        }
    }

    /// The `Set-Cookie` of a visit that begins with `token`; none at the socket, which knows its visitors.
    pub(crate) fn sign_in(
        &self,
        from: Option<IpAddr>,
        token: &str,
    ) -> Result<Option<String>, HttpProblem> {
        let (
            Way::Tcp {
                token: own,
                book,
                tls,
            },
            Some(from),
        ) = (&self.gate.0.way, from)
        else {
            return Ok(None);
        };
        let now = os::monotonic();
        if !book.may_try(from, now) {
            return Err(HttpProblem::new(
                StatusCode::TOO_MANY_REQUESTS,
                "too many wrong tokens; wait a minute",
            ));
        }
        if !own.is(token.as_bytes()) {
            book.tried(from, now);
            tracing::warn!(%from, "a wrong token");
            let detail = "the token is another one";
            return Err(HttpProblem::new(StatusCode::FORBIDDEN, detail));
        }
        Ok(Some(set_cookie(
            self.gate.0.cookie(),
            &book.begin(now),
            *tls,
        )))
    }

    /// Ends the visit; the `Set-Cookie` that makes a browser forget it.
    pub(crate) fn sign_out(&self) -> Option<String> {
        let Way::Tcp { book, tls, .. } = &self.gate.0.way else {
            return None;
        };
        book.end(self.cookie.as_ref()?);
        Some(format!(
            "{}; Max-Age=0",
            set_cookie(self.gate.0.cookie(), "", *tls)
        ))
    }
}

fn cookie_name(name: &str, tls: bool) -> String {
    let of_host = if tls { OF_HOST } else { "" };
    format!("{of_host}{name}")
}

fn set_cookie(name: &str, value: &str, tls: bool) -> String {
    let name = cookie_name(name, tls);
    let secure = if tls { "; Secure" } else { "" };
    format!("{name}={value}; Path=/; HttpOnly; SameSite=Strict{secure}")
}

fn shown_cookie(headers: &HeaderMap, name: &str, tls: bool) -> Option<String> {
    let name = cookie_name(name, tls);
    let fields = headers.get_all(header::COOKIE).iter();
    let mut pairs = fields
        .filter_map(|field| field.to_str().ok())
        .flat_map(|field| field.split(';'))
        .filter_map(|pair| pair.trim().split_once('='));
    let found = pairs.find(|(known, _)| *known == name);
    found.map(|(_, value)| value.to_owned())
}

impl Gate {
    /// For a socket that only some users reach, which needs no token.
    pub(crate) fn of_socket(house: House) -> Self {
        Self(Arc::new(Demands {
            hosts: vec!["localhost".to_owned()],
            named: Vec::new(),
            way: Way::Socket {
                proof: random_word(),
            },
            house,
        }))
    }

    /// For TCP at `address`, also called by the names in `named`; `tls` tells whether browsers come by TLS.
    pub(crate) fn of_tcp(
        (address, named): (IpAddr, Vec<String>),
        (token, tls): (Token, bool),
        house: House,
    ) -> Self {
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
            way: Way::Tcp {
                token,
                book: Book::default(),
                tls,
            },
            house,
        }))
    }
}

impl Demands {
    fn cookie(&self) -> &'static str {
        self.house.cookie
    }

    /// Proof and cookie of whoever asks.
    fn check(&self, request: &Request) -> Result<(Option<String>, Option<String>), HttpProblem> {
        check_size(request)?;
        let host = self.check_host(request)?;
        self.check_origin(request.headers(), &host)?;
        let (token, book, tls) = match &self.way {
            Way::Socket { proof } => return Ok((Some(proof.clone()), None)),
            Way::Tcp { token, book, tls } => (token, book, *tls),
        };
        let headers = request.headers();
        let path = request.uri().path();
        let cookie = shown_cookie(headers, self.cookie(), tls);
        let visit = cookie.and_then(|cookie| {
            let proof = book.find(&cookie, os::monotonic())?;
            Some((proof, cookie))
        });
        match visit {
            Some((proof, cookie)) if !headers.contains_key(header::AUTHORIZATION) => {
                let reads = matches!(*request.method(), Method::GET | Method::HEAD);
                if !reads && path.starts_with(API) {
                    return Err(HttpProblem::new(
                        StatusCode::FORBIDDEN,
                        "a cookie is for the pages; what alters something here shows the token",
                    ));
                }
                Ok((Some(proof), Some(cookie)))
            }
            Some(_) | None if path == SIGN_IN => Ok((None, None)),
            Some(_) | None => check_token(headers, token).map(|()| (None, None)),
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

/// Lets in whoever may ask; a browser that wants to see a page is led to where a visit begins.
pub(crate) async fn admit(State(gate): State<Gate>, mut request: Request, next: Next) -> Response {
    match gate.0.check(&request) {
        Ok((proof, cookie)) => {
            request.extensions_mut().insert(Visitor {
                gate,
                proof,
                cookie,
            });
            next.run(request).await
        }
        Err(problem) if problem.is_unauthorized() && wants_page(&request) => {
            Redirect::to(SIGN_IN).into_response()
        }
        Err(problem) => problem.into_response(),
    }
}

fn wants_page(request: &Request) -> bool {
    let accepts = request.headers().get(header::ACCEPT);
    let accepts = accepts.and_then(|accepts| accepts.to_str().ok());
    *request.method() == Method::GET
        && !request.uri().path().starts_with(API)
        && accepts.is_some_and(|kinds| kinds.contains("text/html"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cookie_is_for_no_script_no_other_site_and_with_tls_for_no_other_way() {
        let plain = set_cookie("visit", "word", false);
        assert_eq!(plain, "visit=word; Path=/; HttpOnly; SameSite=Strict");
        let encrypted = set_cookie("visit", "word", true);
        assert_eq!(
            encrypted,
            "__Host-visit=word; Path=/; HttpOnly; SameSite=Strict; Secure"
        );
        let mut headers = HeaderMap::new();
        let shown = HeaderValue::from_static("a=1; visit=word; b=2");
        headers.insert(header::COOKIE, shown);
        assert_eq!(
            shown_cookie(&headers, "visit", false).as_deref(),
            Some("word")
        );
        assert_eq!(
            shown_cookie(&headers, "visit", true),
            None,
            "one of the plain way is none"
        );
    }
}
