//! The configuration is checked whole: every mistake with its place and what would be right.

use super::check_fleet::check_fleet;
use super::check_notice::check_notices;
use super::check_schedule::{check_recheck, check_schedule};
use super::check_service::check_service;
use super::written::{Configuration, WatchdogSection};
use crate::form::{CheckFormError, Draft, Keys, check_form};

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
