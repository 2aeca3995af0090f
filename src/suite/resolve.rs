//! A checked suite meets a machine: which CPUs, how long each, how much memory. What the machine
//! cannot give is refused as a whole list, each with a remedy; a share of memory is only shortened,
//! and that is written down, because the person asked for a share and not for an amount.

use std::collections::BTreeSet;
use std::fmt;
use std::time::Duration;

use crate::form::{Problem, render_duration};
use crate::model::{Cpu, CpuId, Machine, MemoryShare, Plan, PlannedLoad, Segment, Stage};

use super::exposure::{check_reach, planned_exposure};
use super::kernel_fact::KernelFact;
use super::written::{LoadSpec, Place, Placement, StageSpec, Suite};

/// Planned load over this must not start blind.
pub const THERMOMETER_AFTER: Duration = Duration::from_mins(15);

/// Memory that stays free at least.
const RESERVE_LEAST: u64 = 1 << 30;
/// One part in this many of the installed memory stays free.
const RESERVE_PART: u64 = 10;
/// Memory is divided in pages of this size.
const PAGE: u64 = 4096;
/// Less than this for a worker would stay in a cache.
const LEAST_PER_WORKER: u64 = 64 << 10;
/// A core's turn in `one-by-one` must be at least this long, else starting its worker takes most of it.
const LEAST_TURN: Duration = Duration::from_millis(250);

/// A suite cannot be run on this machine: all reasons, in the order of the file.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub struct ResolveSuiteError {
    /// The file, as people know it.
    pub origin: String,
    /// The reasons; never empty.
    pub problems: Vec<Problem>,
}

impl fmt::Display for ResolveSuiteError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (
            index,
            Problem {
                line,
                column,
                message,
            },
        ) in self.problems.iter().enumerate()
        {
            let end = if index == 0 { "" } else { "\n" };
            write!(f, "{end}{}:{line}:{column}: {message}", self.origin)?;
        }
        Ok(())
    }
}

/// Fits a suite to a machine.
///
/// # Errors
/// Everything of the suite that this machine cannot give.
pub fn resolve_suite(
    suite: &Suite,
    machine: &Machine,
    kernels: &[KernelFact],
) -> Result<Plan, ResolveSuiteError> {
    let mut fitting = Fitting::new(machine);
    let stages = suite
        .stages
        .iter()
        .map(|stage| fitting.resolve_stage(stage))
        .collect();
    let mut plan = Plan {
        suite: suite.name.clone(),
        about: suite.about.clone(),
        stages,
        claim: suite.claim.clone(),
        asserts: suite.asserts,
        on_finding: suite.on_finding,
        sample_period: suite.sample_period,
        stall_after: suite.stall_after,
        heat: suite.heat,
        needs_thermometer: false,
        shortened: fitting.shortened,
    };
    plan.needs_thermometer = plan.load_length() > THERMOMETER_AFTER;
    let mut problems = fitting.problems;
    if let Some(claim) = plan.claim.as_ref().filter(|_| problems.is_empty()) {
        let planned = planned_exposure(&plan, machine, kernels);
        for missed in check_reach(claim, &planned) {
            let message = format!("on this machine, {}", missed.words(claim.confidence));
            problems.push(problem(suite.claim_place, message));
        }
    }
    if problems.is_empty() {
        return Ok(plan);
    }
    problems.sort();
    let origin = suite.origin.clone();
    Err(ResolveSuiteError { origin, problems })
}

/// Memory that may be walked on a machine without starving the rest of it.
pub fn spare_memory(machine: &Machine) -> u64 {
    let reserve = RESERVE_LEAST.max(machine.memory_bytes / RESERVE_PART);
    machine.memory_available_bytes.saturating_sub(reserve)
}

fn problem(place: Place, message: String) -> Problem {
    let Place { line, column } = place;
    Problem {
        line,
        column,
        message,
    }
}

/// A suite being fitted to a machine.
struct Fitting<'m> {
    machine: &'m Machine,
    all: Vec<CpuId>,
    one_per_core: Vec<CpuId>,
    problems: Vec<Problem>,
    shortened: Vec<String>,
}

