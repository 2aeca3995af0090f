//! One value as a person types it: a number in the setting's own unit. Units are not converted but
//! named: a clock of 5.1 that is taken for MHz, or for GHz without saying so, has cost machines.

use super::usual::{looks_like_volts, usual};
use crate::model::{Amount, Setting, SettingKind};

/// A text is no value of a setting.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CheckValueError {
    /// No number.
    #[error("`{text}` is no value of `{setting}`: write a number in {unit}, like `{example}`")]
    NotANumber {
        /// The text.
        text: String,
        /// Setting.
        setting: String,
        /// Its unit.
        unit: String,
        /// A value that would do.
        example: String,
    },
    /// A number with another unit.
    #[error("`{text}`: `{setting}` is given in {unit}: write `{right}`")]
    OtherUnit {
        /// The text.
        text: String,
        /// Setting.
        setting: String,
        /// Its unit.
        unit: String,
        /// The same in that unit, or the form to use.
        right: String,
    },
    /// A value that can only be meant in a larger unit.
    #[error(
        "`{setting}` is given in {unit}, and {value} {unit} is none: {value} {meant} would be `{right}`"
    )]
    Slip {
        /// Setting.
        setting: String,
        /// The number.
        value: Amount,
        /// Unit of the setting.
        unit: String,
        /// Unit that was meant.
        meant: &'static str,
        /// The same in the setting's unit.
        right: Amount,
    },
    /// Nothing of this kind is ever so large or small.
    #[error("`{setting}` at {value} {unit}: {kind} is believed from {least} to {most} {unit}")]
    Unbelievable {
        /// Setting.
        setting: String,
        /// The number.
        value: Amount,
        /// Unit of the setting.
        unit: String,
        /// Its kind.
        kind: &'static str,
        /// Least believed.
        least: Amount,
        /// Most believed.
        most: Amount,
    },
    /// Between two steps.
    #[error(
        "`{setting}` goes in steps of {step} {unit}, and {value} lies between two: `{below}` or \
         `{above}`"
    )]
    OffStep {
        /// Setting.
        setting: String,
        /// The number.
        value: Amount,
        /// Unit of the setting.
        unit: String,
        /// Its step.
        step: Amount,
        /// The step below.
        below: Amount,
        /// The step above.
        above: Amount,
    },
    /// Past the person's upper limit.
    #[error(
        "`{setting}` at {value} {unit} is above your ceiling of {ceiling} {unit}; raise the ceiling \
         (`soakproof setting {setting} --ceiling ...`) only as far as the maker allows"
    )]
    AboveCeiling {
        /// Setting.
        setting: String,
        /// The number.
        value: Amount,
        /// Unit of the setting.
        unit: String,
        /// The limit.
        ceiling: Amount,
    },
    /// Past the person's lower limit.
    #[error(
        "`{setting}` at {value} {unit} is below your floor of {floor} {unit}; `soakproof setting \
         {setting} --floor ...` lowers the floor"
    )]
    BelowFloor {
        /// Setting.
        setting: String,
        /// The number.
        value: Amount,
        /// Unit of the setting.
        unit: String,
        /// The limit.
        floor: Amount,
    },
}

/// Reads `text` as a value of the setting called `name`.
///
/// # Errors
/// Says what would be right.
pub fn parse_value(
    name: &str,
    kind: SettingKind,
    unit: &str,
    text: &str,
) -> Result<Amount, CheckValueError> {
    let text = text.trim();
    let end = text.find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+')));
    let (number, suffix) = text.split_at(end.unwrap_or(text.len()));
    let usual = usual(kind);
    let Some(value) = Amount::parse(number) else {
        return Err(CheckValueError::NotANumber {
            text: text.to_owned(),
            setting: name.to_owned(),
            unit: unit.to_owned(),
            example: example(kind).to_string(),
        });
    };
    let suffix = suffix.trim();
    if !suffix.is_empty() && suffix != unit {
        let same = |known: &str| known.eq_ignore_ascii_case(suffix);
        let right = match usual.larger_unit.filter(|larger| same(larger)) {
            Some(_) => value.times(1000).to_string(),
            None => format!("a number in {unit}, like {}", example(kind)),
        };
        return Err(CheckValueError::OtherUnit {
            text: text.to_owned(),
            setting: name.to_owned(),
            unit: unit.to_owned(),
            right,
        });
    }
    believe(name, kind, unit, value)
}

fn believe(
    name: &str,
    kind: SettingKind,
    unit: &str,
    value: Amount,
) -> Result<Amount, CheckValueError> {
    let usual = usual(kind);
    let believed = usual.believed.contains(&value.as_f64());
    if believed && !looks_like_volts(kind, value) {
        return Ok(value);
    }
    let scaled = value.times(1000);
    if let Some(meant) = usual.larger_unit
        && usual.believed.contains(&scaled.as_f64())
        && value > Amount::default()
    {
        return Err(CheckValueError::Slip {
            setting: name.to_owned(),
            value,
            unit: unit.to_owned(),
            meant,
            right: scaled,
        });
    }
    Err(CheckValueError::Unbelievable {
        setting: name.to_owned(),
        value,
        unit: unit.to_owned(),
        kind: kind.word(),
        least: Amount::from(*usual.believed.start()),
        most: Amount::from(*usual.believed.end()),
    })
}

/// A value of the kind, to show its form only.
fn example(kind: SettingKind) -> Amount {
    match kind.unit() {
        Some("MHz") => Amount::whole(5000),
        Some("mV") => Amount::whole(1250),
        Some("MT/s") => Amount::whole(6000),
        Some(_) | None => Amount::whole(1),
    }
}

/// Holds a value against the setting's step and the person's limits.
///
/// # Errors
/// Says what would be right.
pub fn check_value(setting: &Setting, value: Amount) -> Result<(), CheckValueError> {
    let (name, unit) = (setting.name.clone(), setting.unit.clone());
    if !value.is_on(setting.step) {
        let step = setting.step.in_thousandths();
        let below = Amount::thousandths(value.in_thousandths().div_euclid(step) * step);
        return Err(CheckValueError::OffStep {
            setting: name,
            value,
            unit,
            step: setting.step,
            below,
            above: below + setting.step,
        });
    }
    if let Some(ceiling) = setting.ceiling.filter(|ceiling| value > *ceiling) {
        return Err(CheckValueError::AboveCeiling {
            setting: name,
            value,
            unit,
            ceiling,
        });
    }
    if let Some(floor) = setting.floor.filter(|floor| value < *floor) {
        return Err(CheckValueError::BelowFloor {
            setting: name,
            value,
            unit,
            floor,
        });
    }
    Ok(())
}
