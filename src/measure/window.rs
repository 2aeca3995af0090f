//! Taking the time: the best of three windows, a clock probe beside them, and how much of the time
//! other programs took.

use std::sync::atomic::{AtomicBool, Ordering};

use crate::kernels::{self, Beat, ClockProbe, FaultSink, Go, WordFault};
use crate::model::InstructionSet;
use crate::os;

/// Windows of a repeat; the best one counts, since nothing makes a window too short.
const WINDOWS: usize = 3;

/// One repeat of one subject.
#[derive(Debug, Clone, Copy)]
pub(super) struct Reading {
    /// Seconds of the best window.
    pub(super) seconds: f64,
    /// Core clock right after it, in Hz.
    pub(super) hertz: f64,
    /// Spread of the clock probe.
    pub(super) probe_spread: f64,
}

impl Reading {
    /// Cycles of the best window.
    pub(super) fn cycles(&self) -> f64 {
        self.seconds * self.hertz
    }
}

/// Takes the time of windows, and keeps account of time lost.
#[derive(Debug)]
pub(super) struct Watch<'a> {
    stop: &'a AtomicBool,
    wall_ns: u64,
    cpu_ns: u64,
}

impl<'a> Watch<'a> {
    pub(super) fn new(stop: &'a AtomicBool) -> Self {
        Self {
            stop,
            wall_ns: 0,
            cpu_ns: 0,
        }
    }

    /// True when told to give up.
    pub(super) fn stopped(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }

    /// Lets a pass hear the wish to stop.
    pub(super) fn beat(&self) -> Heed<'a> {
        Heed(self.stop)
    }

    /// Seconds of the best of three runs.
    pub(super) fn best_of_three(&mut self, mut run: impl FnMut()) -> f64 {
        let mut best = u64::MAX;
        for _ in 0..WINDOWS {
            best = best.min(self.timed_ns(&mut run));
        }
        seconds(best)
    }

    /// One repeat: three runs, then the clock.
    pub(super) fn repeat(&mut self, wide: Option<InstructionSet>, run: impl FnMut()) -> Reading {
        let seconds = self.best_of_three(run);
        let ClockProbe { mhz, spread, .. } = kernels::probe_clock(wide, &mut os::raw_ns);
        Reading {
            seconds,
            hertz: mhz * 1e6,
            probe_spread: spread,
        }
    }

    /// Seconds of one run, for runs that are long or never alike.
    pub(super) fn once(&mut self, mut run: impl FnMut()) -> f64 {
        seconds(self.timed_ns(&mut run))
    }

    fn timed_ns(&mut self, run: &mut impl FnMut()) -> u64 {
        let cpu = os::thread_cpu_ns();
        let start = os::raw_ns();
        run();
        let wall = os::raw_ns().saturating_sub(start).max(1);
        self.account(wall, os::thread_cpu_ns().saturating_sub(cpu));
        wall
    }

    /// Adds time that a thread wanted and CPU time that it got.
    pub(super) fn account(&mut self, wall_ns: u64, cpu_ns: u64) {
        self.wall_ns += wall_ns;
        self.cpu_ns += cpu_ns.min(wall_ns);
    }

    /// Share of the wanted time that was not had.
    #[expect(clippy::cast_precision_loss, reason = "minutes at most")]
    pub(super) fn lost_share(&self) -> f64 {
        1.0 - self.cpu_ns as f64 / self.wall_ns.max(1) as f64
    }
}

/// Nanoseconds as seconds.
#[expect(clippy::cast_precision_loss, reason = "minutes at most")]
pub(super) fn seconds(ns: u64) -> f64 {
    ns as f64 * 1e-9
}

/// A beat that only heeds the wish to stop; faults of a walk are counted by the walk itself.
#[derive(Debug, Clone, Copy)]
pub(super) struct Heed<'a>(&'a AtomicBool);

impl Beat for Heed<'_> {
    fn beat(&mut self, _: u32) -> Go {
        if self.0.load(Ordering::Relaxed) {
            Go::Stop
        } else {
            Go::On
        }
    }
}

impl FaultSink for Heed<'_> {
    fn fault(&mut self, fault: WordFault) {
        tracing::warn!(?fault, "wrong word");
    }
}
