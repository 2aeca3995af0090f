//! The last minutes of a figure, as a line of bars.

use std::collections::VecDeque;

/// Points that are kept: the widest line that is drawn.
const KEPT: usize = 240;
/// Bars from lowest to highest, and the same for terminals that know ASCII only.
const BARS: [char; 8] = [
    '\u{2581}', '\u{2582}', '\u{2583}', '\u{2584}', '\u{2585}', '\u{2586}', '\u{2587}', '\u{2588}',
];
const PLAIN: [char; 8] = ['_', '.', ',', '-', '~', '=', '*', '#'];

/// The last points of a figure; none where it could not be read.
#[derive(Debug, Clone)]
pub(super) struct Trend {
    points: VecDeque<Option<f64>>,
    /// Spread that fills the height at least: what is less is noise, and shall look level.
    least: f64,
}

impl Trend {
    pub(super) fn new(least: f64) -> Self {
        Self {
            points: VecDeque::new(),
            least,
        }
    }

    pub(super) fn push(&mut self, value: Option<f64>) {
        if self.points.len() == KEPT {
            self.points.pop_front();
        }
        self.points
            .push_back(value.filter(|value| value.is_finite()));
    }

    pub(super) fn last(&self) -> Option<f64> {
        self.points.back().copied().flatten()
    }

    /// Lowest and highest of what is kept.
    pub(super) fn span(&self) -> Option<(f64, f64)> {
        let values = || self.points.iter().flatten().copied();
        values().reduce(f64::min).zip(values().reduce(f64::max))
    }

    /// Change a minute over the last `samples` samples of `period_s` seconds each.
    pub(super) fn slope_a_minute(&self, samples: usize, period_s: f64) -> Option<f64> {
        let first = self.points.len().checked_sub(samples + 1)?;
        let before = self.points.get(first).copied().flatten()?;
        let periods = u32::try_from(samples).ok().filter(|number| *number > 0)?;
        Some((self.last()? - before) / (f64::from(periods) * period_s / 60.0))
    }

    /// `width` characters, the newest right; a gap is a space.
    pub(super) fn bars(&self, width: usize, unicode: bool) -> String {
        let bars = if unicode { &BARS } else { &PLAIN };
        let shown = self.points.len().min(width);
        let mut text = " ".repeat(width - shown);
        let Some((lowest, highest)) = self.span() else {
            return " ".repeat(width);
        };
        let spare = (self.least - (highest - lowest)).max(0.0) / 2.0;
        let (low, high) = (lowest - spare, highest + spare);
        for point in self.points.iter().skip(self.points.len() - shown) {
            text.push(point.map_or(' ', |value| {
                let share = if high > low {
                    (value - low) / (high - low)
                } else {
                    0.5
                };
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "0 to 7"
                )]
                let step = (share * 7.0).round().clamp(0.0, 7.0) as usize;
                bars[step]
            }));
        }
        text
    }
}
