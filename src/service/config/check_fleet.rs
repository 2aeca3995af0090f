//! `[fleet]`: the hub that may order jobs here and is told of results.

use super::written::FleetSection;
use crate::form::{At, Draft, Keys};
use crate::model::MachineName;
use crate::web::secret_place;

/// Most servers.
const MOST_SERVERS: usize = 8;
/// Longest serial number, in characters.
const MOST_SERIAL: usize = 80;

const KEYS: [&str; 7] = [
    "servers",
    "machine",
    "key-file",
    "key-credential",
    "roots-file",
    "serial",
    "trusted-network",
];

pub(super) fn check_fleet(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Option<FleetSection> {
    let (table, _) = keys.table(draft, "fleet")?;
    let keys = Keys::open(draft, table, "[fleet]", &KEYS);
    let trusted = keys.flag(draft, "trusted-network");
    let servers = check_servers(draft, &keys, trusted.is_some_and(|flag| flag.value));
    let machine = check_machine(draft, &keys);
    let key = secret_place(draft, &keys, ("key-file", "key-credential"));
    let roots = keys.path(draft, "roots-file");
    let serial = check_serial(draft, &keys);
    if keys.lacks("servers") {
        // A section without servers is one that is not in use yet.
        for key in KEYS.into_iter().skip(1) {
            if let Some(value) = keys.get(key) {
                let message = format!("`{key}` says nothing without `servers`: give them");
                draft.report(&value.span(), message);
            }
        }
        return None;
    }
    for (missing, what) in [
        (
            "machine",
            "the name under which `soakproof hub enrol` knows this machine",
        ),
        ("key-file", "the file with its key, or `key-credential`"),
    ] {
        let given =
            !keys.lacks(missing) || (missing == "key-file" && !keys.lacks("key-credential"));
        if let Some(servers) = keys.get("servers").filter(|_| !given) {
            draft.report(&servers.span(), format!("`{missing}` is missing: {what}"));
        }
    }
    Some(FleetSection {
        servers,
        machine: machine?,
        key: key?,
        roots,
        serial,
    })
}

fn check_servers(draft: &mut Draft<'_>, keys: &Keys<'_, '_>, trusted: bool) -> Vec<String> {
    let servers: Vec<At<&str>> = keys.texts(draft, "servers").unwrap_or_default();
    if let Some(server) = servers.get(MOST_SERVERS) {
        draft.report(&server.span, format!("more than {MOST_SERVERS} `servers`"));
    }
    for server in &servers {
        let (scheme, rest) = server.value.split_once("://").unwrap_or(("", ""));
        let fits = |c: char| c.is_ascii_alphanumeric() || ".-:[]".contains(c);
        if !matches!(scheme, "tls" | "nats") || rest.is_empty() || !rest.chars().all(fits) {
            let message = format!(
                "`{}` is no server; write it like `\"tls://hub.example:4222\"`",
                server.value
            );
            draft.report(&server.span, message);
        } else if scheme == "nats" && !trusted && !is_here(rest) {
            let message = format!(
                "everyone on the way to `{}` could read what goes there: write `tls://`, or say \
                 `trusted-network = true` where nobody else is on the line",
                server.value
            );
            draft.report(&server.span, message);
        }
    }
    servers
        .iter()
        .map(|server| server.value.to_owned())
        .collect()
}

/// True for an address that does not leave this machine.
fn is_here(address: &str) -> bool {
    ["127.", "localhost", "[::1]"]
        .iter()
        .any(|here| address.starts_with(here))
}

fn check_machine(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Option<MachineName> {
    let written = keys.text(draft, "machine", "like `\"bench-3\"`")?;
    match written.value.parse() {
        Ok(name) => Some(name),
        Err(error) => {
            draft.report(&written.span, error.to_string());
            None
        }
    }
}

fn check_serial(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Option<String> {
    let written = keys.text(draft, "serial", "with the serial number")?;
    let long = written.value.chars().count() > MOST_SERIAL;
    if long || written.value.is_empty() || written.value.chars().any(char::is_control) {
        let message = format!("`serial` must be 1 to {MOST_SERIAL} characters on one line");
        draft.report(&written.span, message);
        return None;
    }
    Some(written.value.to_owned())
}
