//! The configuration is checked whole: every mistake with its place and what would be right.

use std::net::SocketAddr;
use std::path::PathBuf;

use super::check_notice::check_notices;
use super::check_schedule::{check_recheck, check_schedule};
use super::written::{Configuration, ServiceSection, WatchdogSection};
use crate::form::{CheckFormError, Draft, Keys, check_form};

const SECTIONS: [&str; 5] = ["service", "notice", "watchdog", "schedule", "recheck"];
const SERVICE_KEYS: [&str; 4] = ["store", "socket", "listen", "token-file"];
const WATCHDOG_KEYS: [&str; 1] = ["enabled"];

/// Reads and checks a configuration. `origin` is the file as people know it.
///
/// # Errors
/// All mistakes of the file, in its order.
pub fn parse_configuration(origin: &str, text: &str) -> Result<Configuration, CheckFormError> {
    check_form(origin, text, |draft, root| {
        let keys = Keys::open(draft, root, "the configuration", &SECTIONS);
        Some(Configuration {
            service: check_service(draft, &keys),
            notices: check_notices(draft, &keys),
            watchdog: check_watchdog(draft, &keys),
            schedule: check_schedule(draft, &keys),
            recheck: check_recheck(draft, &keys),
        })
    })
}

fn check_service(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> ServiceSection {
    let Some((table, _)) = keys.table(draft, "service") else {
        return ServiceSection::default();
    };
    let keys = Keys::open(draft, table, "[service]", &SERVICE_KEYS);
    let token_file = absolute_path(draft, &keys, "token-file");
    ServiceSection {
        store: absolute_path(draft, &keys, "store"),
        socket: absolute_path(draft, &keys, "socket"),
        listen: check_listen(draft, &keys, token_file.is_some()),
        token_file,
    }
}

fn check_listen(draft: &mut Draft<'_>, keys: &Keys<'_, '_>, has_token: bool) -> Option<SocketAddr> {
    let written = keys.text(draft, "listen", "like `\"127.0.0.1:7625\"`")?;
    let Ok(address) = written.value.parse::<SocketAddr>() else {
        let message = format!(
            "`listen` is `{}`; it must be an address with a port, `\"127.0.0.1:7625\"` or \
             `\"[::1]:7625\"`",
            written.value
        );
        draft.report(&written.span, message);
        return None;
    };
    if !address.ip().is_loopback() && !has_token {
        draft.report(
            &written.span,
            "an address that other machines reach needs a `token-file`; keep to `127.0.0.1` or `[::1]` \
             otherwise",
        );
    }
    Some(address)
}

fn check_watchdog(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> WatchdogSection {
    let Some((table, _)) = keys.table(draft, "watchdog") else {
        return WatchdogSection::default();
    };
    let keys = Keys::open(draft, table, "[watchdog]", &WATCHDOG_KEYS);
    let enabled = keys.flag(draft, "enabled");
    WatchdogSection {
        enabled: enabled.is_some_and(|flag| flag.value),
    }
}

/// A path that means the same wherever the program is started.
pub(super) fn absolute_path(
    draft: &mut Draft<'_>,
    keys: &Keys<'_, '_>,
    key: &str,
) -> Option<PathBuf> {
    let written = keys.text(draft, key, "with a path")?;
    let path = PathBuf::from(written.value);
    if !path.is_absolute() {
        let message = format!(
            "`{key}` is `{}`; it must be a whole path that begins with `/`: a service has no folder \
             of its own",
            written.value
        );
        draft.report(&written.span, message);
        return None;
    }
    Some(path)
}
