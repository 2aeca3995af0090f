//! How much error-free time a plan can show at best, and how much a claim needs.
//!
//! A claim of mean time M between errors at confidence C needs an error-free time of
//! -ln(1 - C) x M (NIST/SEMATECH e-Handbook 8.4.5.1 with no failure). A run that cannot reach its own
//! claim wastes a night, so it is refused beforehand; [`MARGIN`] leaves room for passes cut off at
//! the ends of stages and for other programs.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::form::render_duration;
use crate::model::{Claim, CpuId, LoadClass, Machine, Plan, PlannedLoad, Rhythm};

use super::kernel_fact::{KernelFact, find};
use super::written::{LoadSpec, StageSpec};

/// Planned exposure must be this many times the needed one.
pub const MARGIN: f64 = 1.05;

/// Mean length of a burst of the rhythm `sparse` (1-50 ms) in milliseconds.
const BURST_MEAN_MS: f64 = 25.5;

/// Seconds of load that a plan holds for the machine as a whole, at best.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PlannedExposure {
    /// Over all classes, mixed loads counted once.
    pub total_s: f64,
    /// Per class, mixed loads counted in full for each; classes that never run are missing.
    pub per_class_s: BTreeMap<LoadClass, f64>,
}

impl PlannedExposure {
    /// Seconds for one class.
    pub fn class_s(&self, class: LoadClass) -> f64 {
        self.per_class_s.get(&class).copied().unwrap_or(0.0)
    }
}

/// Error-free seconds that show a mean time of `claim_s` between errors at `confidence`.
pub fn needed_exposure_s(claim_s: f64, confidence: f64) -> f64 {
    -(1.0 - confidence).ln() * claim_s
}

/// A claim that a plan cannot reach.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Unreachable {
    /// `in total` or the class.
    pub(super) what: String,
    pub(super) claim_s: f64,
    /// Needed seconds, margin included.
    pub(super) needed_s: f64,
    pub(super) planned_s: f64,
}

/// The parts of a claim that `planned` does not reach.
pub(super) fn check_reach(claim: &Claim, planned: &PlannedExposure) -> Vec<Unreachable> {
    let total = claim.total_s.iter().map(|claim_s| {
        let what = "in total".to_string();
        (what, *claim_s, planned.total_s)
    });
    let classes = claim.per_class_s.iter().map(|(class, claim_s)| {
        let what = format!("for {class}");
        (what, *claim_s, planned.class_s(*class))
    });
    let parts = total.chain(classes).map(|(what, claim_s, planned_s)| {
        let needed_s = MARGIN * needed_exposure_s(claim_s, claim.confidence);
        Unreachable {
            what,
            claim_s,
            needed_s,
            planned_s,
        }
    });
    parts
        .filter(|part| part.planned_s < part.needed_s)
        .collect()
}

/// What the stages could show on a machine with a single core: more is possible nowhere.
pub(super) fn best_exposure(stages: &[StageSpec], kernels: &[KernelFact]) -> PlannedExposure {
    let mut sum = PlannedExposure::default();
    for stage in stages {
        let of_loads = stage.loads.iter().map(|load: &LoadSpec| {
            let part = stage.time.as_secs_f64() * loaded_share(load.rhythm, 1);
            (part, classes(&load.kernels, kernels))
        });
        sum.add_strongest(of_loads.collect());
    }
    sum
}

/// What a resolved plan can show on this machine: the minimum over its physical cores.
pub fn planned_exposure(plan: &Plan, machine: &Machine, kernels: &[KernelFact]) -> PlannedExposure {
    let mut cores: BTreeMap<u32, PlannedExposure> = BTreeMap::new();
    let core_of: BTreeMap<CpuId, u32> = machine.cpus.iter().map(|cpu| (cpu.id, cpu.core)).collect();
    for core in core_of.values() {
        cores.entry(*core).or_default();
    }
    for segment in plan.stages.iter().flat_map(|stage| &stage.segments) {
        let mut here: BTreeMap<u32, Vec<(f64, Vec<LoadClass>)>> = BTreeMap::new();
        for load in &segment.loads {
            let part = load_seconds(load, segment.length);
            for core in load.cpus.iter().filter_map(|cpu| core_of.get(cpu)) {
                let classes = classes(&load.kernels, kernels);
                here.entry(*core).or_default().push((part, classes));
            }
        }
        for (core, loads) in here {
            cores.entry(core).or_default().add_strongest(loads);
        }
    }
    let least = cores.into_values().reduce(|mut least, core| {
        least.total_s = least.total_s.min(core.total_s);
        for class in LoadClass::ALL {
            let both = least.class_s(class).min(core.class_s(class));
            least.per_class_s.insert(class, both);
        }
        least
    });
    let mut least = least.unwrap_or_default();
    least.per_class_s.retain(|_, seconds| *seconds > 0.0);
    least
}

impl PlannedExposure {
    /// Adds loads that run at once on one core: each class counts the strongest of them.
    fn add_strongest(&mut self, loads: Vec<(f64, Vec<LoadClass>)>) {
        let strongest = loads.iter().map(|(part, _)| *part).fold(0.0, f64::max);
        self.total_s += strongest;
        for class in LoadClass::ALL {
            let of_class = loads.iter().filter(|(_, classes)| classes.contains(&class));
            let part = of_class.map(|(part, _)| *part).fold(0.0, f64::max);
            if part > 0.0 {
                *self.per_class_s.entry(class).or_default() += part;
            }
        }
    }
}

fn load_seconds(load: &PlannedLoad, length: Duration) -> f64 {
    length.as_secs_f64() * loaded_share(load.rhythm, load.cpus.len())
}

/// Share of the time during which one worker of a load computes.
fn loaded_share(rhythm: Rhythm, workers: usize) -> f64 {
    match rhythm {
        Rhythm::Even => 1.0,
        Rhythm::Pulsed { on_ms, off_ms } => {
            f64::from(on_ms) / (f64::from(on_ms) + f64::from(off_ms))
        }
        Rhythm::Sparse { longest_gap_ms, .. } => {
            let turn_ms = BURST_MEAN_MS + f64::from(longest_gap_ms) / 2.0;
            let workers = u32::try_from(workers.max(1)).unwrap_or(u32::MAX);
            BURST_MEAN_MS / turn_ms / f64::from(workers)
        }
    }
}

fn classes(names: &[String], kernels: &[KernelFact]) -> Vec<LoadClass> {
    let found = names.iter().filter_map(|name| find(kernels, name));
    found.map(|kernel| kernel.class).collect()
}

impl Unreachable {
    /// What is wrong and what would be right.
    pub(super) fn words(&self, confidence: f64) -> String {
        let time = |seconds: f64| {
            let minutes = Duration::try_from_secs_f64((seconds / 60.0).ceil() * 60.0);
            render_duration(minutes.unwrap_or(Duration::MAX))
        };
        let percent = confidence * 100.0;
        format!(
            "{} {} between errors at {percent:.1} % needs {} of load, but the stages hold {}: \
             lengthen them or claim less",
            time(self.claim_s),
            self.what,
            time(self.needed_s),
            render_duration(Duration::from_secs_f64(self.planned_s.floor())),
        )
    }
}
