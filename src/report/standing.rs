//! Where the ledger stood when a run began: before the load starts, and in its reports.

use super::page::Page;
use crate::model::{Grade, Record, Standing};

/// Lines for the person before load is put on; none when there is nothing to mind.
pub fn before_run(standing: &Standing) -> Vec<String> {
    let mut lines = Vec::new();
    if let Some(change) = standing.change.filter(|_| standing.change_was_pending) {
        lines.push(format!(
            "this run judges change {change}: {}",
            settings_words(standing)
        ));
        if standing.change_in_this_boot {
            lines.push(format!(
                "note: the machine was not started again since change {change} was declared; if it is not \
                 in force yet, end this run (Ctrl-C)"
            ));
        }
    }
    let unshown = standing.unshown.iter();
    lines.extend(unshown.map(|what| format!("warning: {what}; this is about other settings")));
    let unexplained = standing.unexplained.iter();
    lines.extend(unexplained.map(|what| {
        format!(
            "warning: {what}, and no declared change explains it: the verdict will be confounded"
        )
    }));
    lines
}

pub(super) fn settings_words(standing: &Standing) -> String {
    let settings: Vec<String> = standing.settings.iter().map(ToString::to_string).collect();
    settings.join(", ")
}

/// Settings, what confounds, and what to go back to.
pub(super) fn say_standing(page: &mut Page, record: &Record) {
    let Some(standing) = &record.header.declared.standing else {
        return;
    };
    if !standing.settings.is_empty() {
        let judges = match standing.change {
            Some(change) => format!("; judges change {change}"),
            None if standing.rated => "; the maker's values".to_owned(),
            None => String::new(),
        };
        page.say("settings", &format!("{}{judges}", settings_words(standing)));
    }
    let verdict = record.verdicts.last();
    let confounds = verdict.iter().flat_map(|verdict| &verdict.rules);
    let confounds =
        confounds.filter(|rule| matches!(rule.name.as_str(), "confounded" | "settings-shown"));
    for (index, rule) in confounds.enumerate() {
        page.say(if index == 0 { "confounded" } else { "" }, &rule.figure);
    }
    if verdict.is_some_and(|verdict| verdict.grade == Grade::Failed)
        && let Some(good) = &standing.last_good
    {
        let settings: Vec<String> = good.settings.iter().map(ToString::to_string).collect();
        let name = good
            .name
            .as_ref()
            .map_or_else(String::new, |name| format!("`{name}`: "));
        let slot = good
            .slot
            .as_ref()
            .map_or_else(String::new, |slot| format!(", slot {slot}"));
        page.say(
            "last good",
            &format!("{name}{} (run {}{slot})", settings.join(", "), good.run),
        );
    }
}
