//! How long each core ran checked passes, per load class.
//!
//! A worker's counts are cumulative over its life, and a worker is known by stage, segment, load and
//! CPU; the last word on it (its final counts, else its last sample) is what counts.

use std::collections::BTreeMap;

use crate::model::{CpuId, Exposure, LoadClass, Record, Rhythm, WorkerProgress};

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

/// What one worker did, per class.
#[derive(Debug, Default)]
struct Share {
    seconds: BTreeMap<LoadClass, f64>,
    passes: BTreeMap<LoadClass, u64>,
}

/// Place in the plan: stage, segment, load.
pub(super) type Place = (u16, u16, u16);

/// The last word on every worker.
pub(super) fn last_words(record: &Record) -> BTreeMap<(Place, CpuId), &WorkerProgress> {
    let mut last = BTreeMap::new();
    for sample in &record.samples {
        for worker in &sample.workers {
            last.insert(
                ((sample.stage, sample.segment, worker.load), worker.cpu),
                worker,
            );
        }
    }
    for done in &record.workers {
        last.insert(
            ((done.stage, done.segment, done.what.load), done.what.cpu),
            &done.what,
        );
    }
    last
}

fn share_of(record: &Record, place: Place, worker: &WorkerProgress) -> Share {
    let mut share = Share::default();
    let Some(load) = record.header.plan.load(place.0, place.1, place.2) else {
        return share;
    };
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
        *share.seconds.entry(class).or_default() += checked;
        *share.passes.entry(class).or_default() += worker.passes.get(index).copied().unwrap_or(0);
    }
    share
}

/// Counts the exposure in `record`. The machine's exposure for a class is the minimum over its physical
/// cores; workers that share a core at one time count as the longest of them, whatever their loads.
pub fn count_exposure(record: &Record) -> Exposures {
    let mut per_core: BTreeMap<(u16, u16, u32), Vec<Share>> = BTreeMap::new();
    let mut load_steps = 0;
    for ((place, cpu), worker) in last_words(record) {
        if let Some(core) = record.core_of(cpu) {
            load_steps += worker.load_steps;
            per_core
                .entry((place.0, place.1, core))
                .or_default()
                .push(share_of(record, place, worker));
        }
    }
    let mut classes: BTreeMap<LoadClass, Tally> = BTreeMap::new();
    classes.extend(
        record
            .header
            .kernels
            .iter()
            .map(|(_, class, _)| (*class, Tally::default())),
    );
    let mut total = Tally::default();
    for ((_, _, core), threads) in per_core {
        let longest = threads
            .iter()
            .map(|share| share.seconds.values().sum())
            .reduce(f64::max);
        let passes = threads.iter().flat_map(|share| share.passes.values()).sum();
        total.add(core, longest.unwrap_or(0.0), passes);
        for (class, tally) in &mut classes {
            let seconds = threads
                .iter()
                .filter_map(|share| share.seconds.get(class).copied());
            let passes = threads
                .iter()
                .filter_map(|share| share.passes.get(class))
                .sum();
            tally.add(core, seconds.reduce(f64::max).unwrap_or(0.0), passes);
        }
    }
    let cores = all_cores(record);
    Exposures {
        classes: classes
            .iter()
            .map(|(class, tally)| (*class, tally.exposure(&cores)))
            .collect(),
        total: total.exposure(&cores),
        load_steps,
    }
}

fn all_cores(record: &Record) -> Vec<u32> {
    let cpus = record.header.machine.cpus.iter();
    let mut cores: Vec<u32> = cpus.map(|cpu| cpu.core).collect();
    cores.sort_unstable();
    cores.dedup();
    cores
}

/// Checked seconds of the machine, the minimum over its cores, under the kernels that `counts` names,
/// in loads of the rhythm it is asked about.
pub(super) fn machine_seconds(record: &Record, counts: &dyn Fn(&str, Rhythm) -> bool) -> f64 {
    let mut per_core: BTreeMap<(u16, u16, u32), f64> = BTreeMap::new();
    for ((place, cpu), worker) in last_words(record) {
        let load = record.header.plan.load(place.0, place.1, place.2);
        let Some((load, core)) = load.zip(record.core_of(cpu)) else {
            continue;
        };
        let kernels = load.kernels.iter().zip(&worker.checked_s);
        let own = kernels.filter(|(name, _)| counts(name, load.rhythm));
        let seconds = own.map(|(_, seconds)| seconds.max(0.0)).sum();
        let known = per_core.entry((place.0, place.1, core)).or_default();
        *known = known.max(seconds);
    }
    let mut cores: BTreeMap<u32, f64> = BTreeMap::new();
    for ((.., core), seconds) in per_core {
        *cores.entry(core).or_default() += seconds;
    }
    let of = |core: &u32| cores.get(core).copied().unwrap_or(0.0);
    let least = all_cores(record).iter().map(of).reduce(f64::min);
    least.unwrap_or(0.0)
}
