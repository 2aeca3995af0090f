//! Declaring a setting, whole or in part: what is not said stays as it was, or as is usual for its kind.

use super::usual::usual;
use super::value::{CheckValueError, check_value, parse_value};
use crate::model::{Amount, Harder, Setting, SettingKind};

/// Longest name and unit.
const MOST_CHARS: usize = 40;

/// What the person said about a setting; values as typed.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct SettingDraft {
    /// Name.
    pub name: String,
    /// Kind; needed the first time.
    pub kind: Option<SettingKind>,
    /// Unit, for the kind `other`.
    pub unit: Option<String>,
    /// Finest step.
    pub step: Option<String>,
    /// Coarse step of the search.
    pub coarse: Option<String>,
    /// Margin.
    pub margin: Option<String>,
    /// Lower limit.
    pub floor: Option<String>,
    /// Upper limit.
    pub ceiling: Option<String>,
    /// The maker's own value.
    pub rated: Option<String>,
    /// Present value; later only `change` alters it.
    pub value: Option<String>,
    /// Direction that asks more of the machine.
    pub harder: Option<Harder>,
}

/// A setting cannot be declared so.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DeclareSettingError {
    /// A name that cannot be typed or told apart.
    #[error(
        "`{name}` is no name of a setting: use up to {MOST_CHARS} lowercase letters, digits and \
         hyphens, a letter first, and neither `list` nor `starter`"
    )]
    Name {
        /// The name.
        name: String,
    },
    /// Nothing is known of its kind.
    #[error("`{name}` is new: say its kind, `--kind {}`", kinds())]
    NoKind {
        /// The name.
        name: String,
    },
    /// Its kind cannot become another one, or history would change its meaning.
    #[error("`{name}` is of kind `{}`; declare another setting for another kind", kind.word())]
    OtherKind {
        /// The name.
        name: String,
        /// Its kind.
        kind: SettingKind,
    },
    /// `other` has no unit of its own.
    #[error("`{name}` is of kind `other`: say its unit with `--unit`")]
    NoUnit {
        /// The name.
        name: String,
    },
    /// The kind fixes the unit, or it was given before.
    #[error("`{name}` is given in {unit}; its unit cannot be another one")]
    OtherUnit {
        /// The name.
        name: String,
        /// Its unit.
        unit: String,
    },
    /// A step must lead somewhere.
    #[error("the {what} of `{name}` must be {needed}, and {value} is not")]
    Step {
        /// The name.
        name: String,
        /// Which one.
        what: &'static str,
        /// What it must be.
        needed: &'static str,
        /// What was said.
        value: Amount,
    },
    /// No value lies between the limits.
    #[error("`{name}` cannot have a floor of {floor} above its ceiling of {ceiling}")]
    Limits {
        /// The name.
        name: String,
        /// Lower limit.
        floor: Amount,
        /// Upper limit.
        ceiling: Amount,
    },
    /// The present value is on record; a new one is a change.
    #[error(
        "`{name}` is at {present} on record; a new value is a change: `soakproof change {name} \
         {present} {value}`"
    )]
    IsAChange {
        /// The name.
        name: String,
        /// Value on record.
        present: Amount,
        /// What was said.
        value: Amount,
    },
    /// A value that is none.
    #[error("{what}")]
    Value {
        /// Which value.
        what: &'static str,
        /// Why.
        #[source]
        source: CheckValueError,
    },
}

fn kinds() -> String {
    SettingKind::ALL.map(SettingKind::word).join("|")
}

/// The setting that `draft` makes of what was `known`.
///
/// # Errors
/// Says what is known and what would be right.
pub fn check_setting(
    known: Option<&Setting>,
    draft: &SettingDraft,
) -> Result<Setting, DeclareSettingError> {
    let mut setting = match known {
        Some(known) => known.clone(),
        None => new_setting(draft)?,
    };
    check_identity(&setting, draft)?;
    let read = |what: &'static str, text: &Option<String>, or: Option<Amount>| match text {
        None => Ok(or),
        Some(text) => parse_value(&setting.name, setting.kind, &setting.unit, text)
            .map(Some)
            .map_err(|source| DeclareSettingError::Value { what, source }),
    };
    let floor = read("the floor", &draft.floor, setting.floor)?;
    let ceiling = read("the ceiling", &draft.ceiling, setting.ceiling)?;
    let rated = read("the rated value", &draft.rated, setting.rated)?;
    let value = read("the present value", &draft.value, setting.value)?;
    if let (Some(present), Some(value)) = (setting.value, value)
        && present != value
    {
        return Err(DeclareSettingError::IsAChange {
            name: setting.name,
            present,
            value,
        });
    }
    setting = Setting {
        floor,
        ceiling,
        rated,
        value,
        harder: draft.harder.or(setting.harder),
        ..setting
    };
    read_steps(&mut setting, draft)?;
    check_whole(&setting)?;
    Ok(setting)
}

