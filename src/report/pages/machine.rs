//! What a page says of the machine, its settings and its run.

use serde_json::{Value, json};

use super::super::Style;
use super::super::standing::settings_words;
use super::super::units::{bytes, figure, instant, span};
use super::super::verdict::{end_words, gap_words, headline};
use crate::model::{Gap, Grade, MemoryModule, Record};

/// A sign beside the grade, so that it is told apart at a glance and without colour.
fn sign(grade: Grade) -> &'static str {
    match grade {
        Grade::Proven => "\u{2713}",
        Grade::Provisional => "\u{25d0}",
        Grade::Marginal => "\u{25b3}",
        Grade::Failed => "\u{2715}",
        Grade::Inconclusive => "?",
    }
}

/// Grade, headline, where, when.
pub(super) fn head(record: &Record, style: &Style) -> Value {
    let header = &record.header;
    let verdict = record.verdict();
    let number = style.run.map(|run| format!("run {run}"));
    let length = record.last_known().seconds_since(header.started.mono);
    let end = record.end.as_ref();
    json!({
        "grade": verdict.map_or_else(|| "no verdict".to_owned(), |v| v.grade.to_string()),
        "sign": verdict.map_or("?", |v| sign(v.grade)),
        "headline": verdict.map_or_else(|| "the run was not judged yet".to_owned(), headline),
        "run": number.unwrap_or_else(|| "run".to_owned()),
        "id": header.id,
        "program": header.program,
        "suite": header.plan.suite,
        "about": header.plan.about,
        "host": header.machine.host,
        "simulated": header.machine.simulated,
        "started": instant(header.started.wall, &style.zone),
        "ended": end.map(|end| instant(end.at.wall, &style.zone)),
        "length": span(length),
        "end": end.map_or_else(|| "no end on record".to_owned(), |end| end_words(&end.what)),
    })
}

/// What was set and declared, as (label, words).
pub(super) fn settings(record: &Record) -> Vec<[String; 2]> {
    let declared = &record.header.declared;
    let mut lines = Vec::new();
    let mut say = |label: &str, words: String| lines.push([label.to_owned(), words]);
    if let Some(standing) = &declared.standing {
        if standing.settings.is_empty() {
            say("settings", "none declared".to_owned());
        } else {
            say("settings", settings_words(standing));
        }
        match standing.change {
            Some(change) if standing.change_was_pending => {
                say("change", format!("number {change}, judged by this run"));
            }
            Some(change) => say("change", format!("number {change}, judged before")),
            None if standing.rated => say("change", "none; the maker's values".to_owned()),
            None => {}
        }
        for what in &standing.unexplained {
            say("not explained", what.clone());
        }
        for what in &standing.unshown {
            say("not shown", what.clone());
        }
    } else {
        say("settings", "none declared".to_owned());
    }
    for (class, mhz) in &declared.clock_mhz {
        say(
            &format!("clock, {class}"),
            format!("{} MHz", figure(*mhz, 0)),
        );
    }
    for (kind, mhz) in &declared.kind_clock_mhz {
        say(
            &format!("clock, {kind} cores"),
            format!("{} MHz", figure(*mhz, 0)),
        );
    }
    if let Some(celsius) = declared.ambient_c {
        say("air", format!("{} C", figure(celsius, 1)));
    }
    if !declared.note.is_empty() {
        say("note", declared.note.clone());
    }
    lines
}

/// What the machine tells of itself, as (label, words); what it does not tell is left out.
pub(super) fn fingerprint(record: &Record) -> Vec<[String; 2]> {
    let machine = &record.header.machine;
    let standing = record.header.declared.standing.as_ref();
    let print = standing.map(|standing| &standing.fingerprint);
    let told = |text: &str| (!text.is_empty()).then(|| text.to_owned());
    let modules = print.and_then(|print| print.modules.as_ref());
    let modules = modules.map(|modules| modules_words(modules));
    let microcode = match print.and_then(|print| told(&print.stepping)) {
        Some(stepping) => told(&machine.microcode).map(|m| format!("{m}, stepping {stepping}")),
        None => told(&machine.microcode),
    };
    let lines = [
        ("processor", told(&machine.processor)),
        ("microcode", microcode),
        ("board", told(&machine.board)),
        ("firmware", told(&machine.firmware)),
        (
            "cores",
            Some(format!(
                "{}, logical CPUs {}",
                machine.core_count(),
                machine.cpus.len()
            )),
        ),
        ("memory", Some(bytes(machine.memory_bytes))),
        ("modules", modules.filter(|words| !words.is_empty())),
        ("kernel", told(&machine.kernel)),
        ("governor", print.and_then(|print| told(&print.governor))),
    ];
    let known = lines.into_iter();
    known
        .filter_map(|(label, words)| Some([label.to_owned(), words?]))
        .collect()
}

/// `2 x 16 GiB PART at 6000 MT/s`.
fn modules_words(modules: &[MemoryModule]) -> String {
    let mut kinds: Vec<(String, u32)> = Vec::new();
    for module in modules {
        let rate = module
            .configured_mts
            .map_or_else(String::new, |rate| format!(" at {rate} MT/s"));
        let words = format!("{} {}{rate}", bytes(module.bytes), module.part.trim());
        match kinds.iter_mut().find(|(known, _)| *known == words) {
            Some((_, number)) => *number += 1,
            None => kinds.push((words, 1)),
        }
    }
    let words = kinds.iter();
    let words = words.map(|(words, number)| format!("{number} x {words}"));
    words.collect::<Vec<String>>().join(", ")
}

/// What could not be seen.
pub(super) fn gaps(record: &Record) -> Vec<String> {
    let gaps: &[Gap] = record
        .verdict()
        .map_or(&record.gaps, |verdict| &verdict.gaps);
    gaps.iter().map(gap_words).collect()
}
