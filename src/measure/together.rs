//! One kernel of each class on all cores at once: the clock under it, and whether the cores get in
//! each other's way.

use std::sync::Barrier;
use std::time::Duration;

use super::figures::{ClassFigure, KernelFigure, wide_of};
use super::subject::Subject;
use super::window::{Heed, Watch, seconds};
use super::{MeasureError, Task};
use crate::kernels::{Body, KernelSpec, WalkOutcome, WalkPass, probe_clock_mhz};
use crate::model::{CpuId, InstructionSet, LoadClass, Mono};
use crate::os::{self, Region};

/// Share of the whole time for one kernel on all cores, and for it alone before that.
const SHARE: f64 = 0.02;
/// Time between two clock probes under the load.
const PROBE_EVERY: Duration = Duration::from_millis(40);

/// What one core came to.
struct Shift {
    passes_a_second: f64,
    best_mhz: f64,
    wall_ns: u64,
    cpu_ns: u64,
}

/// Every class but contention, which has no meaning on one core.
pub(super) fn measure_classes(
    task: &Task<'_>,
    kernels: &[KernelFigure],
    watch: &mut Watch<'_>,
) -> Result<Vec<ClassFigure>, MeasureError> {
    let mut figures = Vec::new();
    for class in LoadClass::ALL {
        let Some(spec) = hottest(task, kernels, class) else {
            continue;
        };
        let alone = work_on(&task.cpus[..1], spec, task, watch)?;
        let shifts = work_on(&task.cpus, spec, task, watch)?;
        let one: f64 = alone.iter().map(|shift| shift.passes_a_second).sum();
        let all: f64 = shifts.iter().map(|shift| shift.passes_a_second).sum();
        #[expect(clippy::cast_precision_loss, reason = "cores of a machine")]
        let times = shifts.len() as f64;
        let clocks = || shifts.iter().map(|shift| shift.best_mhz);
        figures.push(ClassFigure {
            class,
            kernel: spec.name,
            slowest_mhz: clocks().fold(f64::INFINITY, f64::min),
            fastest_mhz: clocks().fold(0.0, f64::max),
            scaling: (shifts.len() > 1 && one > 0.0).then(|| all / (times * one)),
        });
    }
    Ok(figures)
}

/// The kernel of the class that comes nearest to its limit.
fn hottest(
    task: &Task<'_>,
    kernels: &[KernelFigure],
    class: LoadClass,
) -> Option<&'static KernelSpec> {
    let known = kernels.iter().filter(|kernel| kernel.class == class);
    let known = known.filter_map(|kernel| Some((kernel.name, kernel.of_limit?.fraction.median)));
    let (name, _) = known.max_by(|(_, one), (_, other)| one.total_cmp(other))?;
    let mut specs = task.kernels.iter().copied();
    specs.find(|spec| spec.name == name)
}

fn work_on(
    cpus: &[CpuId],
    spec: &'static KernelSpec,
    task: &Task<'_>,
    watch: &mut Watch<'_>,
) -> Result<Vec<Shift>, MeasureError> {
    let barrier = Barrier::new(cpus.len());
    let length = task.length.mul_f64(SHARE);
    let heed = watch.beat();
    let shifts: Result<Vec<Shift>, MeasureError> = std::thread::scope(|scope| {
        let start = |cpu: CpuId| {
            let barrier = &barrier;
            scope.spawn(move || {
                // Nobody may be left waiting for one that could not be set up.
                let prepared = Bench::new(cpu, spec, task);
                barrier.wait();
                Ok(prepared?.work(length, heed))
            })
        };
        let threads: Vec<_> = cpus.iter().copied().map(start).collect();
        let joined = threads.into_iter().map(|thread| match thread.join() {
            Ok(shift) => shift,
            Err(panic) => std::panic::resume_unwind(panic),
        });
        joined.collect()
    });
    let shifts = shifts?;
    for shift in &shifts {
        watch.account(shift.wall_ns, shift.cpu_ns);
    }
    if watch.stopped() {
        return Err(MeasureError::Stopped);
    }
    Ok(shifts)
}

/// What a core runs.
enum Runner {
    Compute(Subject),
    Walk(InstructionSet, WalkPass),
}

/// A thread's kernel with its memory.
struct Bench {
    runner: Runner,
    wide: Option<InstructionSet>,
    region: Region,
}

impl Bench {
    fn new(cpu: CpuId, spec: &'static KernelSpec, task: &Task<'_>) -> Result<Self, MeasureError> {
        os::pin_to(cpu)?;
        let set = spec.best_path(&task.detected);
        let runner = match (spec.body, Subject::new(spec, &task.detected)) {
            (Body::Walk { pass, .. }, _) => Runner::Walk(set, pass),
            (_, Some(subject)) => Runner::Compute(subject),
            (_, None) => return Err(MeasureError::Stopped),
        };
        let bytes = match &runner {
            Runner::Compute(subject) => subject.arena_words * 8,
            Runner::Walk(..) => task.memory_bytes / task.cpus.len().max(1),
        };
        Ok(Self {
            runner,
            wide: wide_of(set, &task.detected),
            region: Region::map(bytes, &mut || true)?,
        })
    }

    /// Whole passes until `length` is over, with a clock probe now and then.
    #[expect(clippy::cast_precision_loss, reason = "passes of a second")]
    fn work(&mut self, length: Duration, mut heed: Heed<'_>) -> Shift {
        let (began, cpu) = (os::monotonic(), os::thread_cpu_ns());
        let mut probed = Mono(0);
        let (mut passes, mut best_mhz, mut probes_ns) = (0_u64, 0.0_f64, 0_u64);
        let mut now = began;
        while now.since(began) < length {
            self.pass(passes, &mut heed);
            passes += 1;
            now = os::monotonic();
            if now.since(probed) >= PROBE_EVERY {
                best_mhz = best_mhz.max(probe_clock_mhz(self.wide, &mut os::raw_ns));
                probed = os::monotonic();
                probes_ns += probed.0.saturating_sub(now.0);
                now = probed;
            }
        }
        let wall_ns = now.0.saturating_sub(began.0);
        Shift {
            passes_a_second: passes as f64 / seconds(wall_ns.saturating_sub(probes_ns)),
            best_mhz,
            wall_ns,
            cpu_ns: os::thread_cpu_ns().saturating_sub(cpu),
        }
    }

    fn pass(&mut self, number: u64, heed: &mut Heed<'_>) {
        let words = self.region.words_mut();
        match &self.runner {
            Runner::Compute(subject) => {
                subject.run(subject.working(), words, *heed);
            }
            Runner::Walk(set, pass) => {
                let outcome = pass(*set, words, number, heed);
                debug_assert!(!matches!(
                    outcome,
                    WalkOutcome::Walked { faults, .. } if faults > 0
                ));
            }
        }
    }
}
