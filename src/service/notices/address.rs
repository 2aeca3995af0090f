//! Where notices may be sent. An address is never repeated in a message: it may hold a token.

use std::net::IpAddr;

use reqwest::Url;

/// Stands for the id of the notice, for systems that want the transaction in the address.
const ID: &str = "{{ id }}";

/// Nothing can be sent there.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CheckAddressError {
    /// Not an address.
    #[error("this is no address ({0}); write `https://host/path`")]
    NoAddress(String),
    /// Another protocol.
    #[error("the address begins with `{0}:`; it must be `https://` or `http://`")]
    Scheme(String),
    /// Something else than the id is to be filled in.
    #[error("only `{ID}` can stand between braces in an address")]
    Template,
    /// A secret would travel in clear.
    #[error("over `http://` everyone on the way could read the authorization; use `https://`")]
    Readable,
}

/// Where the notice `id` goes: the address with the id filled in where it says so.
///
/// # Errors
/// What is wrong and what would be right.
pub fn resolve_address(
    address: &str,
    id: &str,
    has_authorization: bool,
) -> Result<Url, CheckAddressError> {
    use CheckAddressError as Wrong;
    let address = address.replace(ID, id);
    if address.contains("{{") {
        return Err(Wrong::Template);
    }
    let url = Url::parse(&address).map_err(|error| Wrong::NoAddress(error.to_string()))?;
    match url.scheme() {
        "https" => Ok(url),
        "http" if has_authorization && !is_loopback(&url) => Err(Wrong::Readable),
        "http" => Ok(url),
        other => Err(Wrong::Scheme(other.to_owned())),
    }
}

fn is_loopback(url: &Url) -> bool {
    let host = url.host_str().unwrap_or_default();
    let address = host.trim_matches(['[', ']']).parse::<IpAddr>();
    host == "localhost" || address.is_ok_and(|address| address.is_loopback())
}
