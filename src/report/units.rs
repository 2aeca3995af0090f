//! Spans, instants and figures as people write them.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::model::Wall;

/// A span of seconds: `0.4 s`, `42 s`, `12 min 05 s`, `1 h 20 min`, `2 d 04 h`.
pub(super) fn span(seconds: f64) -> String {
    if !seconds.is_finite() {
        return "unknown".to_owned();
    }
    let sign = if seconds < 0.0 { "-" } else { "" };
    let seconds = seconds.abs();
    if seconds < 9.95 {
        let text = format!("{sign}{seconds:.1} s");
        return text.replace(".0 s", " s");
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "finite and not negative; a float cast saturates"
    )]
    let whole = seconds.round() as u64;
    let (minutes, rest) = (whole / 60, whole % 60);
    let (hours, minutes_rest) = (minutes / 60, minutes % 60);
    if minutes == 0 {
        format!("{sign}{whole} s")
    } else if hours == 0 && rest == 0 {
        format!("{sign}{minutes} min")
    } else if hours == 0 {
        format!("{sign}{minutes} min {rest:02} s")
    } else if hours < 48 && minutes_rest == 0 {
        format!("{sign}{hours} h")
    } else if hours < 48 {
        format!("{sign}{hours} h {minutes_rest:02} min")
    } else {
        format!("{sign}{} d {:02} h", hours / 24, hours % 24)
    }
}

/// Date and time of day with the zone.
pub(super) fn instant(wall: Wall, zone: &TimeZone) -> String {
    formatted(wall, zone, "%Y-%m-%d %H:%M:%S %Z")
}

/// Time of day alone.
pub(super) fn time_of_day(wall: Wall, zone: &TimeZone) -> String {
    formatted(wall, zone, "%H:%M:%S")
}

fn formatted(wall: Wall, zone: &TimeZone, form: &str) -> String {
    Timestamp::from_millisecond(wall.0).map_or_else(
        |_| "at an unknown time".to_owned(),
        |at| at.to_zoned(zone.clone()).strftime(form).to_string(),
    )
}

/// RFC 3339 in UTC; none outside the calendar.
pub(super) fn rfc3339(wall: Wall) -> Option<String> {
    Timestamp::from_millisecond(wall.0)
        .ok()
        .map(|at| at.to_string())
}

/// A count with thousands set apart.
pub(super) fn count(value: u64) -> String {
    let digits = value.to_string();
    let mut text = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// `1 thing`, `2 things`.
pub(super) fn counted(value: u64, singular: &str, plural: &str) -> String {
    let word = if value == 1 { singular } else { plural };
    format!("{} {word}", count(value))
}

/// A figure with as many decimals as its size deserves, at most `decimals`.
pub(super) fn figure(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// Bytes in binary units.
pub(super) fn bytes(value: u64) -> String {
    const UNITS: [&str; 5] = ["KiB", "MiB", "GiB", "TiB", "PiB"];
    #[expect(clippy::cast_precision_loss, reason = "shown with one decimal")]
    let mut scaled = value as f64;
    let mut unit = "B";
    for next in UNITS {
        if scaled < 1024.0 {
            break;
        }
        scaled /= 1024.0;
        unit = next;
    }
    format!("{} {unit}", figure(scaled, 1))
}

/// A confidence of 0..1 in per cent.
pub(super) fn per_cent(share: f64) -> String {
    format!("{} %", figure(share * 100.0, 1))
}