fn new_setting(draft: &SettingDraft) -> Result<Setting, DeclareSettingError> {
    let name = draft.name.clone();
    let starts = name.starts_with(|c: char| c.is_ascii_lowercase());
    let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    let reserved = matches!(name.as_str(), "list" | "starter");
    if !starts || !name.chars().all(plain) || name.len() > MOST_CHARS || reserved {
        let name = name.escape_debug().to_string();
        return Err(DeclareSettingError::Name { name });
    }
    let Some(kind) = draft.kind else {
        return Err(DeclareSettingError::NoKind { name });
    };
    let unit = match (kind.unit(), &draft.unit) {
        (Some(unit), _) => unit.to_owned(),
        (None, Some(unit)) if !unit.is_empty() && unit.chars().count() <= MOST_CHARS => {
            unit.chars().filter(|c| !c.is_control()).collect()
        }
        (None, Some(_) | None) => return Err(DeclareSettingError::NoUnit { name }),
    };
    let usual = usual(kind);
    Ok(Setting {
        name,
        kind,
        unit,
        step: usual.step,
        coarse: usual.coarse,
        margin: usual.margin,
        harder: usual.harder,
        floor: None,
        ceiling: None,
        rated: None,
        value: None,
    })
}

fn check_identity(setting: &Setting, draft: &SettingDraft) -> Result<(), DeclareSettingError> {
    let name = setting.name.clone();
    if draft.kind.is_some_and(|kind| kind != setting.kind) {
        let kind = setting.kind;
        return Err(DeclareSettingError::OtherKind { name, kind });
    }
    if draft
        .unit
        .as_ref()
        .is_some_and(|unit| *unit != setting.unit)
    {
        let unit = setting.unit.clone();
        return Err(DeclareSettingError::OtherUnit { name, unit });
    }
    Ok(())
}

/// Steps and margin are distances: the range in which a value is believed says nothing about them.
fn read_steps(setting: &mut Setting, draft: &SettingDraft) -> Result<(), DeclareSettingError> {
    let (name, unit) = (setting.name.clone(), setting.unit.clone());
    let read = |what: &'static str, text: &Option<String>, or: Amount| match text {
        None => Ok(or),
        Some(text) => parse_value(&name, SettingKind::Other, &unit, text)
            .map_err(|source| DeclareSettingError::Value { what, source }),
    };
    setting.step = read("the step", &draft.step, setting.step)?;
    // A finer or coarser grid than usual keeps the usual coarse step where it can.
    let kept = if setting.coarse.is_on(setting.step) {
        setting.coarse
    } else {
        setting.step
    };
    setting.coarse = read("the coarse step", &draft.coarse, kept)?;
    let kept = if setting.margin.is_on(setting.step) {
        setting.margin
    } else {
        setting.step
    };
    setting.margin = read("the margin", &draft.margin, kept)?;
    Ok(())
}

fn check_whole(setting: &Setting) -> Result<(), DeclareSettingError> {
    let wrong = |what, needed, value| DeclareSettingError::Step {
        name: setting.name.clone(),
        what,
        needed,
        value,
    };
    let zero = Amount::default();
    if setting.step <= zero {
        return Err(wrong("step", "more than nothing", setting.step));
    }
    if setting.coarse <= zero || !setting.coarse.is_on(setting.step) {
        let needed = "one or more whole steps";
        return Err(wrong("coarse step", needed, setting.coarse));
    }
    if setting.margin < zero || !setting.margin.is_on(setting.step) {
        return Err(wrong("margin", "a number of whole steps", setting.margin));
    }
    if let (Some(floor), Some(ceiling)) = (setting.floor, setting.ceiling)
        && floor > ceiling
    {
        return Err(DeclareSettingError::Limits {
            name: setting.name.clone(),
            floor,
            ceiling,
        });
    }
    for (what, value) in [
        ("the rated value", setting.rated),
        ("the present value", setting.value),
    ] {
        if let Some(value) = value {
            check_value(setting, value)
                .map_err(|source| DeclareSettingError::Value { what, source })?;
        }
    }
    Ok(())
}
