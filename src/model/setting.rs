//! What a person sets in firmware, and the values it is given. This program never sets one.

use std::fmt;
use std::ops::{Add, Neg, Sub};

use serde::{Deserialize, Serialize};

/// A value of a setting, exact to a thousandth of its unit: values are compared, and a float that is
/// nearly on the step would be neither refused nor accepted. A JSON number.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Default,
    Serialize,
    Deserialize,
    utoipa::ToSchema,
)]
#[serde(from = "f64", into = "f64")]
#[schema(value_type = f64)]
pub struct Amount(i64);

impl Amount {
    const PER_UNIT: i64 = 1000;

    /// `value` thousandths of the unit.
    pub const fn thousandths(value: i64) -> Self {
        Self(value)
    }

    /// `value` whole units.
    pub const fn whole(value: i64) -> Self {
        Self(value.saturating_mul(Self::PER_UNIT))
    }

    /// In thousandths of the unit.
    pub const fn in_thousandths(self) -> i64 {
        self.0
    }

    /// In the unit.
    #[expect(
        clippy::cast_precision_loss,
        reason = "believed values are far below 2^53"
    )]
    pub fn as_f64(self) -> f64 {
        self.0 as f64 / Self::PER_UNIT as f64
    }

    /// This many times the amount.
    #[must_use]
    pub const fn times(self, count: i64) -> Self {
        Self(self.0.saturating_mul(count))
    }

    /// True for a whole number of `step`s; any value is, where the step is not positive.
    pub const fn is_on(self, step: Self) -> bool {
        step.0 <= 0 || self.0 % step.0 == 0
    }

    /// A decimal number with at most three places and up to nine digits before them; none for
    /// anything else.
    pub fn parse(text: &str) -> Option<Self> {
        let (negative, digits) = match text.strip_prefix('-') {
            Some(rest) => (true, rest),
            None => (false, text.strip_prefix('+').unwrap_or(text)),
        };
        let (whole, part) = digits.split_once('.').unwrap_or((digits, "0"));
        let decimal = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        if !decimal(whole) || !decimal(part) || whole.len() > 9 || part.len() > 3 {
            return None;
        }
        let whole: i64 = whole.parse().ok()?;
        let part: i64 = format!("{part:0<3}").parse().ok()?;
        let value = whole * Self::PER_UNIT + part;
        Some(Self(if negative { -value } else { value }))
    }
}

impl From<f64> for Amount {
    #[expect(clippy::cast_possible_truncation, reason = "a float cast saturates")]
    fn from(value: f64) -> Self {
        Self((value * 1000.0).round() as i64)
    }
}

impl From<Amount> for f64 {
    fn from(amount: Amount) -> Self {
        amount.as_f64()
    }
}

impl Add for Amount {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

impl Sub for Amount {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}

impl Neg for Amount {
    type Output = Self;
    fn neg(self) -> Self {
        Self(self.0.saturating_neg())
    }
}

impl fmt::Display for Amount {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.0 < 0 { "-" } else { "" };
        let value = self.0.unsigned_abs();
        let (whole, part) = (value / 1000, value % 1000);
        if part == 0 {
            write!(f, "{sign}{whole}")
        } else {
            let part = format!("{part:03}");
            write!(f, "{sign}{whole}.{}", part.trim_end_matches('0'))
        }
    }
}

/// What kind of thing a setting is; it fixes the unit, except for `Other`.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    utoipa::ToSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum SettingKind {
    /// Clock of the cores, MHz.
    CoreClock,
    /// Steps of the clock multiplier that wide-vector loads run below the core clock.
    WideVectorOffset,
    /// Supply of the cores, or an offset of it, mV.
    CoreVoltage,
    /// Clock of cache and ring, MHz.
    CacheClock,
    /// Transfers a second of the memory, MT/s.
    MemoryRate,
    /// Supply of the modules, mV.
    MemoryVoltage,
    /// Supply of the memory controller, mV.
    MemoryControllerVoltage,
    /// Supply of the system agent, mV.
    SystemAgentVoltage,
    /// Level of load-line compensation as the board numbers it.
    LoadLineLevel,
    /// Package power limit, W.
    PowerLimit,
    /// Number of a fan curve that the person keeps.
    FanCurve,
    /// Anything else, in a unit that the person names.
    Other,
}

