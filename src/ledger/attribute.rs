//! Which declared change a bad verdict goes back to, and the exact values to go back to. Only one change
//! of one setting, on a machine that was otherwise as before and cool enough, is ever blamed.

use crate::model::{Amount, Grade, Move, Pattern, SettingValue, Standing, Verdict};

/// What a failed or marginal verdict says of the change that was in force.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Attribution {
    /// One setting was altered and nothing else that anyone knows of.
    Change {
        /// Number of the change.
        change: u32,
        /// The setting with the value that was tried.
        tried: SettingValue,
        /// The value to go back to.
        back_to: Amount,
        /// True when an earlier run had judged the change already, so that it held for a while.
        held_before: bool,
    },
    /// Several settings were altered at once.
    Several {
        /// Number of the change.
        change: u32,
        /// What it altered; `from` is where to go back to.
        moves: Vec<Move>,
    },
    /// The machine was not as it had been, or not as declared.
    Confounded {
        /// Number of the change, where one was in force.
        change: Option<u32>,
    },
    /// It erred while it was at its temperature limit.
    HeatFirst {
        /// Number of the change, where one was in force.
        change: Option<u32>,
    },
    /// No change was in force.
    NoChange,
}

/// None where nothing was found.
pub fn attribute(standing: &Standing, verdict: &Verdict) -> Option<Attribution> {
    match verdict.grade {
        Grade::Failed | Grade::Marginal => {}
        Grade::Inconclusive | Grade::Provisional | Grade::Proven => return None,
    }
    let is = |pattern: Pattern| {
        verdict
            .diagnoses
            .iter()
            .any(|known| known.pattern == pattern)
    };
    let change = standing.change;
    if is(Pattern::ErrorsWhileHot) {
        return Some(Attribution::HeatFirst { change });
    }
    Some(match (change, &standing.moves[..]) {
        (Some(change), [_, _, ..]) => Attribution::Several {
            change,
            moves: standing.moves.clone(),
        },
        _ if is(Pattern::Confounded) => Attribution::Confounded { change },
        (Some(change), [step]) => match find_setting(standing, step) {
            Some(tried) => Attribution::Change {
                change,
                tried,
                back_to: step.from,
                held_before: !standing.change_was_pending,
            },
            // The setting was given another value without a change since.
            None => Attribution::Confounded {
                change: Some(change),
            },
        },
        (None, _) | (Some(_), []) => Attribution::NoChange,
    })
}

fn find_setting(standing: &Standing, step: &Move) -> Option<SettingValue> {
    let mut settings = standing.settings.iter();
    let known = settings.find(|known| known.name == step.setting)?;
    (known.value == step.to).then(|| known.clone())
}
