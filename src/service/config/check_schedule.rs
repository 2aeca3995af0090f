//! `[[schedule]]` and `[recheck]`: what the service starts by itself.

use std::collections::BTreeSet;
use std::ops::Range;
use std::time::Duration;

use super::check::check_name;
use crate::form::{At, Draft, Keys, hint};
use crate::model::{Conditions, Declared, RecheckPolicy, RunWish, ScheduleEntry, Window};
use crate::service::agenda::{check_expression, parse_window};
use crate::suite::builtin_names;

/// Shortest and longest idle time that can be asked for.
const IDLE: (Duration, Duration) = (Duration::from_secs(30), Duration::from_hours(24));
/// Highest priority.
const MOST_PRIORITY: f64 = 10.0;
/// Most entries.
const MOST_ENTRIES: usize = 100;

const KEYS: [&str; 8] = [
    "name",
    "when",
    "zone",
    "suite",
    "window",
    "when-idle",
    "unchecked",
    "priority",
];
const RECHECK_KEYS: [&str; 2] = ["enabled", "suite"];

pub(super) fn check_schedule(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Vec<ScheduleEntry> {
    let tables = keys.tables(draft, "schedule", "[[schedule]]");
    if let Some((_, span)) = tables.get(MOST_ENTRIES) {
        draft.report(
            span,
            format!("more than {MOST_ENTRIES} `[[schedule]]` tables"),
        );
    }
    let mut names = BTreeSet::new();
    let mut entries = Vec::new();
    for (table, span) in tables {
        let keys = Keys::open(draft, table, "[[schedule]]", &KEYS);
        let name = check_name(draft, &keys, ("schedule entry", &span));
        if let Some(again) = name.as_ref().filter(|name| !names.insert(name.value)) {
            let message = format!(
                "a second entry is called `{}`: give it another name",
                again.value
            );
            draft.report(&again.span, message);
        }
        entries.extend(check_entry(draft, &keys, name.as_ref(), &span));
    }
    entries
}

fn check_entry(
    draft: &mut Draft<'_>,
    keys: &Keys<'_, '_>,
    name: Option<&At<&str>>,
    span: &Range<usize>,
) -> Option<ScheduleEntry> {
    let zone = keys.text(draft, "zone", "like `\"Europe/Berlin\"`");
    let zone_name = zone.as_ref().map(|zone| zone.value.to_owned());
    let when = check_when(draft, keys, zone.as_ref(), span);
    let suite = check_suite(draft, keys);
    if keys.lacks("suite") {
        draft.report(span, "the schedule entry has no `suite`: name what to run");
    }
    let window = check_window(draft, keys, zone_name.clone());
    let idle = keys.time(draft, "when-idle", IDLE);
    let unchecked = keys.flag(draft, "unchecked");
    let priority = keys.number(draft, "priority", (-MOST_PRIORITY, MOST_PRIORITY));
    #[expect(clippy::cast_possible_truncation, reason = "between -10 and 10")]
    let priority = priority.map_or(0, |number| number.value as i8);
    Some(ScheduleEntry {
        name: name?.value.to_owned(),
        when: when?.value.to_owned(),
        zone: zone_name,
        wish: RunWish {
            suite: suite?,
            declared: Declared::default(),
            ..RunWish::default()
        },
        conditions: Conditions {
            window,
            idle_s: idle.map(|idle| idle.value.as_secs()),
            unchecked: unchecked.is_some_and(|flag| flag.value),
            ..Conditions::default()
        },
        priority,
    })
}

fn check_when<'a>(
    draft: &mut Draft<'_>,
    keys: &Keys<'a, '_>,
    zone: Option<&At<&str>>,
    span: &Range<usize>,
) -> Option<At<&'a str>> {
    if keys.lacks("when") {
        draft.report(
            span,
            "the schedule entry has no `when`: give it a calendar expression, `\"0 22 * * MON-FRI\"`",
        );
    }
    if let Some(zone) = zone
        && let Err(error) = check_expression("0 0 * * *", Some(zone.value))
    {
        draft.report(&zone.span, error.to_string());
    }
    let when = keys.text(draft, "when", "like `\"0 22 * * MON-FRI\"`")?;
    if let Err(error) = check_expression(when.value, None) {
        draft.report(&when.span, error.to_string());
    }
    Some(when)
}

fn check_window(
    draft: &mut Draft<'_>,
    keys: &Keys<'_, '_>,
    zone: Option<String>,
) -> Option<Window> {
    let written = keys.text(draft, "window", "like `\"22:00-07:00\"`")?;
    match parse_window(written.value, zone) {
        Ok(window) => Some(window),
        Err(error) => {
            draft.report(&written.span, error.to_string());
            None
        }
    }
}

/// A built-in suite, or the whole path of a file.
fn check_suite(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Option<String> {
    let suite = keys.text(draft, "suite", "like `\"overnight\"`")?;
    let known = builtin_names();
    if !suite.value.starts_with('/') && !known.contains(&suite.value) {
        let message = format!(
            "no suite is called `{}` ({}); a suite of your own is named by its whole path",
            suite.value,
            hint(suite.value, &known)
        );
        draft.report(&suite.span, message);
    }
    Some(suite.value.to_owned())
}

pub(super) fn check_recheck(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> RecheckPolicy {
    let usual = RecheckPolicy::default();
    let Some((table, _)) = keys.table(draft, "recheck") else {
        return usual;
    };
    let keys = Keys::open(draft, table, "[recheck]", &RECHECK_KEYS);
    let enabled = keys.flag(draft, "enabled");
    let suite = keys.text(draft, "suite", "like `\"recheck\"`");
    let known = builtin_names();
    if let Some(suite) = suite.as_ref().filter(|suite| !known.contains(&suite.value)) {
        let hint = hint(suite.value, &known);
        draft.report(
            &suite.span,
            format!("no built-in suite is called `{}`; {hint}", suite.value),
        );
    }
    RecheckPolicy {
        enabled: enabled.map_or(usual.enabled, |flag| flag.value),
        suite: suite.map_or(usual.suite, |suite| suite.value.to_owned()),
    }
}
