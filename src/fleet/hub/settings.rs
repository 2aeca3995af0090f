//! `hub.toml`: how the hub and its commands reach the message server, and where it shows its pages.

use std::path::PathBuf;

use serde::Serialize;

use crate::form::{CheckFormError, Draft, Keys, check_form};
use crate::web::{TCP_KEYS, TcpOptions, check_tcp};

const KEYS: [&str; 4] = ["servers", "roots-file", "copies", "pages"];
/// JetStream's own limit of copies.
const MOST_COPIES: u64 = 5;

/// What the file says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Settings {
    /// Addresses of the message servers.
    pub(super) servers: Vec<String>,
    /// Who signs their certificates; none: whom the system trusts.
    pub(super) roots: Option<PathBuf>,
    /// How many servers keep each stream.
    pub(super) copies: usize,
    /// Where the pages are; none: nowhere.
    pub(super) pages: Option<TcpOptions>,
}

/// The file as a new hub gets it.
#[derive(Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub(super) struct NewSettings {
    pub(super) servers: Vec<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) roots_file: Option<PathBuf>,
    pub(super) copies: usize,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) pages: Option<NewPages>,
}

/// Its pages.
#[derive(Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub(super) struct NewPages {
    pub(super) listen: String,
    pub(super) token_file: PathBuf,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) certificate_file: Option<PathBuf>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) key_file: Option<PathBuf>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub(super) hosts: Vec<String>,
}

/// Reads and checks the file, which people know as `origin`.
///
/// # Errors
/// All mistakes of the file.
pub(super) fn parse_settings(origin: &str, text: &str) -> Result<Settings, CheckFormError> {
    check_form(origin, text, |draft, root| {
        let keys = Keys::open(draft, root, "the settings of a hub", &KEYS);
        if keys.lacks("servers") {
            draft.report(
                &(0..0),
                "`servers` is missing: the addresses of the message servers",
            );
        }
        let servers = keys.texts(draft, "servers").unwrap_or_default();
        let copies = keys.whole(draft, "copies", (1, MOST_COPIES));
        Some(Settings {
            servers: servers.iter().map(|at| at.value.to_owned()).collect(),
            roots: keys.path(draft, "roots-file"),
            copies: copies.map_or(1, |at| usize::try_from(at.value).unwrap_or(1)),
            pages: check_pages(draft, &keys),
        })
    })
}

fn check_pages(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Option<TcpOptions> {
    let (table, _) = keys.table(draft, "pages")?;
    let keys = Keys::open(draft, table, "[pages]", &TCP_KEYS);
    check_tcp(draft, &keys)
}
