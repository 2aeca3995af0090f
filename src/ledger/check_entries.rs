//! Entries from anywhere, held against the same rules as those that commands make: each must be exactly
//! what the rule for its kind makes of it, behind those before it.

use super::book::Ledger;
use super::declare::{DeclareSettingError, SettingDraft, check_setting};
use super::good::{NameGoodError, check_good};
use super::propose::{ProposeChangeError, UndoError, check_change, check_no_boot, check_undo};
use crate::model::{Amount, Change, LedgerEntry, LedgerRow, Setting, Wall};

/// An entry that is not written.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CheckEntryError {
    /// A setting that cannot be declared so.
    #[error(transparent)]
    Setting(#[from] DeclareSettingError),
    /// A change that is refused.
    #[error(transparent)]
    Change(#[from] ProposeChangeError),
    /// A change that cannot be taken back.
    #[error(transparent)]
    Undo(#[from] UndoError),
    /// Settings that cannot be named as good.
    #[error(transparent)]
    Good(#[from] NameGoodError),
    /// Something of it is for the ledger to say.
    #[error("the {what} is not what the ledger makes of it: {should_be}")]
    Astray {
        /// Kind of the entry.
        what: &'static str,
        /// What it would be.
        should_be: String,
    },
}

/// Checks `entries`, which are to be written behind those that `ledger` holds.
///
/// # Errors
/// The first one that no command would write.
pub fn check_entries(ledger: &Ledger, entries: &[LedgerEntry]) -> Result<(), CheckEntryError> {
    let mut ledger = ledger.clone();
    for entry in entries {
        check_entry(&ledger, entry)?;
        ledger.apply(&LedgerRow {
            number: ledger.last_row(),
            at: Wall(0),
            entry: entry.clone(),
        });
    }
    Ok(())
}

fn check_entry(ledger: &Ledger, entry: &LedgerEntry) -> Result<(), CheckEntryError> {
    match entry {
        LedgerEntry::Setting(setting) => {
            let known = ledger.setting(&setting.name);
            let made = check_setting(known, &draft_of(setting))?;
            same("setting", &made, setting)
        }
        LedgerEntry::Change(change) => {
            let together = change.moves.len() > 1;
            let made = check_change(ledger, &words_of(change), &change.note, together)?;
            same("change", &made, change)
        }
        LedgerEntry::Undone { change } => same(
            "change taken back",
            &check_undo(ledger)?.change.number,
            change,
        ),
        LedgerEntry::NoBoot { change } => {
            let made = check_no_boot(ledger)?.change.number;
            same("change without a start", &made, change)
        }
        LedgerEntry::Good(profile) => {
            let made = check_good(ledger, &profile.name, profile.slot.as_deref())?;
            same("profile", &made, profile)
        }
    }
}

fn same<T: PartialEq + serde::Serialize>(
    what: &'static str,
    made: &T,
    given: &T,
) -> Result<(), CheckEntryError> {
    if made == given {
        return Ok(());
    }
    let should_be = serde_json::to_string(made).unwrap_or_default();
    Err(CheckEntryError::Astray { what, should_be })
}

/// The same as a person would have typed it.
fn draft_of(setting: &Setting) -> SettingDraft {
    let text = |amount: Amount| Some(amount.to_string());
    SettingDraft {
        name: setting.name.clone(),
        kind: Some(setting.kind),
        unit: Some(setting.unit.clone()),
        step: text(setting.step),
        coarse: text(setting.coarse),
        margin: text(setting.margin),
        floor: setting.floor.and_then(text),
        ceiling: setting.ceiling.and_then(text),
        rated: setting.rated.and_then(text),
        value: setting.value.and_then(text),
        harder: setting.harder,
    }
}

fn words_of(change: &Change) -> Vec<String> {
    let moves = change.moves.iter();
    let words = moves.flat_map(|step| {
        [
            step.setting.clone(),
            step.from.to_string(),
            step.to.to_string(),
        ]
    });
    words.collect()
}
