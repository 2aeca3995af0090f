//! Where the marks of an axis stand and what they say.

use super::super::units::figure;

/// Marks at round values.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Axis {
    pub(super) low: f64,
    pub(super) high: f64,
    pub(super) marks: Vec<(f64, String)>,
}

/// Steps of time that people count in, in seconds.
const TIME_STEPS: [f64; 16] = [
    1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1200.0, 1800.0, 3600.0, 7200.0,
    14_400.0, 43_200.0,
];

/// An axis that holds `low` to `high` with at most `most` marks at 1, 2 or 5 times a power of ten.
pub(super) fn value_axis(low: f64, high: f64, most: u32) -> Axis {
    let (low, high) = spread(low, high);
    let rough = (high - low) / f64::from(most.max(1));
    let power = 10_f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|factor| factor * power)
        .find(|step| *step >= rough * 0.999)
        .unwrap_or(10.0 * power);
    let (low, high) = ((low / step).floor() * step, (high / step).ceil() * step);
    let decimals = usize::from(step < 0.99) + usize::from(step < 0.099);
    Axis {
        low,
        high,
        marks: marks(low, high, step)
            .map(|value| (value, figure(value, decimals)))
            .collect(),
    }
}

/// Something to stand on for a course without any spread.
fn spread(low: f64, high: f64) -> (f64, f64) {
    let (low, high) = if low.is_finite() && high.is_finite() && low <= high {
        (low, high)
    } else {
        (0.0, 1.0)
    };
    let least = (low.abs().max(high.abs()) * 0.001).max(0.01);
    if high - low < least {
        (low - least, high + least)
    } else {
        (low, high)
    }
}

/// The axis of a run of `length` seconds.
pub(super) fn time_axis(length: f64) -> Axis {
    let length = if length.is_finite() {
        length.max(1.0)
    } else {
        1.0
    };
    let step = TIME_STEPS
        .into_iter()
        .find(|step| length / step <= 8.0)
        .unwrap_or_else(|| (length / 8.0 / 86_400.0).ceil() * 86_400.0);
    Axis {
        low: 0.0,
        high: length,
        marks: marks(0.0, length, step)
            .map(|t| (t, time_words(t)))
            .collect(),
    }
}

fn marks(low: f64, high: f64, step: f64) -> impl Iterator<Item = f64> {
    let last = high + step * 1e-6;
    (0..64)
        .map(move |index| low + step * f64::from(index))
        .take_while(move |value| *value <= last)
}

/// `0`, `20 s`, `10 min`, `1 h`, `1 h 30`.
fn time_words(t: f64) -> String {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a mark of an axis is not negative, and a float cast saturates"
    )]
    let whole = t.round() as u64;
    match (whole / 3600, whole / 60 % 60, whole % 60) {
        (0, 0, 0) => "0".to_owned(),
        (0, 0, seconds) => format!("{seconds} s"),
        (0, minutes, 0) => format!("{minutes} min"),
        (0, minutes, seconds) => format!("{minutes}:{seconds:02} min"),
        (hours, 0, _) => format!("{hours} h"),
        (hours, minutes, _) => format!("{hours} h {minutes:02}"),
    }
}