impl<'m> Fitting<'m> {
    fn new(machine: &'m Machine) -> Self {
        let mut cpus: Vec<&Cpu> = machine.cpus.iter().collect();
        cpus.sort_by_key(|cpu| cpu.id);
        let mut seen = BTreeSet::new();
        let first = cpus.iter().filter(|cpu| seen.insert(cpu.core));
        Self {
            machine,
            one_per_core: first.map(|cpu| cpu.id).collect(),
            all: cpus.iter().map(|cpu| cpu.id).collect(),
            problems: Vec::new(),
            shortened: Vec::new(),
        }
    }

    fn refuse(&mut self, place: Place, message: String) {
        self.problems.push(problem(place, message));
    }

    fn resolve_stage(&mut self, stage: &StageSpec) -> Stage {
        let mut segments = Vec::new();
        match stage.loads.as_slice() {
            [load] if load.cores == Placement::OneByOne => {
                segments = self.resolve_turns(stage, load);
            }
            loads => {
                let placed: Vec<(&LoadSpec, Vec<CpuId>)> = loads
                    .iter()
                    .map(|load| (load, self.resolve_cores(stage, load)))
                    .collect();
                let loads = self.resolve_loads(stage, &placed);
                segments.push(Segment {
                    length: stage.time,
                    loads,
                    programs: stage.programs.clone(),
                });
            }
        }
        Stage {
            name: stage.name.clone(),
            segments,
            gate: stage.gate,
        }
    }

    fn resolve_cores(&mut self, stage: &StageSpec, load: &LoadSpec) -> Vec<CpuId> {
        let cpus = match &load.cores {
            Placement::All => self.all.clone(),
            Placement::OnePerCore | Placement::OneByOne => self.one_per_core.clone(),
            Placement::Cpus(asked) => {
                self.refuse_absent(stage, load, asked);
                return asked.clone();
            }
        };
        if cpus.is_empty() {
            let message = format!(
                "stage `{}` has no CPU to run on: none is usable here; look at the affinity of \
                 this process",
                stage.name
            );
            self.refuse(load.cores_place, message);
        }
        cpus
    }

    fn refuse_absent(&mut self, stage: &StageSpec, load: &LoadSpec, asked: &[CpuId]) {
        let absent = asked.iter().filter(|cpu| !self.all.contains(cpu));
        let absent: Vec<String> = absent.map(|cpu| cpu.0.to_string()).collect();
        if absent.is_empty() {
            return;
        }
        let message = format!(
            "stage `{}` asks for cpu {}, which this machine does not have or does not let us use; \
             usable: {}",
            stage.name,
            absent.join(", "),
            render_cpus(&self.all)
        );
        self.refuse(load.cores_place, message);
    }

    /// One segment a core; the first ones are longer where the time does not divide evenly.
    fn resolve_turns(&mut self, stage: &StageSpec, load: &LoadSpec) -> Vec<Segment> {
        let cpus = self.resolve_cores(stage, load);
        let count = u32::try_from(cpus.len()).unwrap_or(u32::MAX);
        if count == 0 {
            return Vec::new();
        }
        let turn = stage.time / count;
        if turn < LEAST_TURN {
            let message = format!(
                "stage `{}` gives each of {count} cores only {} of its turn: make it at least {}",
                stage.name,
                render_duration(turn),
                render_duration(LEAST_TURN * count)
            );
            self.refuse(stage.time_place, message);
        }
        // Rounding goes to the last turn, so that the stage keeps its length.
        let last = stage.time.saturating_sub(turn * (count - 1));
        let mut segments = Vec::new();
        for (index, cpu) in cpus.iter().enumerate() {
            let length = if index + 1 == cpus.len() { last } else { turn };
            let loads = self.resolve_loads(stage, &[(load, vec![*cpu])]);
            segments.push(Segment {
                length,
                loads,
                programs: Vec::new(),
            });
        }
        segments
    }

