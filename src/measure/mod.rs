//! How hard the kernels work this machine: each one's rate as a fraction of what a bare loop reaches
//! in the same run, what its checking costs, and the clock under each load class.
//!
//! The recipe: short windows, the best of three a repeat, the median of the repeats, every window held
//! against a clock probe of its own repeat, kernels and limits turn by turn, so that whatever slows
//! the machine for a while slows both sides of a ratio. It puts load on; whoever calls holds the load
//! lock and watches the heat. It *never* judges the machine: a wrong answer that it meets is told.

mod alone;
mod figures;
mod group;
mod memory;
mod subject;
mod together;
mod window;

use std::sync::atomic::AtomicBool;
use std::time::Duration;

pub use figures::{
    Bound, ClassFigure, KernelFigure, LimitFigure, Measured, MemoryLimits, OfLimit, RateUnit,
    Spread,
};

pub use crate::kernels::limit::Limit;
use crate::kernels::{Detected, KernelSpec};
use crate::model::{CpuId, LoadClass};
use crate::os::PinError;
use window::Watch;

/// Fewest and most repeats of the subjects that are measured alone.
pub const REPEATS: (usize, usize) = (5, 21);

/// What to measure, where and for how long.
#[derive(Debug)]
pub struct Task<'a> {
    /// One logical CPU of each physical core; the first is the one that is measured alone.
    pub cpus: Vec<CpuId>,
    /// What the processor has.
    pub detected: Detected,
    /// Kernels, in the order of the report.
    pub kernels: Vec<&'static KernelSpec>,
    /// Bytes that a memory walk goes over, all cores together: several times the last-level cache.
    pub memory_bytes: usize,
    /// About how long all of it may take.
    pub length: Duration,
    /// Set from outside to give up.
    pub stop: &'a AtomicBool,
}

/// Nothing could be measured.
#[derive(Debug, thiserror::Error)]
pub enum MeasureError {
    /// No CPU to pin to.
    #[error("the measuring thread cannot be placed")]
    Pin(#[from] PinError),
    /// No memory.
    #[error("no memory for the kernels")]
    Memory(#[from] crate::os::MapMemoryError),
    /// Told to stop.
    #[error("stopped before all was measured")]
    Stopped,
}

/// Measures on threads of its own.
///
/// # Errors
/// A CPU or memory could not be had, or it was told to stop.
pub fn measure(task: &Task<'_>) -> Result<Measured, MeasureError> {
    let mut watch = Watch::new(task.stop);
    let began = crate::os::monotonic();
    let alone = on_cpu(task.cpus.first().copied(), || {
        alone::measure_alone(task, &mut watch)
    })?;
    let walks = on_cpu(task.cpus.first().copied(), || {
        memory::measure_walks(task, &mut watch)
    })?;
    let mut kernels = alone.kernels;
    kernels.extend(walks.kernels);
    let mut classes = together::measure_classes(task, &kernels, &mut watch)?;
    let groups = group::measure_groups(task, &mut watch)?;
    kernels.extend(groups.kernels);
    classes.extend(groups.class);
    classes.sort_by_key(|figure| order(figure.class));
    kernels.sort_by_key(|figure| order(figure.class));
    Ok(Measured {
        cores: task.cpus.len(),
        repeats: alone.repeats,
        seconds: crate::os::monotonic().since(began).as_secs_f64(),
        lost_share: watch.lost_share(),
        probe_spread: alone.probe_spread,
        limits: alone.limits,
        memory: walks.limits,
        kernels,
        classes,
    })
}

fn order(class: LoadClass) -> usize {
    let known = LoadClass::ALL.iter().position(|known| *known == class);
    known.unwrap_or(LoadClass::ALL.len())
}

/// Runs `work` on a thread of its own that is bound to `cpu`.
fn on_cpu<T: Send>(
    cpu: Option<CpuId>,
    work: impl FnOnce() -> Result<T, MeasureError> + Send,
) -> Result<T, MeasureError> {
    std::thread::scope(|scope| {
        let thread = scope.spawn(move || {
            if let Some(cpu) = cpu {
                crate::os::pin_to(cpu)?;
            }
            work()
        });
        match thread.join() {
            Ok(outcome) => outcome,
            Err(panic) => std::panic::resume_unwind(panic),
        }
    })
}
