//! How long each core ran checked passes, per load class.
//!
//! A worker's counts are cumulative over its life, and a worker is known by stage, segment, load and
//! CPU; the last word on it (its final counts, else its last sample) is what counts.

use std::collections::BTreeMap;

use crate::model::{CpuId, Exposure, LoadClass, Record, WorkerProgress};

/// Exposure of all classes and in total.
#[derive(Debug, Clone, PartialEq)]
pub struct Exposures {
    /// Per class; only classes that the plan contains.
    pub classes: BTreeMap<LoadClass, Exposure>,
    /// All classes together, mixed loads counted once.
    pub total: Exposure,
    /// Idle-to-load transitions over all workers.
    pub load_steps: u64,
}

#[derive(Debug, Default, Clone)]
struct Tally {
    cores: BTreeMap<u32, f64>,
    passes: u64,
}

impl Tally {
    fn add(&mut self, core: u32, seconds: f64, passes: u64) {
        *self.cores.entry(core).or_default() += seconds;
        self.passes += passes;
    }

    fn exposure(&self, all_cores: &[u32]) -> Exposure {
        let of = |core: &u32| self.cores.get(core).copied().unwrap_or(0.0);
        let least = all_cores.iter().map(of).reduce(f64::min).unwrap_or(0.0);
        Exposure {
            machine_s: least,
            cores_s: self.cores.values().sum(),
            passes: self.passes,
        }
    }
}

/// Counts the exposure in `record`. The machine's exposure for a class is the minimum over its physical
/// cores; two hardware threads of one core count as the longer of the two.
pub fn count_exposure(record: &Record) -> Exposures {
    let mut last: BTreeMap<(u16, u16, u16, CpuId), &WorkerProgress> = BTreeMap::new();
    for sample in &record.samples {
        for worker in &sample.workers {
            last.insert(
                (sample.stage, sample.segment, worker.load, worker.cpu),
                worker,
            );
        }
    }
    for done in &record.workers {
        last.insert(
            (done.stage, done.segment, done.what.load, done.what.cpu),
            &done.what,
        );
    }
    // Threads of one core in one place of the plan: the longer one, then summed over places.
    let mut per_core: BTreeMap<(u16, u16, u16, u32), Vec<&WorkerProgress>> = BTreeMap::new();
    for ((stage, segment, load, cpu), worker) in last {
        if let Some(core) = record.core_of(cpu) {
            per_core
                .entry((stage, segment, load, core))
                .or_default()
                .push(worker);
        }
    }
    let mut classes: BTreeMap<LoadClass, Tally> = BTreeMap::new();
    let mut total = Tally::default();
    let mut load_steps = 0;
    for ((stage, segment, load, core), threads) in per_core {
        let names = record.header.plan.stages.get(usize::from(stage));
        let names = names.and_then(|stage| stage.segments.get(usize::from(segment)));
        let Some(load) = names.and_then(|segment| segment.loads.get(usize::from(load))) else {
            continue;
        };
        let mut seconds: BTreeMap<LoadClass, f64> = BTreeMap::new();
        let mut whole = 0.0_f64;
        for worker in threads {
            let mut own: BTreeMap<LoadClass, f64> = BTreeMap::new();
            load_steps += worker.load_steps;
            for (index, name) in load.kernels.iter().enumerate() {
                let Some(class) = record.header.class_of(name) else {
                    continue;
                };
                let checked = worker.checked_s.get(index).copied().unwrap_or(0.0);
                let checked = if checked.is_finite() {
                    checked.max(0.0)
                } else {
                    0.0
                };
                *own.entry(class).or_default() += checked;
                let passes = worker.passes.get(index).copied().unwrap_or(0);
                classes.entry(class).or_default().passes += passes;
                total.passes += passes;
            }
            whole = whole.max(own.values().sum());
            for (class, checked) in own {
                let known = seconds.entry(class).or_default();
                *known = known.max(checked);
            }
        }
        total.add(core, whole, 0);
        for (class, checked) in seconds {
            classes.entry(class).or_default().add(core, checked, 0);
        }
    }
    let mut cores: Vec<u32> = record
        .header
        .machine
        .cpus
        .iter()
        .map(|cpu| cpu.core)
        .collect();
    cores.sort_unstable();
    cores.dedup();
    for (_, class, _) in &record.header.kernels {
        classes.entry(*class).or_default();
    }
    Exposures {
        classes: classes
            .iter()
            .map(|(class, tally)| (*class, tally.exposure(&cores)))
            .collect(),
        total: total.exposure(&cores),
        load_steps,
    }
}
