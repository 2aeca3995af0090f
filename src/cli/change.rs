//! `change` and `changes`: what was altered, and what it led to.

use super::ledger::Book;
use super::ledger_arguments::{ChangeArguments, ChangeCommand, LedgerArguments};
use super::run::style;
use super::{Exit, Failure, put, put_json};
use crate::ledger::{ChangeLine, TakenBack, check_change, check_no_boot, check_undo};
use crate::model::LedgerEntry;
use crate::os;
use crate::report;

/// Declares a change or takes one back.
pub(super) fn change(wanted: &ChangeArguments) -> Result<Exit, Failure> {
    let mut book = Book::open(&wanted.ledger)?;
    let line = match &wanted.command {
        Some(ChangeCommand::Undo) => {
            let line = check_undo(&book.ledger).map_err(Failure::usage)?.clone();
            let change = line.change.number;
            book.write(&[LedgerEntry::Undone { change }])?;
            ChangeLine {
                taken_back: Some(TakenBack::Undone),
                ..line
            }
        }
        Some(ChangeCommand::Failed { no_boot: _ }) => {
            let line = check_no_boot(&book.ledger).map_err(Failure::usage)?.clone();
            let change = line.change.number;
            book.write(&[LedgerEntry::NoBoot { change }])?;
            ChangeLine {
                taken_back: Some(TakenBack::NoBoot),
                ..line
            }
        }
        None => {
            let change = check_change(&book.ledger, &wanted.words, &wanted.note, wanted.together)
                .map_err(Failure::usage)?;
            book.write(&[LedgerEntry::Change(change.clone())])?;
            ChangeLine {
                change,
                at: os::moment().wall,
                taken_back: None,
                verdict: None,
                cut_short: None,
                under_way: None,
            }
        }
    };
    if wanted.ledger.store.output.json {
        put_json(&report::change_json(&book.ledger, &line));
    } else {
        put(&report::change_text(&book.ledger, &line, style()));
    }
    Ok(Exit::Fine)
}

/// Lists them.
pub(super) fn changes(wanted: &LedgerArguments) -> Result<Exit, Failure> {
    let book = Book::open(wanted)?;
    if wanted.store.output.json {
        put_json(&report::changes_json(&book.ledger));
    } else {
        put(&report::changes_text(&book.ledger, style()));
    }
    Ok(Exit::Fine)
}
