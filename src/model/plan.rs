//! A suite resolved for one machine: exactly what will be run, where, and for how long.

use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::load::{CpuId, LoadClass};
use super::program::PlannedProgram;

/// What to do when the first finding turns up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OnFinding {
    /// End the run: the answer is known (failure-censored statistics).
    Stop,
    /// Go on to learn more; the grade cannot get better.
    Continue,
}

/// What a suite asserts about the machine; `proven` needs these and its headline names them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Asserts {
    /// Every answer was right.
    pub answers: bool,
    /// It stays cool enough.
    pub heat: bool,
    /// It runs at the declared clock.
    pub clock: bool,
    /// Its memory holds what is written.
    pub memory: bool,
}

/// What the suite's error-free time is meant to show.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Claim {
    /// One-sided confidence, 0..1.
    pub confidence: f64,
    /// Mean time between errors to be shown over all classes together, in seconds.
    pub total_s: Option<f64>,
    /// Mean time between errors to be shown for single classes, in seconds.
    pub per_class_s: Vec<(LoadClass, f64)>,
    /// Complete walks of the stated share of memory, for a memory suite.
    pub walks: Option<u32>,
}

/// Temperatures that judge and that stop, in degrees Celsius.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HeatLimits {
    /// Reaching this is `marginal` (90 by default, common practice).
    pub judged_c: f64,
    /// The maker's figure that the person entered; replaces the chip's own for the stop.
    pub maker_c: Option<f64>,
    /// Taken off the chip's critical value for the stop (5 by default).
    pub below_critical_c: f64,
    /// The stop ceiling where neither the chip nor the person names one (95, common practice).
    pub fallback_c: f64,
    /// Headroom under the judged limit that `proven` asks for (5 by default).
    pub margin_c: f64,
    /// Memory-module stop ceiling (85).
    pub memory_module_c: f64,
    /// Air temperature on the hottest day that the machine is to stand, where the suite names one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hottest_day_c: Option<f64>,
}

impl Default for HeatLimits {
    fn default() -> Self {
        Self {
            judged_c: 90.0,
            maker_c: None,
            below_critical_c: 5.0,
            fallback_c: 95.0,
            margin_c: 5.0,
            memory_module_c: 85.0,
            hottest_day_c: None,
        }
    }
}

/// When workers of a load compute and when they pause. All workers of a load follow the same clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Rhythm {
    /// Without pause.
    Even,
    /// On for `on_ms`, off for `off_ms`, all workers starting together.
    Pulsed {
        /// Milliseconds of load.
        on_ms: u32,
        /// Milliseconds of idle.
        off_ms: u32,
    },
    /// Bursts of 1-50 ms at random gaps, one worker at a time, deep idle between.
    Sparse {
        /// Seed of the shared sequence of bursts.
        seed: u64,
        /// Longest gap between bursts in milliseconds.
        longest_gap_ms: u32,
    },
}

/// How much memory the workers of a load walk, together.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MemoryShare {
    /// Bytes over all workers.
    Bytes(u64),
    /// Share (0..1) of the memory available at the start, over all workers.
    Share(f64),
}

/// One load on a set of CPUs: a worker on each.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlannedLoad {
    /// Names of kernels; with more than one, workers change kernel together every `switch_ms`.
    pub kernels: Vec<String>,
    /// One worker on each of these.
    pub cpus: Vec<CpuId>,
    /// Pauses.
    pub rhythm: Rhythm,
    /// Milliseconds until the next kernel of the list (0: after every pass).
    pub switch_ms: u32,
    /// Bytes that each worker walks, already divided and page-aligned; 0 for kernels that need none.
    pub memory_bytes_per_worker: u64,
    /// Whether walks flush what they leave from the caches, so that reads reach the memory.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub flush: bool,
}

/// A stretch of a stage in which the same workers run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Segment {
    /// Its length.
    pub length: Duration,
    /// What runs; empty means idle (baseline, cool-down), unless programs run.
    pub loads: Vec<PlannedLoad>,
    /// Programs of the person's beside it, or alone.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub programs: Vec<PlannedProgram>,
}

impl Segment {
    /// True when nothing runs in it.
    pub fn is_idle(&self) -> bool {
        self.loads.is_empty() && self.programs.is_empty()
    }
}

/// What must hold before the next stage starts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StageGate {
    /// Nothing: go on in any case.
    Open,
    /// No finding so far.
    NoFinding,
    /// No finding, and no temperature within the margin of the judged limit.
    Cool,
}

/// One stage of a plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stage {
    /// Unique name within the suite.
    pub name: String,
    /// Consecutive stretches; their lengths add up to the stage's.
    pub segments: Vec<Segment>,
    /// Condition for the stage after this one.
    pub gate: StageGate,
}

impl Stage {
    /// Planned length.
    pub fn length(&self) -> Duration {
        self.segments.iter().map(|segment| segment.length).sum()
    }

    /// True when nothing runs in it.
    pub fn is_idle(&self) -> bool {
        self.segments.iter().all(Segment::is_idle)
    }
}

/// A suite resolved for one machine.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// Name of the suite.
    pub suite: String,
    /// One line for people.
    pub about: String,
    /// Stages in order.
    pub stages: Vec<Stage>,
    /// What error-free time it is meant to show; none means `provisional` at best.
    pub claim: Option<Claim>,
    /// What it asserts.
    pub asserts: Asserts,
    /// Fail-fast or go on.
    pub on_finding: OnFinding,
    /// Sampling period.
    pub sample_period: Duration,
    /// A worker without progress for this long is looked at as stalled.
    pub stall_after: Duration,
    /// Heat limits.
    pub heat: HeatLimits,
    /// Whether the run may start without a processor thermometer (planned load over 15 minutes must
    /// not, unless the person says so).
    pub needs_thermometer: bool,
    /// Things given up to fit this machine, for the gaps of the verdict (asked memory not there).
    pub shortened: Vec<String>,
}

impl Plan {
    /// Planned length of all stages.
    pub fn length(&self) -> Duration {
        self.stages.iter().map(Stage::length).sum()
    }

    /// The segment at these indices of stage and segment.
    pub fn segment(&self, stage: u16, segment: u16) -> Option<&Segment> {
        self.stages
            .get(usize::from(stage))?
            .segments
            .get(usize::from(segment))
    }

    /// The load at these indices of stage, segment and load.
    pub fn load(&self, stage: u16, segment: u16, load: u16) -> Option<&PlannedLoad> {
        self.segment(stage, segment)?.loads.get(usize::from(load))
    }

    /// Planned length of stages under load.
    pub fn load_length(&self) -> Duration {
        let stages = self.stages.iter().flat_map(|stage| &stage.segments);
        stages
            .filter(|segment| !segment.is_idle())
            .map(|segment| segment.length)
            .sum()
    }
}
