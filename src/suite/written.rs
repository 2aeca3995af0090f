//! A suite as written and checked, before it meets a machine.

use std::time::Duration;

use crate::model::{
    Asserts, Claim, CpuId, HeatLimits, MemoryShare, OnFinding, PlannedProgram, Rhythm, StageGate,
};

/// Where in the file something stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
}

/// Which CPUs a load runs on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Placement {
    /// Every usable logical CPU at once.
    All,
    /// One logical CPU of every physical core at once.
    OnePerCore,
    /// One physical core after another, the stage's time divided among them.
    OneByOne,
    /// These logical CPUs at once.
    Cpus(Vec<CpuId>),
}

/// One load as written.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadSpec {
    /// Kernels by name.
    pub kernels: Vec<String>,
    /// CPUs.
    pub cores: Placement,
    /// Pauses.
    pub rhythm: Rhythm,
    /// Milliseconds until the next kernel; 0 after every pass.
    pub switch_ms: u32,
    /// Memory of a walk, over all workers.
    pub memory: Option<MemoryShare>,
    /// Whether walks flush what they leave from the caches.
    pub flush: bool,
    /// Where its `cores` stand.
    pub cores_place: Place,
    /// Where its `memory` stands.
    pub memory_place: Place,
}

/// One stage as written.
#[derive(Debug, Clone, PartialEq)]
pub struct StageSpec {
    /// Name.
    pub name: String,
    /// Length.
    pub time: Duration,
    /// Condition for the stage after this one.
    pub gate: StageGate,
    /// Loads; none for an idle stage.
    pub loads: Vec<LoadSpec>,
    /// Programs of the person's; beside the loads, or alone.
    pub programs: Vec<PlannedProgram>,
    /// Where its `time` stands.
    pub time_place: Place,
}

/// A suite whose file has no mistake.
#[derive(Debug, Clone, PartialEq)]
pub struct Suite {
    /// Its name: the name of the file without folder and ending.
    pub name: String,
    /// The file, as people know it.
    pub origin: String,
    /// One line for people.
    pub about: String,
    /// What it asserts.
    pub asserts: Asserts,
    /// What it is meant to show.
    pub claim: Option<Claim>,
    /// Where `[claim]` stands.
    pub claim_place: Place,
    /// Fail-fast or go on.
    pub on_finding: OnFinding,
    /// Sampling period.
    pub sample_period: Duration,
    /// When a silent worker is looked at.
    pub stall_after: Duration,
    /// Heat limits.
    pub heat: HeatLimits,
    /// Stages in order.
    pub stages: Vec<StageSpec>,
}

impl Suite {
    /// Length of all stages.
    pub fn length(&self) -> Duration {
        self.stages.iter().map(|stage| stage.time).sum()
    }
}
