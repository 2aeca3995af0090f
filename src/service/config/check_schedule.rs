//! `[[schedule]]`: what is put into the queue at which times; `[recheck]`: what a change starts.

use std::collections::BTreeSet;
use std::time::Duration;

use crate::form::{At, Draft, Keys, hint};
use crate::model::{Conditions, Declared, RecheckPolicy, RunWish, ScheduleEntry, Window};
use crate::service::agenda::{CheckCalendarError, PRIORITIES, check_expression, parse_window};
use crate::suite;

/// Most entries; each is looked at every minute.
const MOST_ENTRIES: usize = 64;
/// Longest name of an entry.
const MOST_NAME: usize = 40;
/// Shortest and longest time without a person.
const IDLE: (Duration, Duration) = (Duration::from_secs(60), Duration::from_hours(24));

const ENTRY_KEYS: [&str; 9] = [
    "name",
    "when",
    "zone",
    "suite",
    "window",
    "when-idle",
    "unchecked",
    "priority",
    "note",
];
const RECHECK_KEYS: [&str; 2] = ["enabled", "suite"];

pub(super) fn check_recheck(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> RecheckPolicy {
    let usual = RecheckPolicy::default();
    let Some((table, _)) = keys.table(draft, "recheck") else {
        return usual;
    };
    let keys = Keys::open(draft, table, "[recheck]", &RECHECK_KEYS);
    let enabled = keys.flag(draft, "enabled");
    let suite = check_suite(draft, &keys, Own::Refused);
    RecheckPolicy {
        enabled: enabled.map_or(usual.enabled, |flag| flag.value),
        suite: suite.unwrap_or(usual.suite),
    }
}

pub(super) fn check_schedule(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Vec<ScheduleEntry> {
    let tables = keys.tables(draft, "schedule", "[[schedule]]");
    if let Some((_, span)) = tables.get(MOST_ENTRIES) {
        let message = format!("more than {MOST_ENTRIES} `[[schedule]]` tables");
        draft.report(span, message);
    }
    let mut names = BTreeSet::new();
    let mut entries = Vec::new();
    for (table, span) in tables {
        let keys = Keys::open(draft, table, "[[schedule]]", &ENTRY_KEYS);
        for key in ["name", "when", "suite"] {
            if keys.lacks(key) {
                draft.report(&span, format!("the entry has no `{key}`"));
            }
        }
        let Some(entry) = check_entry(draft, &keys) else {
            continue;
        };
        if !names.insert(entry.name.clone()) {
            let message = format!("a second entry is called `{}`", entry.name);
            draft.report(&span, message);
        }
        entries.push(entry);
    }
    entries
}

fn check_entry(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> Option<ScheduleEntry> {
    let name = keys.text(draft, "name", "like `\"nightly\"`");
    let fits = |name: &str| !name.is_empty() && name.len() <= MOST_NAME;
    if let Some(name) = name.as_ref().filter(|name| !fits(name.value)) {
        draft.report(
            &name.span,
            format!("`name` must have 1 to {MOST_NAME} letters"),
        );
    }
    let suite = check_suite(draft, keys, Own::ByPath);
    let zone = keys.text(draft, "zone", "like `\"Europe/Berlin\"`");
    let when = keys.text(draft, "when", "like `\"0 22 * * MON-FRI\"`");
    check_when(draft, when.as_ref(), zone.as_ref());
    let zone = zone.map(|zone| zone.value.to_owned());
    let window = check_window(draft, keys, zone.clone(), suite.as_deref());
    let idle = keys.time(draft, "when-idle", IDLE);
    let unchecked = keys.flag(draft, "unchecked");
    let note = keys.text(draft, "note", "in quotes");
    Some(ScheduleEntry {
        name: name?.value.to_owned(),
        when: when?.value.to_owned(),
        zone,
        wish: RunWish {
            suite: suite?,
            declared: Declared {
                note: note.map_or_else(String::new, |note| note.value.to_owned()),
                ..Declared::default()
            },
            ..RunWish::default()
        },
        conditions: Conditions {
            window,
            idle_s: idle.map(|idle| idle.value.as_secs()),
            unchecked: unchecked.is_some_and(|flag| flag.value),
            ..Conditions::default()
        },
        priority: check_priority(draft, keys),
    })
}

fn check_priority(draft: &mut Draft<'_>, keys: &Keys<'_, '_>) -> i8 {
    let (least, most) = (*PRIORITIES.start(), *PRIORITIES.end());
    let range = (f64::from(least), f64::from(most));
    let Some(written) = keys.number(draft, "priority", range) else {
        return 0;
    };
    let whole = (least..=most).find(|whole| f64::from(*whole).total_cmp(&written.value).is_eq());
    if whole.is_none() {
        draft.report(&written.span, "`priority` must be a whole number");
    }
    whole.unwrap_or(0)
}

/// Whether a suite of a person's own can be named.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Own {
    /// By the whole path of its file, whose text is read with the configuration.
    ByPath,
    /// Not here.
    Refused,
}

fn check_suite(draft: &mut Draft<'_>, keys: &Keys<'_, '_>, own: Own) -> Option<String> {
    let written = keys.text(draft, "suite", "like `\"overnight\"`")?;
    let known = suite::builtin_names();
    if own == Own::ByPath && written.value.starts_with('/') {
        return Some(written.value.to_owned());
    }
    if !known.contains(&written.value) {
        let (name, hint) = (written.value, hint(written.value, &known));
        draft.report(
            &written.span,
            format!("no suite is called `{name}`; {hint}"),
        );
        return None;
    }
    Some(written.value.to_owned())
}

fn check_when(draft: &mut Draft<'_>, when: Option<&At<&str>>, zone: Option<&At<&str>>) {
    let Some(when) = when else { return };
    let zone_name = zone.map(|zone| zone.value);
    if let Err(error) = check_expression(when.value, zone_name) {
        let place = match (&error, zone) {
            (CheckCalendarError::Zone(_), Some(zone)) => &zone.span,
            (CheckCalendarError::Zone(_) | CheckCalendarError::Expression { .. }, _) => &when.span,
        };
        draft.report(place, error.to_string());
    }
}

fn check_window(
    draft: &mut Draft<'_>,
    keys: &Keys<'_, '_>,
    zone: Option<String>,
    suite_name: Option<&str>,
) -> Option<Window> {
    let written = keys.text(draft, "window", "like `\"22:00-07:00\"`")?;
    let window = match parse_window(written.value, zone) {
        Ok(window) => window,
        Err(error) => {
            draft.report(&written.span, format!("`window`: {error}"));
            return None;
        }
    };
    let Some(builtin) = suite_name.and_then(suite::builtin) else {
        return Some(window);
    };
    let kernels = suite::known_kernels();
    let suite = suite::parse_suite(builtin.origin, builtin.text, &kernels).ok()?;
    let (needed, given) = (suite.length().as_secs(), u64::from(window.minutes()) * 60);
    if needed > given {
        let message = format!(
            "`{}` takes {} min and the window has {} min: it would never start",
            builtin.name,
            needed.div_ceil(60),
            window.minutes()
        );
        draft.report(&written.span, message);
    }
    Some(window)
}
