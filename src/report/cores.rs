//! What each core and each kernel did, summed from the final counts of workers and, for workers
//! without them (a run that was cut short), from their last sample.

use std::collections::BTreeMap;

use crate::model::{CpuId, Record, WorkerProgress};

/// Work of one CPU over the run.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct CpuWork {
    pub(super) passes: u64,
    pub(super) checked_s: f64,
    pub(super) errors: u64,
    pub(super) load_steps: u64,
    /// Lowest and highest clock over kernels, MHz.
    pub(super) clock_mhz: Option<(f64, f64)>,
}

/// Work of one kernel over the run.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct KernelWork {
    pub(super) passes: u64,
    pub(super) checked_s: f64,
    /// Passes and checked seconds per CPU.
    per_cpu: BTreeMap<CpuId, (u64, f64)>,
}

impl KernelWork {
    /// Passes a second of the slowest and the fastest CPU.
    pub(super) fn rates(&self) -> Option<(f64, f64)> {
        let rates = self
            .per_cpu
            .values()
            .filter(|(_, seconds)| *seconds > 0.0)
            .map(|(passes, seconds)| as_float(*passes) / seconds);
        rates.fold(None, |span, rate| Some(widen(span, rate)))
    }
}

/// Everything by CPU, and by name of kernel.
#[derive(Debug, Default)]
pub(super) struct Work {
    pub(super) cpus: BTreeMap<CpuId, CpuWork>,
    pub(super) kernels: BTreeMap<String, KernelWork>,
}

#[expect(
    clippy::cast_precision_loss,
    reason = "a rate is shown with few digits"
)]
fn as_float(count: u64) -> f64 {
    count as f64
}

fn widen(span: Option<(f64, f64)>, value: f64) -> (f64, f64) {
    span.map_or((value, value), |(low, high)| {
        (low.min(value), high.max(value))
    })
}

/// Stage, segment, load and CPU of a worker.
type Place = (u16, u16, u16, CpuId);

/// Sums the work of a record.
pub(super) fn sum_work(record: &Record) -> Work {
    let mut last_seen: BTreeMap<Place, &WorkerProgress> = BTreeMap::new();
    for sample in &record.samples {
        for worker in &sample.workers {
            last_seen.insert(
                (sample.stage, sample.segment, worker.load, worker.cpu),
                worker,
            );
        }
    }
    let mut work = Work::default();
    for done in &record.workers {
        let place = (done.stage, done.segment, done.what.load, done.what.cpu);
        last_seen.remove(&place);
        add(&mut work, record, place, &done.what);
    }
    for (place, progress) in last_seen {
        add(&mut work, record, place, progress);
    }
    work
}

fn add(work: &mut Work, record: &Record, place: Place, progress: &WorkerProgress) {
    let (stage, segment, load, _) = place;
    let planned = record.header.plan.load(stage, segment, load);
    let names = planned.map_or(&[] as &[String], |load| load.kernels.as_slice());
    let cpu = work.cpus.entry(progress.cpu).or_default();
    cpu.passes += progress.passes.iter().sum::<u64>();
    cpu.checked_s += progress.checked_s.iter().sum::<f64>();
    cpu.errors += progress.errors;
    cpu.load_steps += progress.load_steps;
    for mhz in progress.clock_mhz.iter().copied().filter(|mhz| *mhz > 0.0) {
        cpu.clock_mhz = Some(widen(cpu.clock_mhz, mhz));
    }
    let counts = progress.passes.iter().zip(&progress.checked_s);
    for (name, (passes, seconds)) in names.iter().zip(counts) {
        let kernel = work.kernels.entry(name.clone()).or_default();
        kernel.passes += passes;
        kernel.checked_s += seconds;
        let share = kernel.per_cpu.entry(progress.cpu).or_default();
        share.0 += passes;
        share.1 += seconds;
    }
}
