//! Taking the time of two sides of a ratio, turn by turn: the best of three windows a side and repeat, the
//! median over the repeats, each side's window held against a clock probe right after it where a
//! core bounds it.

use soakproof::kernels::probe_clock_mhz;
use soakproof::model::InstructionSet;
use soakproof::os;

/// Repeats of a pair.
const REPEATS: usize = 15;
const WINDOWS: usize = 3;

/// Seconds of the best of three runs.
pub(crate) fn best_s(mut run: impl FnMut()) -> f64 {
    let windows = (0..WINDOWS).map(|_| {
        let start = os::raw_ns();
        run();
        nanoseconds(os::raw_ns().saturating_sub(start).max(1)) * 1e-9
    });
    windows.fold(f64::INFINITY, f64::min)
}

/// Cycles of the best of three runs, by a probe right after them.
pub(crate) fn best_cycles(wide: Option<InstructionSet>, run: impl FnMut()) -> f64 {
    let seconds = best_s(run);
    seconds * probe_clock_mhz(wide, &mut os::raw_ns) * 1e6
}

/// Median over repeats of what `pair` gives.
pub(crate) fn median_of(mut pair: impl FnMut() -> f64) -> f64 {
    let mut values: Vec<f64> = (0..REPEATS).map(|_| pair()).collect();
    values.sort_by(f64::total_cmp);
    values[REPEATS / 2]
}

/// A count of nanoseconds as a number to divide by.
#[expect(clippy::cast_precision_loss, reason = "seconds at most")]
pub(crate) fn nanoseconds(ns: u64) -> f64 {
    ns as f64
}
