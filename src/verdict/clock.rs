//! The measured clock under each load class and on each kind of core against the declared one.

use std::collections::{BTreeMap, BTreeSet};

use super::statistics::median;
use super::words::counted;
use crate::model::{ClockSummary, Gap, GapKind, LoadClass, Record, Rhythm, WorkerProgress};

/// Checked seconds of a kernel on a core after which a clock should have been measured there.
const PROBED_BY_S: f64 = 5.0;

/// Clocks, and which could not be had.
pub(super) struct Clocks {
    pub(super) summaries: Vec<ClockSummary>,
    /// Cores under declared classes whose every probe was disturbed by other programs.
    pub(super) gaps: Vec<Gap>,
}

/// A class on one kind of core.
type Group = (LoadClass, Option<String>);

/// What was probed of a group.
#[derive(Default)]
struct Probed {
    best: BTreeMap<u32, f64>,
    even: Vec<f64>,
    other: Vec<f64>,
    disturbed: BTreeSet<u32>,
}

/// The clocks measured in `record`, per class that was probed and kind of core.
pub(super) fn summarise(record: &Record) -> Clocks {
    let mut groups: BTreeMap<Group, Probed> = BTreeMap::new();
    for sample in &record.samples {
        for worker in &sample.workers {
            take(record, &mut groups, (sample.stage, sample.segment), worker);
        }
    }
    for done in &record.workers {
        take(record, &mut groups, (done.stage, done.segment), &done.what);
    }
    let mut clocks = Clocks {
        summaries: Vec::new(),
        gaps: Vec::new(),
    };
    for ((class, kind), probed) in groups {
        let declared_mhz = record.header.declared.clock_of(class, kind.as_deref());
        let missing = probed.disturbed.iter();
        let missing = missing.filter(|core| !probed.best.contains_key(*core));
        let missing = missing.count() as u64;
        if declared_mhz.is_some() && missing > 0 {
            clocks.gaps.push(disturbed(class, missing));
        }
        let values = || probed.best.values().copied();
        let range = values().reduce(f64::min).zip(values().reduce(f64::max));
        let Some((slowest_core_mhz, fastest_core_mhz)) = range else {
            continue;
        };
        // In pulses and bursts the clock is on its way up; what counts is where it stays.
        let lasting = median(&probed.even).or_else(|| median(&probed.other));
        clocks.summaries.push(ClockSummary {
            class,
            kind,
            slowest_core_mhz,
            median_mhz: lasting.unwrap_or(0.0),
            fastest_core_mhz,
            declared_mhz,
        });
    }
    clocks
}

fn disturbed(class: LoadClass, cores: u64) -> Gap {
    Gap {
        kind: GapKind::Busy,
        about: format!(
            "the clock of {} under {class} was not measured: other programs disturbed every probe",
            counted(cores, "core")
        ),
        remedy: "end other programs during a run".to_owned(),
    }
}

/// Takes a worker's clocks into the groups of its kernels.
fn take(
    record: &Record,
    groups: &mut BTreeMap<Group, Probed>,
    (stage, segment): (u16, u16),
    worker: &WorkerProgress,
) {
    let load = record.header.plan.load(stage, segment, worker.load);
    let mut cpus = record.header.machine.cpus.iter();
    let cpu = cpus.find(|known| known.id == worker.cpu);
    let Some((load, cpu)) = load.zip(cpu) else {
        return;
    };
    for (index, name) in load.kernels.iter().enumerate() {
        let Some(class) = record.header.class_of(name) else {
            continue;
        };
        let probed = groups.entry((class, cpu.kind.clone())).or_default();
        let mhz = worker.clock_mhz.get(index).copied().unwrap_or(0.0);
        if mhz.is_finite() && mhz > 0.0 {
            let known = probed.best.entry(cpu.core).or_default();
            *known = known.max(mhz);
            match load.rhythm {
                Rhythm::Even => probed.even.push(mhz),
                Rhythm::Pulsed { .. } | Rhythm::Sparse { .. } => probed.other.push(mhz),
            }
        } else if worker.checked_s.get(index).copied().unwrap_or(0.0) >= PROBED_BY_S {
            probed.disturbed.insert(cpu.core);
        }
    }
}
