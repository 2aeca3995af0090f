//! Which CPUs this process may use, and binding a worker to one.

use nix::errno::Errno;
use nix::sched::{CpuSet, sched_getaffinity, sched_setaffinity};
use nix::unistd::Pid;

use crate::model::CpuId;

/// A worker could not be bound to its CPU.
#[derive(Debug, thiserror::Error)]
#[error("cannot bind to {cpu}: is it online and allowed to this process?")]
pub struct PinError {
    /// CPU asked for.
    pub cpu: CpuId,
    /// Why.
    #[source]
    pub source: Errno,
}

/// CPUs that this process may run on, ascending.
pub fn allowed_cpus() -> Vec<CpuId> {
    let Ok(set) = sched_getaffinity(Pid::from_raw(0)) else {
        return vec![CpuId(0)];
    };
    let all = 0..CpuSet::count();
    let allowed = all.filter(|cpu| set.is_set(*cpu).unwrap_or(false));
    allowed
        .filter_map(|cpu| u32::try_from(cpu).ok().map(CpuId))
        .collect()
}

/// Binds the calling thread to `cpu` and checks that the kernel did it.
///
/// # Errors
/// The CPU is offline, not allowed, or beyond what the kernel knows.
pub fn pin_to(cpu: CpuId) -> Result<(), PinError> {
    let fail = |source| PinError { cpu, source };
    let mut set = CpuSet::new();
    set.set(cpu.0 as usize).map_err(fail)?;
    sched_setaffinity(Pid::from_raw(0), &set).map_err(fail)?;
    if allowed_cpus() == [cpu] {
        Ok(())
    } else {
        Err(fail(Errno::EINVAL))
    }
}
