//! Memory: giving some back when the machine runs short of it, and who reads back what another core
//! stored.

use std::time::Duration;

use super::{Action, Core, Phase};
use crate::model::{CpuId, Gap, GapKind, Machine, Moment, Mono, PlannedLoad};

/// A walk gives memory back when at least one program waited for memory in this share of the last ten
/// seconds. Taking the memory makes the kernel clear its caches, which is such waiting too, so this
/// counts only a while after all workers were ready. The figures of this file are our own choice.
const SOME_PERCENT: f64 = 20.0;
/// When all programs waited for this share, the machine is about to stand still: at once.
const FULL_PERCENT: f64 = 40.0;
/// The reading is an average over ten seconds, so what was given back shows only then.
const LOOK_AGAIN: Duration = Duration::from_secs(10);
/// Each time half is given back, so often at most; less than a sixteenth is not worth a walk.
const MOST_HALVINGS: u32 = 4;

/// What was given back in the present segment.
#[derive(Debug, Default)]
pub(super) struct Shortage {
    halvings: u32,
    last: Option<Mono>,
}

impl Core {
    /// Programs wait for memory: a walk must not drive the machine into swapping or killing.
    pub(super) fn pressed(
        &mut self,
        now: Moment,
        (some_percent, full_percent): (f64, f64),
        actions: &mut Vec<Action>,
    ) {
        let settled =
            |since: Option<Mono>| since.is_some_and(|at| now.mono.since(at) >= LOOK_AGAIN);
        let short = full_percent >= FULL_PERCENT
            || (some_percent >= SOME_PERCENT && settled(self.segment_since));
        let recently = self.shortage.last.is_some() && !settled(self.shortage.last);
        let walks = self.workers.values().any(|worker| worker.walked > 0);
        if self.phase != Phase::Segment
            || !short
            || recently
            || !walks
            || self.shortage.halvings >= MOST_HALVINGS
        {
            return;
        }
        self.shortage.halvings += 1;
        self.shortage.last = Some(now.mono);
        let part = 1_u64 << self.shortage.halvings;
        for (number, worker) in &self.workers {
            if worker.walked > 0 && !worker.stopping {
                actions.push(Action::GiveBack {
                    worker: *number,
                    keep_bytes: worker.walked / part,
                });
            }
        }
        let gap = Gap {
            kind: GapKind::LessMemory,
            about: format!(
                "memory ran short in stage `{}`: its walks went on with 1/{part} of their memory",
                self.stage_name()
            ),
            remedy: "end other programs during a run, or walk a smaller share".to_owned(),
        };
        self.gap(gap, actions);
    }

    /// A segment starts with all the memory of its plan.
    pub(super) fn forget_shortage(&mut self) {
        self.shortage = Shortage::default();
    }
}

/// Where what `cpu` stored is read back: by the next CPU of the load on another core. Threads of one
/// core share its caches; each thread goes to the same thread of the next core, so that no CPU gets
/// two readers where the cores are alike.
pub(super) fn other_core(machine: &Machine, load: &PlannedLoad, cpu: CpuId) -> Option<CpuId> {
    let core_of = |cpu: CpuId| {
        let known = machine.cpus.iter().find(|known| known.id == cpu);
        known.map(|known| known.core)
    };
    let thread_of = |cpu: CpuId| {
        let before = load.cpus.iter().take_while(|other| **other != cpu);
        before
            .filter(|other| core_of(**other) == core_of(cpu))
            .count()
    };
    let place = load.cpus.iter().position(|other| *other == cpu)?;
    let (before, after) = load.cpus.split_at(place);
    let others = after.iter().chain(before).copied();
    let mut others = others.filter(|other| core_of(*other) != core_of(cpu));
    let alike = others
        .clone()
        .find(|other| thread_of(*other) == thread_of(cpu));
    alike.or_else(|| others.next())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{Cpu, Rhythm};

    fn readers(cores: &[u32]) -> Vec<Option<u32>> {
        let cpus = (0_u32..).zip(cores).map(|(id, core)| Cpu {
            id: CpuId(id),
            core: *core,
            package: 0,
            kind: None,
        });
        let machine = Machine {
            cpus: cpus.collect(),
            ..Machine::default()
        };
        let load = PlannedLoad {
            kernels: vec![],
            cpus: machine.cpus.iter().map(|cpu| cpu.id).collect(),
            rhythm: Rhythm::Even,
            switch_ms: 0,
            memory_bytes_per_worker: 0,
            flush: false,
        };
        let readers = load
            .cpus
            .iter()
            .map(|cpu| other_core(&machine, &load, *cpu));
        readers.map(|reader| reader.map(|cpu| cpu.0)).collect()
    }

    #[test]
    fn held_memory_is_read_back_by_each_cores_neighbour() {
        assert_eq!(readers(&[0, 1]), [Some(1), Some(0)]);
        assert_eq!(readers(&[0, 1, 2]), [Some(1), Some(2), Some(0)]);
        // Threads of a core side by side, and threads of a core half the machine apart.
        assert_eq!(readers(&[0, 0, 1, 1]), [Some(2), Some(3), Some(0), Some(1)]);
        assert_eq!(readers(&[0, 1, 0, 1]), [Some(1), Some(0), Some(3), Some(2)]);
        // One core with two threads, others with one.
        assert_eq!(readers(&[0, 0, 1, 2]), [Some(2), Some(2), Some(3), Some(0)]);
        assert_eq!(readers(&[0, 0]), [None, None]);
        assert_eq!(readers(&[0]), [None]);
    }
}
