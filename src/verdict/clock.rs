//! The measured clock under each load class against the declared one.

use std::collections::BTreeMap;

use crate::model::{ClockSummary, LoadClass, Record};

use super::statistics::median;

/// The clocks measured in `record`, per class that was probed.
pub(super) fn summarise(record: &Record) -> Vec<ClockSummary> {
    let mut best: BTreeMap<LoadClass, BTreeMap<u32, f64>> = BTreeMap::new();
    let mut all: BTreeMap<LoadClass, Vec<f64>> = BTreeMap::new();
    let samples = record.samples.iter().flat_map(|sample| {
        sample
            .workers
            .iter()
            .map(|worker| (sample.stage, sample.segment, worker))
    });
    let done = record
        .workers
        .iter()
        .map(|done| (done.stage, done.segment, &done.what));
    for (stage, segment, worker) in samples.chain(done) {
        let load = record.header.plan.load(stage, segment, worker.load);
        let Some((load, core)) = load.zip(record.core_of(worker.cpu)) else {
            continue;
        };
        for (name, mhz) in load.kernels.iter().zip(&worker.clock_mhz) {
            let Some(class) = record.header.class_of(name) else {
                continue;
            };
            if mhz.is_finite() && *mhz > 0.0 {
                let known = best.entry(class).or_default().entry(core).or_default();
                *known = known.max(*mhz);
                all.entry(class).or_default().push(*mhz);
            }
        }
    }
    let summary = |(class, cores): (LoadClass, BTreeMap<u32, f64>)| {
        let declared = record
            .header
            .declared
            .clock_mhz
            .iter()
            .find(|(known, _)| *known == class);
        let values = || cores.values().copied();
        ClockSummary {
            class,
            slowest_core_mhz: values().reduce(f64::min).unwrap_or(0.0),
            median_mhz: all.get(&class).and_then(|all| median(all)).unwrap_or(0.0),
            fastest_core_mhz: values().reduce(f64::max).unwrap_or(0.0),
            declared_mhz: declared.map(|(_, mhz)| *mhz),
        }
    };
    best.into_iter().map(summary).collect()
}
