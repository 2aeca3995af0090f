//! Settings, changes and profiles as text and as JSON.
//!
//! - `soakproof.settings/1`: `settings`, a list of the stored form (`name`, `kind`, `unit`, `step`,
//!   `coarse`, `margin`, `harder`, `floor`, `ceiling`, `rated`, `value`; null where not said).
//! - `soakproof.changes/1`: `baseline` (`run`, `grade`; null before there is one), `changes`, a list of
//!   `number`, `declared` (RFC 3339 in UTC), `moves` (`setting`, `from`, `to`), `note`, `state` (`pending`,
//!   `judged`, `cut-short`, `not-judged`), `run` and `grade` (null before it is judged), `taken_back` (null, `undone`,
//!   `no-boot`); `soakproof.change/1`: `change`, one of them, and `settings`, the present values.
//! - `soakproof.profiles/1`: `profiles`, a list of `name`, `slot`, `named`, `run`, `settings`;
//!   `soakproof.profile-diff/1`: `one`, `other` (names), `differences` (`name`, `unit`, `one`, `other`).

use serde_json::{Value, json};

use super::json::value;
use super::page::{Flush, Grid, Page, Style};
use super::units::{instant, rfc3339};
use crate::ledger::{ChangeLine, Difference, Ledger, TakenBack};
use crate::model::{Amount, Change, Harder, KnownGood, Setting, SettingValue, Wall};

/// Settings with limits and steps, and what is still to be said about them.
pub fn settings_text(settings: &[Setting], style: Style) -> String {
    let mut page = Page::new(&style);
    if settings.is_empty() {
        page.plain(
            "No setting is declared yet: `soakproof setting starter desktop`, `soakproof setting starter \
             memory`, or `soakproof setting NAME --kind KIND`.",
        );
        return page.finish();
    }
    page.grid(&settings_grid(settings));
    for line in settings.iter().filter_map(still_to_say) {
        page.plain(&line);
    }
    page.finish()
}

/// One row a setting.
pub(super) fn settings_grid(settings: &[Setting]) -> Grid {
    Grid {
        columns: vec![
            ("setting", Flush::Left),
            ("value", Flush::Right),
            ("unit", Flush::Left),
            ("floor", Flush::Right),
            ("ceiling", Flush::Right),
            ("rated", Flush::Right),
            ("step", Flush::Right),
            ("coarse", Flush::Right),
            ("margin", Flush::Right),
            ("harder", Flush::Left),
        ],
        rows: settings.iter().map(setting_row).collect(),
    }
}

fn setting_row(setting: &Setting) -> Vec<String> {
    let amount = |value: Option<Amount>| value.map_or("?".to_owned(), |value| value.to_string());
    let harder = match setting.harder {
        Some(Harder::Up) => "up",
        Some(Harder::Down) => "down",
        None => "?",
    };
    vec![
        setting.name.clone(),
        amount(setting.value),
        setting.unit.clone(),
        amount(setting.floor),
        amount(setting.ceiling),
        amount(setting.rated),
        setting.step.to_string(),
        setting.coarse.to_string(),
        setting.margin.to_string(),
        harder.to_owned(),
    ]
}

pub(super) fn still_to_say(setting: &Setting) -> Option<String> {
    let name = &setting.name;
    let mut missing = Vec::new();
    if setting.value.is_none() {
        missing.push("the present value (`--value`)");
    }
    if setting.ceiling.is_none() {
        missing.push("the maker's maximum (`--ceiling`)");
    }
    if setting.floor.is_none() {
        missing.push("the least that you allow (`--floor`)");
    }
    if missing.is_empty() {
        return None;
    }
    Some(format!("{name}: still to be said: {}", missing.join(", ")))
}

/// `soakproof.settings/1`.
pub fn settings_json(settings: &[Setting]) -> Value {
    json!({ "schema": "soakproof.settings/1", "settings": value(settings) })
}

