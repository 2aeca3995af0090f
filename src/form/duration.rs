//! Lengths of time as people write them in a file: `20s`, `10min`, `1h30min`, `500ms`.
//!
//! Whole numbers with a unit, larger units first, each unit once. There is one way to say a length,
//! so that two files can be compared by eye; fractions and signs are refused with the right form.

use std::time::Duration;

/// Units, largest first, with their length in milliseconds.
const UNITS: [(&str, u64); 4] = [("h", 3_600_000), ("min", 60_000), ("s", 1_000), ("ms", 1)];

/// What a length of time looks like, for messages.
const FORM: &str = "write it like `500ms`, `20s`, `10min` or `1h30min`";

/// A text is not a length of time.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ParseDurationError {
    /// Nothing there.
    #[error("the time is empty: {FORM}")]
    Empty,
    /// A sign in front.
    #[error("`{0}` is negative, and a time cannot be: {FORM}")]
    Negative(String),
    /// A number without a unit.
    #[error("`{0}` has no unit: {FORM}")]
    NoUnit(String),
    /// A fraction.
    #[error("`{0}` has a fraction: use the next smaller unit, `1h30min` instead of `1.5h`")]
    Fraction(String),
    /// A unit that does not exist.
    #[error("`{text}` has the unknown unit `{unit}`: the units are `h`, `min`, `s` and `ms`")]
    UnknownUnit {
        /// The whole text.
        text: String,
        /// The unit.
        unit: String,
    },
    /// Units in the wrong order, or one of them twice.
    #[error("`{0}` does not go from larger to smaller units: {FORM}")]
    Order(String),
    /// Something else than digits.
    #[error("`{0}` is not a time: {FORM}")]
    NotANumber(String),
    /// More than can be counted.
    #[error("`{0}` is longer than any machine will last")]
    TooLong(String),
}

/// Reads a length of time.
///
/// # Errors
/// Anything but whole numbers with the units `h`, `min`, `s`, `ms` in this order.
pub fn parse_duration(text: &str) -> Result<Duration, ParseDurationError> {
    use ParseDurationError as Wrong;
    let whole = || text.to_string();
    if text.is_empty() {
        return Err(Wrong::Empty);
    }
    if text.starts_with('-') {
        return Err(Wrong::Negative(whole()));
    }
    let mut rest = text;
    let mut next_unit = 0;
    let mut total_ms: u64 = 0;
    while !rest.is_empty() {
        let (digits, after) = split_while(rest, |c| c.is_ascii_digit());
        if digits.is_empty() {
            return Err(Wrong::NotANumber(whole()));
        }
        if after.starts_with(['.', ',']) {
            return Err(Wrong::Fraction(whole()));
        }
        let (unit, after) = split_while(after, |c| c.is_alphabetic());
        if unit.is_empty() {
            return Err(if after.is_empty() {
                Wrong::NoUnit(whole())
            } else {
                Wrong::NotANumber(whole())
            });
        }
        let Some(index) = UNITS.iter().position(|(name, _)| *name == unit) else {
            let unit = unit.to_string();
            return Err(Wrong::UnknownUnit {
                text: whole(),
                unit,
            });
        };
        if index < next_unit {
            return Err(Wrong::Order(whole()));
        }
        next_unit = index + 1;
        let part = digits.parse::<u64>().ok();
        total_ms = part
            .and_then(|count| count.checked_mul(UNITS[index].1))
            .and_then(|ms| total_ms.checked_add(ms))
            .ok_or_else(|| Wrong::TooLong(whole()))?;
        rest = after;
    }
    Ok(Duration::from_millis(total_ms))
}

/// Writes a length of time in the form that [`parse_duration`] reads, down to milliseconds.
pub fn render_duration(length: Duration) -> String {
    let mut left_ms = u64::try_from(length.as_millis()).unwrap_or(u64::MAX);
    if left_ms == 0 {
        return "0s".to_string();
    }
    let mut text = String::new();
    for (unit, unit_ms) in UNITS {
        let count = left_ms / unit_ms;
        left_ms %= unit_ms;
        if count > 0 {
            text.push_str(&format!("{count}{unit}"));
        }
    }
    text
}

fn split_while(text: &str, keep: impl Fn(char) -> bool) -> (&str, &str) {
    let end = text.find(|c| !keep(c)).unwrap_or(text.len());
    text.split_at(end)
}
