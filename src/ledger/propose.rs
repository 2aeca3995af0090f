//! Checking a change before it is written: one thing at a time, from what is, to what may be.

use super::book::{ChangeLine, Ledger};
use super::value::{CheckValueError, check_value, parse_value};
use crate::model::{Amount, Change, Move};

/// Names further apart than this are not taken for slips of the pen.
const NEAR: usize = 3;

/// A change is refused; nothing of it is recorded.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ProposeChangeError {
    /// Not three words each.
    #[error(
        "a change is SETTING FROM TO, for example `soakproof change core-voltage 1250 1240`; with \
         {words} words something is missing"
    )]
    Words {
        /// How many there were.
        words: usize,
    },
    /// Never declared.
    #[error("no setting is called `{name}`{}{}", suggest(nearest), list(known))]
    Unknown {
        /// The name.
        name: String,
        /// The nearest known one.
        nearest: Option<String>,
        /// All known ones.
        known: Vec<String>,
    },
    /// Nobody said where it stands.
    #[error(
        "nobody said yet at which value `{name}` stands: `soakproof setting {name} --value {from}`, \
         with the maker's maximum as `--ceiling`"
    )]
    NoValue {
        /// Setting.
        name: String,
        /// What was taken for the present value.
        from: String,
    },
    /// The person and the record disagree about where it stands.
    #[error(
        "`{name}` is at {present} {unit} on record, not at {from}: `soakproof change {name} {present} \
         {to}` if the record is right; if it is not, declare the step that is missing first"
    )]
    From {
        /// Setting.
        name: String,
        /// Value on record.
        present: Amount,
        /// Its unit.
        unit: String,
        /// What was said.
        from: Amount,
        /// Where it was to go.
        to: Amount,
    },
    /// Nothing would change.
    #[error("`{name}` from {from} to {from} is no change")]
    Nothing {
        /// Setting.
        name: String,
        /// Value.
        from: Amount,
    },
    /// The same setting twice.
    #[error("`{name}` is named twice; one change has one new value for it")]
    Twice {
        /// Setting.
        name: String,
    },
    /// Another one has not been judged.
    #[error(
        "change {number} ({moves}) has not been judged yet, and of two open changes neither could be: \
         `soakproof run recheck` judges it, `soakproof change undo` takes it back"
    )]
    Open {
        /// Its number.
        number: u32,
        /// What it is.
        moves: String,
    },
    /// Several at once, without saying that it is meant.
    #[error(
        "{count} settings at once: if the next run fails, nobody can say which of them did it; change \
         one at a time, or say `--together`"
    )]
    NeedsTogether {
        /// How many.
        count: usize,
    },
    /// A value that is none, off the step, or past the person's limits.
    #[error(transparent)]
    Value(#[from] CheckValueError),
}

fn suggest(nearest: &Option<String>) -> String {
    nearest
        .as_ref()
        .map_or_else(String::new, |name| format!("; did you mean `{name}`?"))
}

fn list(known: &[String]) -> String {
    if known.is_empty() {
        "; none is declared yet: `soakproof setting starter desktop`".to_owned()
    } else {
        format!("; declared are `{}`", known.join("`, `"))
    }
}

/// A change in words: `core-voltage 1250 to 1240`.
pub(super) fn move_words(change: &Change) -> String {
    let moves = change.moves.iter();
    let words = moves.map(|step| format!("{} {} to {}", step.setting, step.from, step.to));
    words.collect::<Vec<String>>().join(", ")
}

