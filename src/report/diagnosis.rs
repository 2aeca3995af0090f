//! What the pattern of the evidence points at, and the change that it goes back to.

use serde_json::{Value, json};

use super::json::value;
use super::page::Page;
use super::units::{counted, figure, span};
use crate::ledger::{Attribution, attribute};
use crate::model::{Diagnosis, Evidence, Move, Record, Verdict};

/// Findings that are named by number in one line.
const NAMED: usize = 4;

/// The diagnoses, best first; on one screen, as many as `most`.
pub(super) fn say_diagnoses(page: &mut Page, verdict: &Verdict, most: Option<usize>) {
    let most = most.unwrap_or(verdict.diagnoses.len());
    let shown = verdict.diagnoses.iter().take(most).enumerate();
    for (index, diagnosis) in shown {
        let label = if index == 0 { "points at" } else { "" };
        page.say(label, &diagnosis_words(diagnosis, index));
        if !diagnosis.mind.is_empty() {
            page.say("", &format!("mind: {}", diagnosis.mind));
        }
    }
    let more = verdict.diagnoses.len().saturating_sub(most);
    if more > 0 {
        page.say("", &format!("and {more} more in the report"));
    }
}

/// What it points at, why, and what to try.
fn diagnosis_words(diagnosis: &Diagnosis, index: usize) -> String {
    let because: Vec<String> = diagnosis.because.iter().map(evidence_words).collect();
    let marked = if diagnosis.common_practice {
        " (common practice)"
    } else {
        ""
    };
    format!(
        "{}. {}{marked}; because: {}",
        index + 1,
        diagnosis.points_at,
        because.join("; ")
    )
}

fn evidence_words(evidence: &Evidence) -> String {
    match evidence {
        Evidence::Findings { indices, events } => {
            let numbers: Vec<String> = indices.iter().map(|i| (i + 1).to_string()).collect();
            let named = numbers[..numbers.len().min(NAMED)].join(", ");
            let more = match numbers.len().saturating_sub(NAMED) {
                0 => String::new(),
                more => format!(" and {more} more"),
            };
            let word = if numbers.len() == 1 {
                "finding"
            } else {
                "findings"
            };
            format!(
                "{word} {named}{more}, {}",
                counted(*events, "event", "events")
            )
        }
        Evidence::Clean {
            what,
            checked_s,
            chance,
        } => {
            let chance = chance.map_or_else(String::new, |chance| {
                format!(
                    " (by chance in {} of 100 such cases)",
                    figure(chance * 100.0, 1)
                )
            });
            format!("no error in {} of {what}{chance}", span(*checked_s))
        }
        Evidence::NotRun { class } => format!("{class} did not run, so nothing is known of it"),
        Evidence::Reading {
            what,
            value,
            against,
            unit,
        } => {
            let against = against.map_or_else(String::new, |other| {
                format!(" against {}", figure(other, 1))
            });
            format!("{what} {}{against} {unit}", figure(*value, 1))
        }
        Evidence::Rule { name, figure } => format!("{name}: {figure}"),
        Evidence::Declared { what } => what.clone(),
    }
}

fn of_record(record: &Record, verdict: &Verdict) -> Option<Attribution> {
    attribute(record.header.declared.standing.as_deref()?, verdict)
}

/// Which change it goes back to.
pub(super) fn say_attribution(page: &mut Page, record: &Record, verdict: &Verdict) {
    let found = of_record(record, verdict);
    if let Some(attribution) = found.filter(|found| *found != Attribution::NoChange) {
        page.say("change", &attribution_words(&attribution));
    }
}

fn attribution_words(attribution: &Attribution) -> String {
    let which = |change: &Option<u32>| {
        change.map_or_else(
            || "no change".to_owned(),
            |number| format!("change {number}"),
        )
    };
    match attribution {
        Attribution::Change {
            change,
            tried,
            back_to,
            held_before,
        } => {
            let before = if *held_before {
                ", although an earlier run at it found nothing"
            } else {
                ""
            };
            format!(
                "this goes back to change {change}{before}: {} from {back_to} to {} {}; set {back_to} \
                 {} again, then `soakproof change undo`",
                tried.name, tried.value, tried.unit, tried.unit
            )
        }
        Attribution::Several { change, moves } => format!(
            "change {change} altered {} settings at once, so it can be put down to none of them; go back \
             to {}, then `soakproof change undo`",
            moves.len(),
            back_words(moves)
        ),
        Attribution::Confounded { change } => format!(
            "{} is not blamed: something else was not as before, or not as declared",
            which(change)
        ),
        Attribution::HeatFirst { change } => format!(
            "{} is not blamed: it erred at its temperature limit, and heat comes first",
            which(change)
        ),
        Attribution::NoChange => "no change was in force".to_owned(),
    }
}

fn back_words(moves: &[Move]) -> String {
    let words = moves
        .iter()
        .map(|step| format!("{} {}", step.setting, step.from));
    words.collect::<Vec<String>>().join(", ")
}

/// Key `attribution` of a report: `kind` (`change`, `several`, `confounded`, `heat-first`, `no-change`) with
/// what belongs to it; null without a ledger or without anything found.
pub(super) fn attribution_json(record: &Record) -> Value {
    let Some(found) = record
        .verdict()
        .and_then(|verdict| of_record(record, verdict))
    else {
        return Value::Null;
    };
    match found {
        Attribution::Change {
            change,
            tried,
            back_to,
            held_before,
        } => json!({
            "kind": "change",
            "change": change,
            "tried": value(&tried),
            "back_to": value(&back_to),
            "held_before": held_before,
        }),
        Attribution::Several { change, moves } => {
            json!({ "kind": "several", "change": change, "moves": value(&moves) })
        }
        Attribution::Confounded { change } => json!({ "kind": "confounded", "change": change }),
        Attribution::HeatFirst { change } => json!({ "kind": "heat-first", "change": change }),
        Attribution::NoChange => json!({ "kind": "no-change" }),
    }
}