    /// Divides memory among the workers of all loads that run at once.
    fn resolve_loads(
        &mut self,
        stage: &StageSpec,
        placed: &[(&LoadSpec, Vec<CpuId>)],
    ) -> Vec<PlannedLoad> {
        let spare = spare_memory(self.machine);
        let mut left = spare;
        let mut planned = Vec::new();
        for (load, cpus) in placed {
            let workers = u64::try_from(cpus.len()).unwrap_or(u64::MAX).max(1);
            let bytes = self.resolve_memory(stage, load, left);
            left = left.saturating_sub(bytes);
            let per_worker = bytes / workers / PAGE * PAGE;
            if load.memory.is_some() && bytes > 0 && per_worker < LEAST_PER_WORKER {
                let least = LEAST_PER_WORKER * workers;
                let message = format!(
                    "stage `{}` leaves less than {} for each of {workers} workers: give it at \
                     least {}, or fewer cores",
                    stage.name,
                    render_bytes(LEAST_PER_WORKER),
                    render_bytes(least)
                );
                self.refuse(load.memory_place, message);
            }
            planned.push(PlannedLoad {
                kernels: load.kernels.clone(),
                cpus: cpus.clone(),
                rhythm: load.rhythm,
                switch_ms: load.switch_ms,
                memory_bytes_per_worker: per_worker,
                flush: load.flush,
            });
        }
        planned
    }

    /// Bytes over all workers of one load, at most `left`.
    fn resolve_memory(&mut self, stage: &StageSpec, load: &LoadSpec, left: u64) -> u64 {
        let Some(asked) = load.memory else {
            return 0;
        };
        let name = &stage.name;
        let available = self.machine.memory_available_bytes;
        if left == 0 {
            let message = format!(
                "stage `{name}` walks memory, but of {} available none can be spared ({} must stay \
                 free): close other programs or leave the stage out",
                render_bytes(available),
                render_bytes(RESERVE_LEAST.max(self.machine.memory_bytes / RESERVE_PART))
            );
            self.refuse(load.memory_place, message);
            return 0;
        }
        match asked {
            MemoryShare::Bytes(bytes) if bytes > left => {
                let message = format!(
                    "stage `{name}` asks for {} of memory, but only {} can be spared of {} \
                     available: ask for at most `{}MiB`",
                    render_bytes(bytes),
                    render_bytes(left),
                    render_bytes(available),
                    left >> 20
                );
                self.refuse(load.memory_place, message);
                0
            }
            MemoryShare::Bytes(bytes) => bytes,
            MemoryShare::Share(share) => {
                let wanted = share_of(available, share);
                if wanted > left {
                    let line = format!(
                        "stage `{name}` walks {} of memory instead of {}: the rest must stay free",
                        render_bytes(left),
                        render_bytes(wanted)
                    );
                    if !self.shortened.contains(&line) {
                        self.shortened.push(line);
                    }
                }
                wanted.min(left)
            }
        }
    }
}

/// `share` (0..1, whole per cents) of `bytes`, without going through floating point for large amounts.
fn share_of(bytes: u64, share: f64) -> u64 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a share is from 0 to 1, so this is from 0 to 10000"
    )]
    let parts = (share.clamp(0.0, 1.0) * 10_000.0).round() as u64;
    let whole = u128::from(bytes) * u128::from(parts) / 10_000;
    u64::try_from(whole).unwrap_or(u64::MAX)
}

/// An amount of memory for people.
fn render_bytes(bytes: u64) -> String {
    let tenths_of = |unit: u64| {
        let tenths = (u128::from(bytes) * 10 + u128::from(unit) / 2) / u128::from(unit);
        format!("{}.{}", tenths / 10, tenths % 10)
    };
    match bytes {
        0..0x10_0000 => format!("{} KiB", bytes >> 10),
        0x10_0000..0x4000_0000 => format!("{} MiB", tenths_of(1 << 20)),
        0x4000_0000.. => format!("{} GiB", tenths_of(1 << 30)),
    }
}

/// CPU numbers as ranges: `0-3, 8`.
fn render_cpus(cpus: &[CpuId]) -> String {
    let mut ranges: Vec<(u32, u32)> = Vec::new();
    for CpuId(cpu) in cpus {
        match ranges.last_mut() {
            Some((_, end)) if *end + 1 == *cpu => *end = *cpu,
            Some(_) | None => ranges.push((*cpu, *cpu)),
        }
    }
    let texts = ranges.iter().map(|(first, last)| {
        if first == last {
            first.to_string()
        } else {
            format!("{first}-{last}")
        }
    });
    let texts: Vec<String> = texts.collect();
    if texts.is_empty() {
        "none".to_string()
    } else {
        texts.join(", ")
    }
}
