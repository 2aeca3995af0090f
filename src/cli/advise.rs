//! `advise`: the next value of a setting, or the length of run that a claim needs.

use std::time::Duration;

use super::ledger::Book;
use super::ledger_arguments::AdviseArguments;
use super::run::style;
use super::{Exit, Failure, put, put_json};
use crate::form::parse_duration;
use crate::ledger::{Ledger, decide_next, find_test_length, find_trials, sum_values};
use crate::model::Setting;
use crate::report::{self, AdviceSeen, Suites};

/// Runs the command.
pub(super) fn advise(wanted: &AdviseArguments) -> Result<Exit, Failure> {
    if let Some(target) = &wanted.length.target {
        return length(target, wanted);
    }
    let book = Book::open(&wanted.ledger)?;
    let setting = choose(&book.ledger, wanted.setting.as_deref())?;
    let least = duration(&wanted.least)?;
    let trials = find_trials(&book.ledger, setting);
    let advice = decide_next(setting, &trials, least.as_secs_f64()).map_err(Failure::usage)?;
    let seen = AdviceSeen {
        setting: setting.clone(),
        pending: book.ledger.pending().map(|line| line.change.number),
        lines: sum_values(setting, &trials),
        advice,
        suites: Suites {
            short: wanted.short.clone(),
            long: wanted.long.clone(),
        },
    };
    if wanted.ledger.store.output.json {
        put_json(&report::advice_json(&seen));
    } else {
        put(&report::advice_text(&seen, style()));
    }
    Ok(Exit::Fine)
}

/// The setting that is meant: the one named, the one changed last, or the only one.
fn choose<'a>(ledger: &'a Ledger, name: Option<&str>) -> Result<&'a Setting, Failure> {
    let known = || {
        let names: Vec<&str> = ledger.settings().iter().map(|s| s.name.as_str()).collect();
        if names.is_empty() {
            "none is declared yet: `soakproof setting --help`".to_owned()
        } else {
            format!("declared are `{}`", names.join("`, `"))
        }
    };
    if let Some(name) = name {
        return ledger.setting(name).ok_or_else(|| {
            let name = report::escape(name);
            Failure::usage(anyhow::anyhow!(
                "no setting is called `{name}`; {}",
                known()
            ))
        });
    }
    let newest = ledger
        .changes()
        .last()
        .map(|line| line.change.moves.as_slice());
    if let Some([step]) = newest
        && let Some(setting) = ledger.setting(&step.setting)
    {
        return Ok(setting);
    }
    match ledger.settings() {
        [only] => Ok(only),
        [] | [_, _, ..] => Err(Failure::usage(anyhow::anyhow!(
            "for which setting? `soakproof advise SETTING`; {}",
            known()
        ))),
    }
}

fn length(target: &str, wanted: &AdviseArguments) -> Result<Exit, Failure> {
    let target = duration(target)?;
    let found = find_test_length(target, wanted.length.confidence, wanted.length.allow)
        .map_err(Failure::usage)?;
    if wanted.ledger.store.output.json {
        put_json(&report::length_json(&found));
    } else {
        put(&report::length_text(&found, style()));
    }
    Ok(Exit::Fine)
}

fn duration(text: &str) -> Result<Duration, Failure> {
    parse_duration(text).map_err(Failure::usage)
}