/// The change that `words` (SETTING FROM TO, once or more) and `note` make.
///
/// # Errors
/// Says what is known and what would be right.
pub fn check_change(
    ledger: &Ledger,
    words: &[String],
    note: &str,
    together: bool,
) -> Result<Change, ProposeChangeError> {
    if words.is_empty() || !words.len().is_multiple_of(3) {
        return Err(ProposeChangeError::Words { words: words.len() });
    }
    let mut moves: Vec<Move> = Vec::new();
    for triple in words.chunks(3) {
        if let [name, from, to] = triple {
            let step = check_move(ledger, name, from, to)?;
            if moves.iter().any(|known| known.setting == step.setting) {
                let name = step.setting;
                return Err(ProposeChangeError::Twice { name });
            }
            moves.push(step);
        }
    }
    if let Some(open) = ledger.pending() {
        return Err(ProposeChangeError::Open {
            number: open.change.number,
            moves: move_words(&open.change),
        });
    }
    if moves.len() > 1 && !together {
        return Err(ProposeChangeError::NeedsTogether { count: moves.len() });
    }
    let newest = ledger.changes().iter().map(|line| line.change.number).max();
    Ok(Change {
        number: newest.unwrap_or(0) + 1,
        boot_id: ledger.boot_id().to_owned(),
        moves,
        note: note.to_owned(),
    })
}

fn check_move(
    ledger: &Ledger,
    name: &str,
    from: &str,
    to: &str,
) -> Result<Move, ProposeChangeError> {
    let Some(setting) = ledger.setting(name) else {
        let known: Vec<String> = ledger.settings().iter().map(|s| s.name.clone()).collect();
        let near = |other: &&String| strsim::damerau_levenshtein(name, other) <= NEAR;
        let nearest = known.iter().filter(near);
        return Err(ProposeChangeError::Unknown {
            name: name.escape_debug().collect(),
            nearest: nearest
                .min_by_key(|other| strsim::damerau_levenshtein(name, other))
                .cloned(),
            known,
        });
    };
    let read = |text: &str| parse_value(&setting.name, setting.kind, &setting.unit, text);
    let (from_value, to_value) = (read(from)?, read(to)?);
    let Some(present) = setting.value else {
        return Err(ProposeChangeError::NoValue {
            name: setting.name.clone(),
            from: from.to_owned(),
        });
    };
    check_value(setting, to_value)?;
    if present != from_value {
        return Err(ProposeChangeError::From {
            name: setting.name.clone(),
            present,
            unit: setting.unit.clone(),
            from: from_value,
            to: to_value,
        });
    }
    if present == to_value {
        return Err(ProposeChangeError::Nothing {
            name: setting.name.clone(),
            from: present,
        });
    }
    Ok(Move {
        setting: setting.name.clone(),
        from: present,
        to: to_value,
    })
}

/// A change cannot be taken back.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum UndoError {
    /// None is in force.
    #[error("no change is in force: there is nothing to take back")]
    Nothing,
    /// A machine that ran has started.
    #[error(
        "change {number} has been judged by run {run} ({grade}), so the machine did start with it; \
         `soakproof change undo` takes it back"
    )]
    Ran {
        /// Its number.
        number: u32,
        /// Run.
        run: i64,
        /// What came out.
        grade: String,
    },
    /// A run began with it.
    #[error(
        "run {run} began with change {number}, so the machine did start with it; `soakproof change \
         undo` takes it back"
    )]
    Began {
        /// Its number.
        number: u32,
        /// Run.
        run: i64,
    },
}

/// The change that `undo` takes back.
///
/// # Errors
/// When none is in force.
pub fn check_undo(ledger: &Ledger) -> Result<&ChangeLine, UndoError> {
    ledger.in_force().ok_or(UndoError::Nothing)
}

/// The change with which the machine did not start.
///
/// # Errors
/// When none is in force, or a run began with it.
pub fn check_no_boot(ledger: &Ledger) -> Result<&ChangeLine, UndoError> {
    let line = ledger.in_force().ok_or(UndoError::Nothing)?;
    let number = line.change.number;
    if let Some((run, grade)) = line.verdict {
        let grade = grade.to_string();
        return Err(UndoError::Ran { number, run, grade });
    }
    match line.cut_short.or(line.under_way) {
        Some(run) => Err(UndoError::Began { number, run }),
        None => Ok(line),
    }
}
