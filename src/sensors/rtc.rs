//! The real-time clock, `sys/class/rtc/rtc0/since_epoch` (Linux 6.12
//! Documentation/ABI/testing/rtc-class): whole seconds, from a quartz of its own. It is held against the
//! time base by the instants at which it changes, because within a second it tells nothing.

use std::time::Duration;

use super::text::read_whole;
use crate::model::Mono;
use crate::os::{self, Root};

const PATH: &str = "sys/class/rtc/rtc0/since_epoch";
/// Between two looks for a change of the second.
const LOOK_EVERY: Duration = Duration::from_millis(20);
/// A clock that does not change within this stands still.
const CHANGE_WITHIN: Duration = Duration::from_millis(2_500);

/// An instant at which the clock changed to a second.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RtcEdge {
    /// Its second.
    pub second: u64,
    /// When, on the monotonic clock; up to some tens of milliseconds late.
    pub at: Mono,
}

/// Waits for the next change of the clock; none where there is no clock, or it stands still.
pub fn wait_for_rtc_edge(root: &Root) -> Option<RtcEdge> {
    let before = read_whole(root, PATH)?;
    let until = os::monotonic().plus(CHANGE_WITHIN);
    loop {
        os::wait(LOOK_EVERY);
        let at = os::monotonic();
        let second = read_whole(root, PATH)?;
        if second != before {
            return Some(RtcEdge { second, at });
        }
        if at >= until {
            return None;
        }
    }
}

/// Holds the time base against the real-time clock, over one window after another. A clock that is set
/// in between spoils one window only, so two in a row must agree.
#[derive(Debug, Default)]
pub struct TimeBase {
    last: Option<RtcEdge>,
    apart_before: Option<i64>,
}

/// Farther apart than this, in parts per million, is more than any quartz and any time service explains.
const MOST_APART_PPM: i64 = 1_000;
/// A window must be this long for the uncertainty of its edges not to matter.
const LEAST_WINDOW: Duration = Duration::from_secs(300);

impl TimeBase {
    /// Takes in an edge; how far the time base is ahead of the real-time clock in parts per million, when
    /// that is too much twice running.
    pub fn take(&mut self, edge: RtcEdge) -> Option<i64> {
        let before = *self.last.get_or_insert(edge);
        let passed = edge.at.since(before.at);
        if passed < LEAST_WINDOW {
            return None;
        }
        self.last = Some(edge);
        let told = i128::from(edge.second) - i128::from(before.second);
        let passed_ns = i128::try_from(passed.as_nanos()).ok()?;
        let told_ns = told * 1_000_000_000;
        let apart =
            i64::try_from((passed_ns - told_ns) * 1_000_000 / passed_ns).unwrap_or(i64::MAX);
        let apart = (apart.abs() > MOST_APART_PPM).then_some(apart);
        let agrees = |before: i64, now: i64| before.signum() == now.signum();
        let before = std::mem::replace(&mut self.apart_before, apart);
        apart.filter(|now| before.is_some_and(|before| agrees(before, *now)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Edges each 600 s of the real-time clock, with the time base `ppm` fast; from `set_after` on the
    /// clock was set forward by some seconds.
    fn told(ppm: u64, set_after: Option<u64>) -> Vec<Option<i64>> {
        let mut base = TimeBase::default();
        let edge = |window: u64| {
            let set = if set_after.is_some_and(|after| window > after) {
                5
            } else {
                0
            };
            let second = window * 600;
            RtcEdge {
                second: second + set,
                at: Mono(second * (1_000_000 + ppm) * 1_000 + 7_000_000),
            }
        };
        (0..6).map(|window| base.take(edge(window))).collect()
    }

    #[test]
    fn clocks_that_run_alike_tell_nothing() {
        assert_eq!(told(0, None), [None; 6]);
        assert_eq!(told(900, None), [None; 6], "a poor quartz");
    }

    #[test]
    fn clocks_that_run_apart_are_told_from_the_second_window_on() {
        let apart = told(2_000, None);
        assert_eq!(apart[..2], [None; 2]);
        assert!(
            apart[2..]
                .iter()
                .all(|one| one.is_some_and(|ppm| (1_990..2_000).contains(&ppm)))
        );
    }

    #[test]
    fn a_clock_that_is_set_once_tells_nothing() {
        assert_eq!(told(0, Some(2)), [None; 6]);
    }

    #[test]
    fn a_clock_that_stands_still_has_no_edge() {
        let folder = tempfile::tempdir().expect("a folder");
        let root = Root::simulated(folder.path());
        assert_eq!(wait_for_rtc_edge(&root), None);
        let clock = folder.path().join("sys/class/rtc/rtc0");
        std::fs::create_dir_all(&clock).expect("made");
        std::fs::write(clock.join("since_epoch"), "1790000000\n").expect("written");
        assert_eq!(wait_for_rtc_edge(&root), None);
    }
}
