//! `good`: settings known to be good, by name.

use super::ledger::Book;
use super::ledger_arguments::{GoodArguments, GoodCommand};
use super::run::style;
use super::{Exit, Failure, put, put_json};
use crate::ledger::{check_good, compare_settings, find_profile};
use crate::model::{KnownGood, LedgerEntry, Wall};
use crate::os;
use crate::report;

/// Names the present settings, lists profiles, or compares two.
pub(super) fn good(wanted: &GoodArguments) -> Result<Exit, Failure> {
    let mut book = Book::open(&wanted.ledger)?;
    let json = wanted.ledger.store.output.json;
    match (&wanted.command, &wanted.name) {
        (Some(GoodCommand::Diff { one, other }), _) => {
            let one = find_profile(&book.ledger, one).map_err(Failure::usage)?;
            let other = find_profile(&book.ledger, other).map_err(Failure::usage)?;
            let differences = compare_settings(&one.settings, &other.settings);
            if json {
                put_json(&report::differences_json(one, other, &differences));
            } else {
                put(&report::differences_text(
                    (one, other),
                    &differences,
                    style(),
                ));
            }
        }
        (None, Some(name)) => {
            let profile =
                check_good(&book.ledger, name, wanted.slot.as_deref()).map_err(Failure::usage)?;
            book.write(&[LedgerEntry::Good(profile.clone())])?;
            show(&[(os::moment().wall, profile)], json);
        }
        (Some(GoodCommand::List) | None, _) => show(book.ledger.profiles(), json),
    }
    Ok(Exit::Fine)
}

fn show(profiles: &[(Wall, KnownGood)], json: bool) {
    if json {
        put_json(&report::profiles_json(profiles));
    } else {
        put(&report::profiles_text(profiles, style()));
    }
}
