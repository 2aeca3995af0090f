//! The configuration is checked whole: every mistake with its place and what would be right.

use std::path::PathBuf;

use super::check_fleet::check_fleet;
use super::check_notice::check_notices;
use super::check_schedule::{check_recheck, check_schedule};
use super::check_service::check_service;
use super::written::{Configuration, WatchdogSection};
use crate::form::{CheckFormError, Draft, Keys, check_form};
use crate::os::SecretPlace;

const SECTIONS: [&str; 6] = [
    "service", "notice", "watchdog", "schedule", "recheck", "fleet",
];
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
            fleet: check_fleet(draft, &keys),
        })
    })
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

/// A secret in a file or in a systemd credential, by the keys for either.
pub(super) fn secret_place(
    draft: &mut Draft<'_>,
    keys: &Keys<'_, '_>,
    (file, credential): (&str, &str),
) -> Option<SecretPlace> {
    let named = keys.text(draft, credential, "with the name of a systemd credential");
    if let (Some(named), true) = (&named, keys.get(file).is_some()) {
        let message = format!("only one of `{file}`, `{credential}` can be given");
        draft.report(&named.span, message);
    }
    if let Some(named) = named {
        // systemd.exec(5): a credential's name is that of a file.
        if named.value.is_empty() || named.value.contains('/') || named.value.starts_with('.') {
            let message = format!("`{credential}` must be the name of a credential, not a path");
            draft.report(&named.span, message);
        }
        return Some(SecretPlace::Credential(named.value.to_owned()));
    }
    absolute_path(draft, keys, file).map(SecretPlace::File)
}
