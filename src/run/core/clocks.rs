//! What happens to the clocks during a run. Durations come from the monotonic clock only, so a wall clock
//! that is set changes nothing but what people read; the record says it. Clocks that run apart are
//! another matter: every figure per second would be wrong.

use super::{Action, Core};
use crate::model::{End, Gap, GapKind, Moment};

/// A larger step of the wall clock between two samples was made by somebody; time services slew
/// smaller ones.
const STEP_MS: i64 = 2_000;

/// A machine that slept longer than this during a run was not under test.
const SLEPT_MS: u64 = 1000;

impl Core {
    pub(super) fn slept(&mut self, slept_ms: u64, actions: &mut Vec<Action>) {
        if slept_ms <= SLEPT_MS {
            return;
        }
        let gap = Gap {
            kind: GapKind::Suspended,
            about: format!("the machine slept for {} s", slept_ms / 1000),
            remedy: "keep it awake during a run".to_owned(),
        };
        self.gap(gap, actions);
        let reason = "the machine was put to sleep".to_owned();
        self.close(End::Interrupted { reason }, actions);
    }

    /// Compares the clocks at `now` with those at the sample before.
    pub(super) fn look_at_clocks(&mut self, now: Moment, actions: &mut Vec<Action>) {
        let Some(before) = self.last_moment.replace(now) else {
            return;
        };
        let passed = i64::try_from(now.mono.since(before.mono).as_millis()).unwrap_or(i64::MAX);
        let stepped = now
            .wall
            .0
            .saturating_sub(before.wall.0)
            .saturating_sub(passed);
        if stepped.abs() < STEP_MS {
            return;
        }
        let direction = if stepped < 0 { "back" } else { "forward" };
        let seconds = stepped.unsigned_abs().div_ceil(1000);
        let about = format!(
            "the wall clock was set {direction} by {seconds} s in mid-run: times of day before and \
             after do not fit together, lengths do"
        );
        self.told_of_clock(about, actions);
    }

    pub(super) fn zone_changed(&mut self, (from, to): (&str, &str), actions: &mut Vec<Action>) {
        let about = format!("the time zone was changed in mid-run from {from} to {to}");
        self.told_of_clock(about, actions);
    }

    fn told_of_clock(&mut self, about: String, actions: &mut Vec<Action>) {
        let gap = Gap {
            kind: GapKind::Environment,
            about,
            remedy: String::new(),
        };
        self.gap(gap, actions);
    }

    /// Two clocks of the machine run apart by `parts_per_million`.
    pub(super) fn clocks_apart(&mut self, parts_per_million: i64, actions: &mut Vec<Action>) {
        // Once is enough: the figure differs a little each time.
        if self.gaps.iter().any(|gap| gap.kind == GapKind::TimeBase) {
            return;
        }
        let percent = f64::from(i32::try_from(parts_per_million).unwrap_or(i32::MAX)) / 10_000.0;
        let gap = Gap {
            kind: GapKind::TimeBase,
            about: format!(
                "the time base and the real-time clock run {percent:+.2} % apart: seconds, clocks and \
                 rates of this run are that uncertain"
            ),
            remedy: "look at the base clock in the firmware, and at the kernel's clock source"
                .to_owned(),
        };
        self.gap(gap, actions);
    }
}
