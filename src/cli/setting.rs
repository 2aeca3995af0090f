//! `setting`: what the person tunes, between which limits, in which steps.

use super::ledger::Book;
use super::ledger_arguments::{SettingArguments, SettingCommand};
use super::run::style;
use super::{Exit, Failure, put, put_json};
use crate::ledger::{SettingDraft, check_setting, starter, starter_names};
use crate::model::{LedgerEntry, Setting};
use crate::report;

/// Declares one, declares a starter set, or lists what is declared.
pub(super) fn setting(wanted: &SettingArguments) -> Result<Exit, Failure> {
    let mut book = Book::open(&wanted.ledger)?;
    let settings: Vec<Setting> = match (&wanted.command, &wanted.name) {
        (Some(SettingCommand::Starter { set }), _) => declare_set(&mut book, set)?,
        (None, Some(name)) => vec![declare(&mut book, draft(name, wanted))?],
        (None, None) => book.ledger.settings().to_vec(),
    };
    if wanted.ledger.store.output.json {
        put_json(&report::settings_json(&settings));
    } else {
        put(&report::settings_text(&settings, style()));
    }
    Ok(Exit::Fine)
}

fn draft(name: &str, wanted: &SettingArguments) -> SettingDraft {
    let values = wanted.values.clone();
    SettingDraft {
        name: name.to_owned(),
        kind: wanted.kind.map(|kind| kind.0),
        unit: values.unit,
        step: values.step,
        coarse: values.coarse,
        margin: values.margin,
        floor: values.floor,
        ceiling: values.ceiling,
        rated: values.rated,
        value: values.value,
        harder: wanted.harder.map(Into::into),
    }
}

fn declare(book: &mut Book, draft: SettingDraft) -> Result<Setting, Failure> {
    let known = book.ledger.setting(&draft.name);
    let setting = check_setting(known, &draft).map_err(Failure::usage)?;
    if known != Some(&setting) {
        book.write(&[LedgerEntry::Setting(setting.clone())])?;
    }
    Ok(setting)
}

/// Those of the set that are declared already stay as they are.
fn declare_set(book: &mut Book, set: &str) -> Result<Vec<Setting>, Failure> {
    let Some(settings) = starter(set) else {
        let known = starter_names().join("`, `");
        return Err(Failure::usage(anyhow::anyhow!(
            "no starter set is called `{set}`; there are `{known}`"
        )));
    };
    let fresh = settings
        .iter()
        .filter(|setting| book.ledger.setting(&setting.name).is_none());
    let entries: Vec<LedgerEntry> = fresh.cloned().map(LedgerEntry::Setting).collect();
    if !entries.is_empty() {
        book.write(&entries)?;
    }
    let known = |setting: Setting| {
        book.ledger
            .setting(&setting.name)
            .cloned()
            .unwrap_or(setting)
    };
    Ok(settings.into_iter().map(known).collect())
}