/// A change just declared or taken back, and what is to be done.
pub fn change_text(ledger: &Ledger, line: &ChangeLine, style: Style) -> String {
    let mut page = Page::new(&style);
    let (number, moves) = (line.change.number, moves_words(ledger, &line.change));
    let back = back_words(ledger, &line.change);
    match line.taken_back {
        None => {
            page.plain(&format!("Change {number}: {moves}; pending."));
            if line.change.moves.len() > 1 {
                page.plain("Several settings at once: a failure can be put down to none of them.");
            }
            page.plain(
                "Set it in the firmware, start the machine, then `soakproof run recheck` judges it. If \
                 the machine does not start: `soakproof change failed --no-boot`.",
            );
        }
        Some(TakenBack::Undone) => {
            page.plain(&format!("Change {number} is taken back: {back}."));
            page.plain("Set the firmware back to it, too.");
        }
        Some(TakenBack::NoBoot) => {
            page.plain(&format!(
                "Change {number} failed, the machine did not start with it; on record it is taken back: \
                 {back}."
            ));
            page.plain(
                "If the firmware fell back to its defaults, enter your last good settings there again.",
            );
        }
    }
    page.finish()
}

fn unit_of<'a>(ledger: &'a Ledger, name: &str) -> &'a str {
    ledger
        .setting(name)
        .map_or("", |setting| setting.unit.as_str())
}

fn moves_words(ledger: &Ledger, change: &Change) -> String {
    let moves = change.moves.iter();
    let words = moves.map(|step| {
        let unit = unit_of(ledger, &step.setting);
        format!("{} {} to {} {unit}", step.setting, step.from, step.to)
            .trim_end()
            .to_owned()
    });
    words.collect::<Vec<String>>().join(", ")
}

fn back_words(ledger: &Ledger, change: &Change) -> String {
    let moves = change.moves.iter();
    let words = moves.map(|step| {
        let unit = unit_of(ledger, &step.setting);
        format!("{} at {} {unit}", step.setting, step.from)
            .trim_end()
            .to_owned()
    });
    words.collect::<Vec<String>>().join(", ")
}

/// `soakproof.change/1`; the settings are those after it.
pub fn change_json(ledger: &Ledger, line: &ChangeLine) -> Value {
    let back = line.taken_back.is_some();
    let settings = ledger.values().into_iter().map(|mut known| {
        let mut moves = line.change.moves.iter();
        if let Some(step) = moves.find(|step| step.setting == known.name) {
            known.value = if back { step.from } else { step.to };
        }
        known
    });
    json!({
        "schema": "soakproof.change/1",
        "change": line_json(line),
        "settings": value(&settings.collect::<Vec<SettingValue>>()),
    })
}

/// All changes with what became of them.
pub fn changes_text(ledger: &Ledger, style: Style) -> String {
    let mut page = Page::new(&style);
    if let Some(line) = baseline_words(ledger) {
        page.plain(&line);
    }
    if ledger.changes().is_empty() {
        page.plain("No change is declared yet: `soakproof change SETTING FROM TO`.");
        return page.finish();
    }
    page.grid(&changes_grid(ledger, &style));
    page.finish()
}

/// The run that everything is held against.
pub(super) fn baseline_words(ledger: &Ledger) -> Option<String> {
    let base = ledger.baseline()?;
    let grade = base.grade.map_or(String::new(), |grade| grade.to_string());
    let run = base.run;
    Some(format!(
        "Baseline at the maker's values: run {run}, {grade}."
    ))
}

/// One row a change.
pub(super) fn changes_grid(ledger: &Ledger, style: &Style) -> Grid {
    let row = |line: &ChangeLine| {
        let mut what = moves_words(ledger, &line.change);
        if !line.change.note.is_empty() {
            what.push_str(&format!(" ({})", line.change.note));
        }
        vec![
            line.change.number.to_string(),
            instant(line.at, &style.zone),
            outcome_words(line),
            what,
        ]
    };
    Grid {
        columns: vec![
            ("change", Flush::Right),
            ("declared", Flush::Left),
            ("led to", Flush::Left),
            ("what", Flush::Left),
        ],
        rows: ledger.changes().iter().map(row).collect(),
    }
}

fn outcome_words(line: &ChangeLine) -> String {
    let outcome = match (line.verdict, line.cut_short, line.under_way) {
        (Some((run, grade)), _, _) => Some(format!("{grade}, run {run}")),
        (None, Some(run), _) => Some(format!("reset in run {run}")),
        (None, None, Some(run)) => Some(format!("run {run} goes on")),
        (None, None, None) => None,
    };
    match (line.taken_back, outcome) {
        (Some(TakenBack::NoBoot), _) => "failed: no start".to_owned(),
        (Some(TakenBack::Undone), Some(outcome)) => format!("{outcome}; undone"),
        (Some(TakenBack::Undone), None) => "undone".to_owned(),
        (None, Some(outcome)) => outcome,
        (None, None) => "pending".to_owned(),
    }
}

