//! What is told of a run after its end: what was gathered about a run that was cut short, what a person
//! knows of it, and whether the record is what was written.

use serde_json::{Value, json};

use super::page::{Page, Style, escape};
use super::units::{counted, instant};
use crate::model::{Note, NotedCause, Record, Witness};

/// Names the form of [`closed_json`].
pub const CLOSED_SCHEMA: &str = "soakproof.closed/1";
/// Names the form of [`check_json`].
pub const CHECK_SCHEMA: &str = "soakproof.check/1";

fn witness_words(witness: Witness) -> &'static str {
    match witness {
        Witness::Journal => "journal of that boot",
        Witness::KeptRecords => "kernel records kept over a restart",
        Witness::Watchdog => "status of the watchdogs",
        Witness::BootRecord => "record of starts and shutdowns",
    }
}

fn cause_words(cause: NotedCause) -> &'static str {
    match cause {
        NotedCause::PowerCut => "the power was cut",
        NotedCause::Button => "somebody pressed a button",
        NotedCause::Other => "something else",
    }
}

/// Where was looked for the reason of an end without a word; what was found stands in the finding.
pub(super) fn say_aftermath(page: &mut Page, record: &Record, style: &Style) {
    for aftermath in &record.aftermaths {
        let asked: Vec<&str> = aftermath
            .asked
            .iter()
            .map(|one| witness_words(*one))
            .collect();
        let asked = if asked.is_empty() {
            "nothing could be asked".to_owned()
        } else {
            format!("asked: {}", asked.join(", "))
        };
        let at = instant(aftermath.at.wall, &style.zone);
        page.say("gathered", &format!("{at}, {asked}"));
        for (witness, reason) in &aftermath.silent {
            let words = format!("{}: {reason}", witness_words(*witness));
            page.say("not asked", &words);
        }
    }
}

/// A person's words, beside the grade.
pub(super) fn say_notes(page: &mut Page, record: &Record, style: &Style) {
    for note in &record.notes {
        page.say("noted", &note_words(note, style));
    }
}

/// When it was said, and what.
pub(super) fn note_words(note: &Note, style: &Style) -> String {
    let mut words = vec![format!("said {}", instant(note.at.wall, &style.zone))];
    words.extend(note.cause.map(|cause| cause_words(cause).to_owned()));
    if !note.text.is_empty() {
        words.push(format!("`{}`", note.text));
    }
    words.join(", ")
}

/// `soakproof.closed/1`: `closed`, `revised` (judged again for an error after the end) and `left`, lists of
/// run numbers.
pub fn closed_json(closed: &[i64], revised: &[i64], left: &[i64]) -> Value {
    json!({ "schema": CLOSED_SCHEMA, "closed": closed, "revised": revised, "left": left })
}

/// `soakproof.check/1`: `runs` (numbers that were checked), `damaged` (a line for each damaged row).
pub fn check_json(runs: &[i64], damaged: &[String]) -> Value {
    json!({ "schema": CHECK_SCHEMA, "runs": runs, "damaged": damaged })
}

/// What a check of the record found.
pub fn check_text(runs: &[i64], damaged: &[String]) -> String {
    let count = |number: usize| u64::try_from(number).unwrap_or(u64::MAX);
    let runs = counted(count(runs.len()), "run", "runs");
    if damaged.is_empty() {
        return format!("{runs} checked: every row is what was written.\n");
    }
    let mut text = format!(
        "{runs} checked: {} not what was written.\n",
        counted(count(damaged.len()), "row is", "rows are")
    );
    for row in damaged {
        text.push_str(&format!("  {}\n", escape(row)));
    }
    text
}
