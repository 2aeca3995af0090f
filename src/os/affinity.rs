//! Which CPUs this process may use, and binding a worker to one.

use nix::errno::Errno;
use nix::sched::{CpuSet, sched_getaffinity, sched_setaffinity};
use nix::unistd::Pid;

use super::root::Root;
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

/// All that the kernel has accounted to `cpu`, idle time too, in clock ticks (proc_stat(5)). A processor whose account
/// no longer grows takes no interrupts: it stands still.
pub fn processor_account(root: &Root, cpu: CpuId) -> Option<u64> {
    let text = root.read_text("proc/stat").ok()?;
    let name = format!("cpu{}", cpu.0);
    let fields = text.lines().find_map(|line| {
        let (first, fields) = line.split_once(' ')?;
        (first == name).then_some(fields)
    })?;
    let ticks = fields.split_whitespace().map(str::parse::<u64>);
    ticks.sum::<Result<u64, _>>().ok()
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_account_of_a_processor_is_the_sum_of_its_own_line() {
        let folder = tempfile::tempdir().expect("a folder");
        std::fs::create_dir(folder.path().join("proc")).expect("made");
        let text = "cpu  31 0 2 7\ncpu1 10 0 1 3 0 0 0 0 0 0\ncpu11 21 0 1 4 0 0 0 0 0 0\nintr 5\n";
        std::fs::write(folder.path().join("proc/stat"), text).expect("written");
        let root = Root::simulated(folder.path());
        assert_eq!(processor_account(&root, CpuId(1)), Some(14));
        assert_eq!(processor_account(&root, CpuId(11)), Some(26));
        assert_eq!(processor_account(&root, CpuId(2)), None);
    }
}
