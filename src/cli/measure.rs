//! `measure`: how hard the kernels work this machine.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use super::arguments::MeasureArguments;
use super::run::style;
use super::{Exit, Failure, put, put_json};
use crate::kernels::{catalogue, detect};
use crate::measure::{MeasureError, Measured, Task, measure};
use crate::model::{CpuId, HeatLimits, Machine, Mono};
use crate::os::{self, LoadLock, Root};
use crate::report;
use crate::run::{Guard, GuardWord};
use crate::sensors::{InstrumentOptions, Instruments, read_machine};

/// Time between two looks at the thermometers.
const WATCH_EVERY: Duration = Duration::from_secs(1);
/// Time between two looks whether the measuring has ended.
const LOOK_EVERY: Duration = Duration::from_millis(50);
/// Walked memory: so many times the largest cache, so that it is memory that is walked.
const TIMES_CACHE: u64 = 8;
/// Least and most walked memory, in bytes.
const WALKED_BYTES: (u64, u64) = (64 << 20, 512 << 20);
/// Part of the free memory that may be walked.
const PART_OF_FREE: u64 = 4;

/// Runs the command.
pub(super) fn run(wanted: &MeasureArguments) -> Result<Exit, Failure> {
    let _lock = LoadLock::take()?;
    let root = Root::real();
    let detected = detect();
    let machine = read_machine(&root, &os::allowed_cpus(), detected.sets());
    eprintln!(
        "soakproof: putting full load on this machine for about {} s; it makes heat and draws power, \
         and an unstable machine can lose data: save your work and mind the maker's limits",
        wanted.seconds
    );
    let stop = AtomicBool::new(false);
    let task = Task {
        cpus: one_cpu_a_core(&machine),
        detected,
        kernels: catalogue(),
        memory_bytes: walked_bytes(&machine),
        length: Duration::from_secs(wanted.seconds),
        stop: &stop,
    };
    let mut instruments = Instruments::open(&root, &InstrumentOptions::default(), os::moment());
    let measured = measure_guarded(&task, &mut instruments)?;
    if wanted.output.json {
        put_json(&report::measured_json(&measured, &machine));
    } else {
        put(&report::measured_text(&measured, &machine, style()));
    }
    Ok(if measured.any_wrong() {
        Exit::Other
    } else {
        Exit::Fine
    })
}

/// Measures with the guard watching; it stops the load before it says why.
fn measure_guarded(
    task: &Task<'_>,
    instruments: &mut Instruments,
) -> Result<Measured, anyhow::Error> {
    let mut guard = Guard::new(instruments.channels().to_vec(), HeatLimits::default());
    std::thread::scope(|scope| {
        let measuring = scope.spawn(|| measure(task));
        let began = os::monotonic();
        let mut reason = None;
        let mut next = began;
        while !measuring.is_finished() {
            if os::monotonic() >= next && reason.is_none() {
                reason = look(&mut guard, instruments, began);
                if reason.is_some() {
                    task.stop.store(true, Ordering::Relaxed);
                }
                next = os::monotonic().plus(WATCH_EVERY);
            }
            os::wait(LOOK_EVERY);
        }
        let outcome = match measuring.join() {
            Ok(outcome) => outcome,
            Err(panic) => std::panic::resume_unwind(panic),
        };
        match (outcome, reason) {
            (Err(MeasureError::Stopped), Some(reason)) => Err(anyhow::anyhow!(
                "the guard stopped the load: {reason}; nothing was measured"
            )),
            (outcome, _) => Ok(outcome?),
        }
    })
}

/// Why the load must stop, if it must.
fn look(guard: &mut Guard, instruments: &mut Instruments, began: Mono) -> Option<String> {
    let mut judge = || {
        let at = os::moment();
        let (readings, lost) = instruments.read(at);
        guard.judge(at.mono, (&readings, &lost), Some(began))
    };
    let mut word = judge();
    if word == GuardWord::LookAgain {
        word = judge();
    }
    match word {
        GuardWord::Fine | GuardWord::LookAgain => None,
        GuardWord::OverHot {
            label,
            reading_c,
            ceiling_c,
        } => Some(format!(
            "{label} reads {reading_c:.0} C, over {ceiling_c:.0} C"
        )),
        GuardWord::Blind(gap) => Some(gap.about),
    }
}

/// The first usable logical CPU of each physical core.
fn one_cpu_a_core(machine: &Machine) -> Vec<CpuId> {
    let mut cores = Vec::new();
    let mut cpus = Vec::new();
    for cpu in &machine.cpus {
        if !cores.contains(&cpu.core) {
            cores.push(cpu.core);
            cpus.push(cpu.id);
        }
    }
    if cpus.is_empty() {
        cpus.extend(os::allowed_cpus().first());
    }
    cpus
}

fn walked_bytes(machine: &Machine) -> usize {
    let cache = machine.caches.iter().map(|cache| cache.bytes).max();
    let (least, most) = WALKED_BYTES;
    let wanted = (cache.unwrap_or(0) * TIMES_CACHE).clamp(least, most);
    let free = machine.memory_available_bytes / PART_OF_FREE;
    usize::try_from(wanted.min(free)).unwrap_or(usize::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{Cache, Cpu};

    #[test]
    fn siblings_of_a_core_are_not_measured_twice() {
        let cpu = |id, core| Cpu {
            id: CpuId(id),
            core,
            package: 0,
            kind: None,
        };
        let machine = Machine {
            cpus: vec![cpu(0, 0), cpu(1, 1), cpu(2, 0), cpu(3, 1)],
            ..Machine::default()
        };
        assert_eq!(one_cpu_a_core(&machine), [CpuId(0), CpuId(1)]);
    }

    #[test]
    fn walked_memory_is_many_caches_and_never_more_than_a_quarter_of_what_is_free() {
        let machine = |cache: u64, free: u64| Machine {
            caches: vec![Cache {
                level: 3,
                bytes: cache << 20,
                shared_by: 2,
            }],
            memory_available_bytes: free << 20,
            ..Machine::default()
        };
        assert_eq!(walked_bytes(&machine(32, 8192)), 256 << 20);
        assert_eq!(walked_bytes(&machine(1, 8192)), 64 << 20);
        assert_eq!(walked_bytes(&machine(256, 8192)), 512 << 20);
        assert_eq!(walked_bytes(&machine(256, 400)), 100 << 20);
    }
}