/// `soakproof.changes/1`.
pub fn changes_json(ledger: &Ledger) -> Value {
    let baseline = ledger.baseline();
    let changes: Vec<Value> = ledger.changes().iter().map(line_json).collect();
    json!({
        "schema": "soakproof.changes/1",
        "baseline": baseline.map(|base| json!({ "run": base.run, "grade": value(&base.grade) })),
        "changes": changes,
    })
}

fn line_json(line: &ChangeLine) -> Value {
    let state = match (line.verdict, line.cut_short) {
        (Some(_), _) => "judged",
        (None, Some(_)) => "cut-short",
        (None, None) if line.taken_back == Some(TakenBack::NoBoot) => "judged",
        (None, None) if line.taken_back.is_some() => "not-judged",
        (None, None) => "pending",
    };
    json!({
        "number": line.change.number,
        "declared": rfc3339(line.at),
        "boot_id": line.change.boot_id,
        "moves": value(&line.change.moves),
        "note": line.change.note,
        "state": state,
        "failed": line.has_failed(),
        "run": line.verdict.map(|(run, _)| run).or(line.cut_short),
        "grade": line.verdict.map(|(_, grade)| value(&grade)),
        "taken_back": line.taken_back.map(|how| match how {
            TakenBack::Undone => "undone",
            TakenBack::NoBoot => "no-boot",
        }),
    })
}

/// Profiles known to be good.
pub fn profiles_text(profiles: &[(Wall, KnownGood)], style: Style) -> String {
    let mut page = Page::new(&style);
    if profiles.is_empty() {
        page.plain("No profile is named yet: `soakproof good NAME` names the present settings.");
        return page.finish();
    }
    page.grid(&profiles_grid(profiles, &style));
    page.finish()
}

/// One row a profile.
pub(super) fn profiles_grid(profiles: &[(Wall, KnownGood)], style: &Style) -> Grid {
    let row = |(at, profile): &(Wall, KnownGood)| {
        let settings: Vec<String> = profile.settings.iter().map(ToString::to_string).collect();
        vec![
            profile.name.clone(),
            profile.slot.clone().unwrap_or_default(),
            instant(*at, &style.zone),
            profile.run.to_string(),
            settings.join(", "),
        ]
    };
    Grid {
        columns: vec![
            ("good", Flush::Left),
            ("slot", Flush::Left),
            ("named", Flush::Left),
            ("run", Flush::Right),
            ("settings", Flush::Left),
        ],
        rows: profiles.iter().map(row).collect(),
    }
}

/// `soakproof.profiles/1`.
pub fn profiles_json(profiles: &[(Wall, KnownGood)]) -> Value {
    let list = profiles.iter().map(|(at, profile)| {
        let mut line = value(profile);
        line["named"] = rfc3339(*at).into();
        line
    });
    json!({ "schema": "soakproof.profiles/1", "profiles": list.collect::<Vec<Value>>() })
}

/// In which settings two profiles differ.
pub fn differences_text(
    (one, other): (&KnownGood, &KnownGood),
    differences: &[Difference],
    style: Style,
) -> String {
    let mut page = Page::new(&style);
    if differences.is_empty() {
        page.plain(&format!(
            "`{}` and `{}` hold the same values.",
            one.name, other.name
        ));
        return page.finish();
    }
    let amount = |value: Option<Amount>| value.map_or("-".to_owned(), |value| value.to_string());
    let row = |difference: &Difference| {
        vec![
            difference.name.clone(),
            amount(difference.one),
            amount(difference.other),
            difference.unit.clone(),
        ]
    };
    let rows: Vec<Vec<String>> = differences.iter().map(row).collect();
    let columns = [
        ("setting", Flush::Left),
        (one.name.as_str(), Flush::Right),
        (other.name.as_str(), Flush::Right),
        ("unit", Flush::Left),
    ];
    page.table(&columns, &rows);
    page.finish()
}

/// `soakproof.profile-diff/1`.
pub fn differences_json(one: &KnownGood, other: &KnownGood, differences: &[Difference]) -> Value {
    let list: Vec<Value> = differences
        .iter()
        .map(|difference| {
            json!({
                "name": difference.name,
                "unit": difference.unit,
                "one": value(&difference.one),
                "other": value(&difference.other),
            })
        })
        .collect();
    json!({
        "schema": "soakproof.profile-diff/1",
        "one": one.name,
        "other": other.name,
        "differences": list,
    })
}