impl SettingKind {
    /// Every kind, in the order used everywhere.
    pub const ALL: [Self; 12] = [
        Self::CoreClock,
        Self::WideVectorOffset,
        Self::CoreVoltage,
        Self::CacheClock,
        Self::MemoryRate,
        Self::MemoryVoltage,
        Self::MemoryControllerVoltage,
        Self::SystemAgentVoltage,
        Self::LoadLineLevel,
        Self::PowerLimit,
        Self::FanCurve,
        Self::Other,
    ];

    /// The word used on the command line and in the stored form.
    pub fn word(self) -> &'static str {
        match self {
            Self::CoreClock => "core-clock",
            Self::WideVectorOffset => "wide-vector-offset",
            Self::CoreVoltage => "core-voltage",
            Self::CacheClock => "cache-clock",
            Self::MemoryRate => "memory-rate",
            Self::MemoryVoltage => "memory-voltage",
            Self::MemoryControllerVoltage => "memory-controller-voltage",
            Self::SystemAgentVoltage => "system-agent-voltage",
            Self::LoadLineLevel => "load-line-level",
            Self::PowerLimit => "power-limit",
            Self::FanCurve => "fan-curve",
            Self::Other => "other",
        }
    }

    /// Unit of its values; none where the person names it.
    pub fn unit(self) -> Option<&'static str> {
        match self {
            Self::CoreClock | Self::CacheClock => Some("MHz"),
            Self::WideVectorOffset => Some("steps"),
            Self::CoreVoltage
            | Self::MemoryVoltage
            | Self::MemoryControllerVoltage
            | Self::SystemAgentVoltage => Some("mV"),
            Self::MemoryRate => Some("MT/s"),
            Self::LoadLineLevel => Some("level"),
            Self::PowerLimit => Some("W"),
            Self::FanCurve => Some("number"),
            Self::Other => None,
        }
    }
}

/// Direction in which a setting asks more of the machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Harder {
    /// Larger values are harder to bear, a clock say.
    Up,
    /// Smaller values are, a voltage say.
    Down,
}

/// One thing that the person tunes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Setting {
    /// Unique name: lowercase letters, digits and hyphens.
    pub name: String,
    /// What it is.
    pub kind: SettingKind,
    /// Unit of all its values.
    pub unit: String,
    /// Finest step between values.
    pub step: Amount,
    /// Step of the search while everything holds; a whole number of `step`s.
    pub coarse: Amount,
    /// Added towards the easier side once the search has ended.
    pub margin: Amount,
    /// Direction in which it asks more of the machine, where that is known.
    pub harder: Option<Harder>,
    /// Least value that the person allows.
    pub floor: Option<Amount>,
    /// Largest value that the person allows, by the maker's figure.
    pub ceiling: Option<Amount>,
    /// The maker's own value.
    pub rated: Option<Amount>,
    /// Present value, once the person has said it.
    pub value: Option<Amount>,
}

/// A setting's value at some time.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize, utoipa::ToSchema)]
pub struct SettingValue {
    /// Name of the setting.
    pub name: String,
    /// What it is.
    pub kind: SettingKind,
    /// Value.
    pub value: Amount,
    /// Its unit.
    pub unit: String,
}

impl fmt::Display for SettingValue {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {} {}", self.name, self.value, self.unit)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_are_read_exactly_and_written_back_as_typed() {
        for text in ["0", "1250", "-50", "6.25", "0.125", "-0.5"] {
            assert_eq!(Amount::parse(text).unwrap().to_string(), text);
        }
        assert_eq!(Amount::parse("+30"), Some(Amount::whole(30)));
        assert_eq!(Amount::parse("1.250"), Some(Amount::thousandths(1250)));
        for text in [
            "",
            "-",
            ".5",
            "5.",
            "1e3",
            "0x10",
            "1.2345",
            "1_000",
            "nan",
            "9999999999",
        ] {
            assert_eq!(Amount::parse(text), None, "{text}");
        }
    }

    #[test]
    fn amounts_survive_json_and_know_their_step() {
        let amount = Amount::thousandths(6_250);
        let text = serde_json::to_string(&amount).unwrap();
        assert_eq!(text, "6.25");
        assert_eq!(serde_json::from_str::<Amount>(&text).unwrap(), amount);
        assert_eq!(
            serde_json::from_str::<Amount>("1250").unwrap(),
            Amount::whole(1250)
        );
        assert!(Amount::whole(-50).is_on(Amount::whole(5)));
        assert!(!Amount::whole(1252).is_on(Amount::whole(5)));
        assert!(Amount::thousandths(18_750).is_on(amount));
    }
}
