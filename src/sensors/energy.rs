//! Watts out of a cumulative energy counter that wraps.
//!
//! The counter of the powercap tree is 32 bits of a hardware unit; `max_energy_range_uj` is its
//! largest value, one unit short of the modulus. Linux 6.12
//! Documentation/power/powercap/powercap.rst. The counter is never written.

use crate::model::{Loss, Mono};

/// Power taken as the most that one zone can draw, to tell when a wrap could have been missed
/// (common practice: no processor package draws more).
const MOST_WATTS: f64 = 1_000.0;
/// Largest count of the 32-bit hardware register.
const REGISTER_MAX: u64 = 0xffff_ffff;

/// A counter between two readings.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct EnergyMeter {
    /// Largest value of the counter in microjoules; none when it does not wrap.
    range_uj: Option<u64>,
    last: Option<(u64, Mono)>,
}

impl EnergyMeter {
    /// A meter of a counter whose largest value is `range_uj`.
    pub(super) fn new(range_uj: Option<u64>) -> Self {
        Self {
            range_uj: range_uj.filter(|range| *range > 0),
            last: None,
        }
    }

    /// Mean watts since the last reading; none before the second one.
    pub(super) fn read(&mut self, count_uj: u64, at: Mono) -> Option<Result<f64, Loss>> {
        let (last_uj, last_at) = match self.last {
            Some((_, last_at)) if at <= last_at => return None,
            Some(last) => last,
            None => {
                self.last = Some((count_uj, at));
                return None;
            }
        };
        self.last = Some((count_uj, at));
        let seconds = at.seconds_since(last_at);
        if self
            .range_uj
            .is_some_and(|range| seconds > joules(range) / MOST_WATTS)
        {
            // More than one wrap fits into such a pause: the energy is not known.
            return Some(Err(Loss::NoData));
        }
        Some(match difference_uj(last_uj, count_uj, self.range_uj) {
            Some(delta) => Ok(joules(delta) / seconds),
            None => Err(Loss::NoData),
        })
    }
}

/// Microjoules from `last` to `now`, at most one wrap in between; none when the counter went back
/// and has no range.
fn difference_uj(last: u64, now: u64, range_uj: Option<u64>) -> Option<u64> {
    if now >= last {
        return Some(now - last);
    }
    let range = range_uj?;
    // The step from the largest value to zero is one unit of the hardware.
    let unit = range / REGISTER_MAX;
    range.checked_add(now)?.checked_add(unit)?.checked_sub(last)
}

/// Joules of a count of microjoules.
fn joules(count_uj: u64) -> f64 {
    #[expect(
        clippy::cast_precision_loss,
        reason = "microjoules far below 2^53 matter here"
    )]
    let count = count_uj as f64;
    count / 1e6
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The commonly seen range with an energy unit of 2^-14 J: (2^32 - 1) units, check-values 7.2.
    const RANGE_UJ: u64 = 262_143_328_850;

    fn at(ms: u64) -> Mono {
        Mono(ms * 1_000_000)
    }

    #[test]
    fn a_hundred_watts_are_a_hundred_watts_across_the_wrap() {
        let mut meter = EnergyMeter::new(Some(RANGE_UJ));
        assert_eq!(meter.read(RANGE_UJ - 40_000_000, at(0)), None);
        let watts = meter.read(60_000_000 - 61, at(1000)).unwrap().unwrap();
        assert!((watts - 100.0).abs() < 1e-9, "{watts}");
        let watts = meter.read(160_000_000 - 61, at(2000)).unwrap().unwrap();
        assert!((watts - 100.0).abs() < 1e-9, "{watts}");
    }

    /// check-values 7.2: at 100 W the counter wraps every 2621 s.
    #[test]
    fn a_whole_turn_at_a_hundred_watts_takes_2621_seconds() {
        let unit = RANGE_UJ / REGISTER_MAX;
        assert_eq!(unit, 61);
        let seconds = joules(RANGE_UJ + unit) / 100.0;
        assert_eq!(format!("{seconds:.0}"), "2621");
        assert_eq!(difference_uj(RANGE_UJ, 0, Some(RANGE_UJ)), Some(61));
    }

    #[test]
    fn a_pause_in_which_wraps_could_be_missed_gives_no_figure() {
        let mut meter = EnergyMeter::new(Some(RANGE_UJ));
        assert_eq!(meter.read(0, at(0)), None);
        assert_eq!(meter.read(5_000_000, at(300_000)), Some(Err(Loss::NoData)));
        assert!(meter.read(6_000_000, at(301_000)).unwrap().is_ok());
    }

    #[test]
    fn a_counter_without_range_that_goes_back_gives_no_figure() {
        let mut meter = EnergyMeter::new(None);
        assert_eq!(meter.read(900, at(0)), None);
        assert_eq!(meter.read(100, at(1000)), Some(Err(Loss::NoData)));
        assert_eq!(meter.read(100, at(1000)), None, "no time passed");
    }
}
