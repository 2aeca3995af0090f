//! A sign of life of a run under way, for whoever feeds a watchdog: the dispatcher's loop, the sampler
//! and, through it, the guard, which judges each sample.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use crate::model::Mono;

/// The dispatcher turns ten times a second; silent for longer, it hangs.
const LOOP_SILENT: Duration = Duration::from_secs(5);
/// Sample periods without a sample that the guard has judged. The guard itself stops the load after
/// three, so this only strikes when even that does not happen.
const PERIODS_SILENT: u32 = 10;
/// From the end of the load to the written verdict, which for days of samples takes its time. A thread on a processor
/// that hangs is waited for without end.
const CLOSES_WITHIN: Duration = Duration::from_secs(600);

/// When a run last showed life. Clones share it.
#[derive(Debug, Clone, Default)]
pub struct Pulse(Arc<Beats>);

#[derive(Debug, Default)]
struct Beats {
    period_ns: AtomicU64,
    turned_ns: AtomicU64,
    sampled_ns: AtomicU64,
    /// When the run began to close; 0 before.
    closing_ns: AtomicU64,
}

impl Pulse {
    /// A run with this sample period begins.
    pub(super) fn begin(&self, now: Mono, period: Duration) {
        let period_ns = u64::try_from(period.as_nanos()).unwrap_or(u64::MAX);
        self.0.period_ns.store(period_ns, Ordering::Relaxed);
        self.turned(now);
        self.sampled(now);
    }

    /// All load has ended, and the loop turns no more.
    pub(super) fn closing(&self, now: Mono) {
        self.0.closing_ns.store(now.0, Ordering::Relaxed);
    }

    /// The dispatcher's loop turned.
    pub(super) fn turned(&self, now: Mono) {
        self.0.turned_ns.store(now.0, Ordering::Relaxed);
    }

    /// A sample was read and judged by the guard.
    pub(super) fn sampled(&self, now: Mono) {
        self.0.sampled_ns.store(now.0, Ordering::Relaxed);
    }

    /// True while loop, sampler and guard live. A run that has not begun is being prepared; one that closes may take
    /// a while.
    pub fn is_alive(&self, now: Mono) -> bool {
        let at = |beat: &AtomicU64| Mono(beat.load(Ordering::Relaxed));
        let closing = at(&self.0.closing_ns);
        if closing != Mono(0) {
            return now.since(closing) < CLOSES_WITHIN;
        }
        let period = Duration::from_nanos(self.0.period_ns.load(Ordering::Relaxed));
        period.is_zero()
            || (now.since(at(&self.0.turned_ns)) < LOOP_SILENT
                && now.since(at(&self.0.sampled_ns)) < period * PERIODS_SILENT)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_is_alive_only_while_loop_and_sampler_both_are() {
        let pulse = Pulse::default();
        let second = |s: u64| Mono(s * 1_000_000_000);
        assert!(pulse.is_alive(second(100)), "not begun");
        pulse.begin(second(100), Duration::from_secs(1));
        assert!(pulse.is_alive(second(104)));
        assert!(!pulse.is_alive(second(106)), "the loop hangs");
        (100..=112).for_each(|at| pulse.turned(second(at)));
        assert!(!pulse.is_alive(second(112)), "the sampler hangs");
        pulse.sampled(second(112));
        assert!(pulse.is_alive(second(112)));
    }

    #[test]
    fn a_run_that_closes_is_alive_for_a_while_and_not_for_ever() {
        let pulse = Pulse::default();
        let begun = Mono(1_000_000_000);
        pulse.begin(begun, Duration::from_secs(1));
        let closing = begun.plus(Duration::from_secs(3600));
        assert!(!pulse.is_alive(closing));
        pulse.closing(closing);
        assert!(pulse.is_alive(closing.plus(CLOSES_WITHIN / 2)));
        assert!(!pulse.is_alive(closing.plus(CLOSES_WITHIN)));
    }
}
