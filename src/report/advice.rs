//! What to try next, and how long a run must be, as text and as JSON.
//!
//! - `soakproof.advice/1`: `setting` (stored form), `pending` (number of a change that is not judged yet, or
//!   null), `values` (hardest first: `value`, `runs`, `held`, `shown`, `exposure_s`, `faults`, `bound_s` at 95 %),
//!   `next` (`value`, `suite`; `suite` null when nothing is left to be run), `why`.
//! - `soakproof.length/1`: `target_s`, `confidence` (0..1), `allowed`, `factor`, `needed_s`.

use serde_json::{Value, json};

use super::json::value;
use super::page::{Page, Style};
use super::units::{counted, per_cent, span};
use crate::ledger::{Advice, Next, TestLength, ValueLine, Why};
use crate::model::{Amount, Setting};

/// Names of the two suites of a search.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Suites {
    /// The short one.
    pub short: String,
    /// The long one.
    pub long: String,
}

/// Everything that an advice is shown with.
#[derive(Debug, Clone, PartialEq)]
pub struct AdviceSeen {
    /// The setting.
    pub setting: Setting,
    /// A change that no run has judged yet.
    pub pending: Option<u32>,
    /// What is known of its values.
    pub lines: Vec<ValueLine>,
    /// What to do.
    pub advice: Advice,
    /// Names of the suites.
    pub suites: Suites,
}

/// The advice, with the evidence that led to it.
pub fn advice_text(seen: &AdviceSeen, style: Style) -> String {
    let mut page = Page::new(&style);
    let setting = &seen.setting;
    let unit = &setting.unit;
    for (index, line) in seen.lines.iter().enumerate() {
        page.say(
            if index == 0 { "known" } else { "" },
            &line_words(line, unit),
        );
    }
    let (value, suite) = target(seen);
    let what = match suite {
        Some(suite) => format!("{} {value} {unit}, suite `{suite}`", setting.name),
        None => format!("{} {value} {unit}: done", setting.name),
    };
    page.say(
        "next",
        &format!("{what}: {}", why_words(seen.advice.why, unit)),
    );
    for (index, line) in steps(seen).iter().enumerate() {
        page.say(if index == 0 { "do" } else { "" }, line);
    }
    page.say(
        "mind",
        "keep to the maker's limits; save your work first, an unstable machine may lose it",
    );
    page.finish()
}

fn target(seen: &AdviceSeen) -> (Amount, Option<&str>) {
    match seen.advice.next {
        Next::Short(value) => (value, Some(&seen.suites.short)),
        Next::Long(value) => (value, Some(&seen.suites.long)),
        Next::Done(value) => (value, None),
    }
}

/// Commands in their order.
fn steps(seen: &AdviceSeen) -> Vec<String> {
    let (value, suite) = target(seen);
    let name = &seen.setting.name;
    let mut steps = Vec::new();
    let moves = seen.setting.value.filter(|present| *present != value);
    if let (Some(present), Some(pending)) = (moves, seen.pending) {
        steps.push(format!(
            "change {pending} is not judged yet and comes first: `soakproof run {}`, or `soakproof \
             change undo` at {name} {present}",
            seen.suites.short
        ));
        return steps;
    }
    if let Some(present) = moves {
        steps.push(format!("`soakproof change {name} {present} {value}`"));
        steps.push("set it in the firmware and start the machine".to_owned());
    }
    match suite {
        Some(suite) => steps.push(format!("`soakproof run {suite}`")),
        None => steps.push("`soakproof good NAME` once it stands there".to_owned()),
    }
    steps
}

fn line_words(line: &ValueLine, unit: &str) -> String {
    let verdict = match (line.held, line.shown) {
        (false, _) => "failed",
        (true, true) => "held, the claim of a long suite shown",
        (true, false) => "held",
    };
    let runs: Vec<String> = line.runs.iter().map(ToString::to_string).collect();
    let runs = match runs.len() {
        0 => "the machine did not start".to_owned(),
        1 => format!("run {}", runs.join("")),
        _ => format!("runs {}", runs.join(", ")),
    };
    let bound = line.bound_s.map_or_else(String::new, |bound| {
        format!(
            ", {} checked, {}, mean time between errors over {} at 95 %",
            span(line.exposure_s),
            counted(line.faults, "fault", "faults"),
            span(bound)
        )
    });
    format!("{} {unit}: {verdict} ({runs}{bound})", line.value)
}

fn why_words(why: Why, unit: &str) -> String {
    match why {
        Why::KnowPresent => "too little is known of the present value; it comes first".to_owned(),
        Why::StepOn => "everything held so far: one coarse step on (common practice)".to_owned(),
        Why::AtLimit => {
            "it held as far as your limit, and past that nothing is advised: the long suite decides"
                .to_owned()
        }
        Why::BackUp => "it failed: back by one coarse step (common practice)".to_owned(),
        Why::Halve { held, failed } => {
            format!("half way between {held} (held) and {failed} {unit} (failed)")
        }
        Why::Margin { held } => format!(
            "{held} {unit} was the last that held in short runs; with your margin on top the long suite \
             decides"
        ),
        Why::AfterLong { failed } => format!(
            "the long suite failed at {failed} {unit}: one fine step back, and the long suite again"
        ),
        Why::Shown => "the long suite held here".to_owned(),
    }
}

/// `soakproof.advice/1`.
pub fn advice_json(seen: &AdviceSeen) -> Value {
    let (target, suite) = target(seen);
    let values: Vec<Value> = seen
        .lines
        .iter()
        .map(|line| {
            json!({
                "value": value(&line.value),
                "runs": line.runs,
                "held": line.held,
                "shown": line.shown,
                "exposure_s": line.exposure_s,
                "faults": line.faults,
                "bound_s": line.bound_s,
            })
        })
        .collect();
    json!({
        "schema": "soakproof.advice/1",
        "setting": value(&seen.setting),
        "pending": seen.pending,
        "values": values,
        "next": { "value": value(&target), "suite": suite },
        "why": why_words(seen.advice.why, &seen.setting.unit),
    })
}

/// How long a run must be.
pub fn length_text(length: &TestLength, style: Style) -> String {
    let mut page = Page::new(&style);
    let target = span(length.target.as_secs_f64());
    let errors = match length.allowed {
        0 => "without an error".to_owned(),
        most => format!("with at most {}", counted(most, "error", "errors")),
    };
    page.plain(&format!(
        "{} of checked load {errors} show a mean time between errors of {target} at {} ({:.3} times as \
         long; NIST/SEMATECH e-Handbook 8.3.1.1).",
        hours(length.needed_s),
        per_cent(length.confidence),
        length.factor
    ));
    page.plain(
        "Checked time counts for the machine when every core was computing; `soakproof run SUITE \
         --dry-run` shows how much of it a suite holds.",
    );
    page.finish()
}

/// Days would round away what a schedule needs.
fn hours(seconds: f64) -> String {
    let minutes = (seconds / 60.0).ceil();
    if minutes < 120.0 {
        return span(seconds);
    }
    format!(
        "{:.0} h {:02.0} min",
        (minutes / 60.0).floor(),
        minutes % 60.0
    )
}

/// `soakproof.length/1`.
pub fn length_json(length: &TestLength) -> Value {
    json!({
        "schema": "soakproof.length/1",
        "target_s": length.target.as_secs_f64(),
        "confidence": length.confidence,
        "allowed": length.allowed,
        "factor": length.factor,
        "needed_s": length.needed_s,
    })
}
