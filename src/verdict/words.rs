//! Plain words for figures.

use crate::model::{ClassStatement, Exposure};

/// A length of time for people.
pub(super) fn span(seconds: f64) -> String {
    if seconds >= 2.0 * 3600.0 {
        format!("{:.1} h", seconds / 3600.0)
    } else if seconds >= 120.0 {
        format!("{:.1} min", seconds / 60.0)
    } else {
        format!("{seconds:.1} s")
    }
}

/// What a bound means.
pub(super) fn bound(bound_s: Option<f64>, faults: u64, confidence: f64) -> String {
    let Some(bound_s) = bound_s else {
        return "no checked time, so nothing is shown".to_owned();
    };
    let odds = (1.0 / (1.0 - confidence)).round().max(2.0);
    if faults == 0 {
        format!(
            "Had it erred once in {} or oftener under this load, heat and settings, such a run \
             would have shown it {:.0} times in {odds:.0}.",
            span(bound_s),
            odds - 1.0
        )
    } else {
        format!(
            "With {faults} fault(s) seen, all that is shown is a mean time between errors of at \
             least {}.",
            span(bound_s)
        )
    }
}

/// Short figure of a statement for rules.
pub(super) fn shown(statement: &ClassStatement) -> String {
    statement.bound_s.map_or_else(|| "nothing".to_owned(), span)
}

/// Exposure in words.
pub(super) fn exposure(exposure: &Exposure) -> String {
    format!("{} on every core", span(exposure.machine_s))
}
