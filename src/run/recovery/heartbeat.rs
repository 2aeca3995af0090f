//! The last heartbeat in words: what the machine was doing when it was last heard of. Pure.

use std::collections::BTreeSet;

use crate::model::{CpuId, Quantity, Record, Role, Sample, Wall, WorkerProgress};

/// A worker silent for longer is named.
const SILENT_NS: u64 = 2_000_000_000;
/// Most workers named one by one.
const NAMED: usize = 4;

/// When it was last heard of, in which stage, under which load, and how hot, fast and supplied it was.
pub fn heartbeat_words(record: &Record) -> String {
    let at = time_of_day(record.last_moment().wall);
    let Some(sample) = record.samples.last() else {
        return format!("last heard of at {at}, before the first sample");
    };
    let stages = &record.header.plan.stages;
    let index = usize::from(sample.stage);
    let name = stages.get(index).map_or("?", |stage| stage.name.as_str());
    let mut words = vec![format!(
        "last heard of at {at} in stage {} of {} `{name}`",
        index + 1,
        stages.len()
    )];
    words.push(load_words(record, sample));
    words.extend(silent_words(sample));
    words.extend(
        record
            .header
            .hottest_of_processor(sample)
            .map(|(label, celsius)| format!("{label} {celsius:.1} C")),
    );
    words.extend(clock_words(sample));
    words.extend(core_voltage(record, sample));
    words.join(", ")
}

/// UTC, for it is told of a machine that may be elsewhere.
pub(super) fn time_of_day(wall: Wall) -> String {
    jiff::Timestamp::from_millisecond(wall.0).map_or_else(
        |_| "an unknown time".to_owned(),
        |at| at.strftime("%Y-%m-%d %H:%M:%S UTC").to_string(),
    )
}

fn load_words(record: &Record, sample: &Sample) -> String {
    if sample.workers.is_empty() {
        return "without load".to_owned();
    }
    let kernels: BTreeSet<String> = sample
        .workers
        .iter()
        .filter_map(|worker| kernel_of(record, sample, worker))
        .collect();
    let kernels: Vec<String> = kernels.into_iter().collect();
    let pausing = sample.workers.iter().filter(|worker| worker.pausing);
    let pausing = match pausing.count() {
        0 => String::new(),
        count => format!(" ({count} pausing)"),
    };
    let workers = sample.workers.len();
    let plural = if workers == 1 { "" } else { "s" };
    format!(
        "{} on {workers} cpu{plural}{pausing}",
        kernels.join(" and ")
    )
}

fn kernel_of(record: &Record, sample: &Sample, worker: &WorkerProgress) -> Option<String> {
    let plan = &record.header.plan;
    let load = plan.load(sample.stage, sample.segment, worker.load)?;
    load.kernels.get(usize::from(worker.kernel)).cloned()
}

/// Workers that had stood still before the end: a core that hangs takes some time to take the rest along.
fn silent_words(sample: &Sample) -> Option<String> {
    let silent = sample.workers.iter();
    let silent: Vec<CpuId> = silent
        .filter(|worker| worker.silent_ns > SILENT_NS && !worker.pausing)
        .map(|worker| worker.cpu)
        .collect();
    let named: Vec<String> = silent.iter().take(NAMED).map(CpuId::to_string).collect();
    let more = match silent.len().saturating_sub(NAMED) {
        0 => String::new(),
        more => format!(" and {more} more"),
    };
    (!silent.is_empty()).then(|| format!("no progress on {}{more}", named.join(", ")))
}

/// Core clocks under the kernels that ran, MHz.
pub(super) fn clocks(sample: &Sample) -> Vec<f64> {
    let clock = |worker: &WorkerProgress| {
        let clock = worker.clock_mhz.get(usize::from(worker.kernel)).copied();
        clock.filter(|mhz| *mhz > 0.0)
    };
    sample.workers.iter().filter_map(clock).collect()
}

fn clock_words(sample: &Sample) -> Option<String> {
    let clocks = clocks(sample);
    let low = clocks.iter().copied().reduce(f64::min)?;
    let high = clocks.iter().copied().reduce(f64::max)?;
    Some(format!("clock {low:.0} to {high:.0} MHz"))
}

fn core_voltage(record: &Record, sample: &Sample) -> Option<String> {
    let mut channels = record.header.channels.iter().filter(|channel| {
        channel.quantity == Quantity::Voltage && channel.role == Role::CoreVoltage
    });
    channels.find_map(|channel| {
        let millivolts = sample.reading(channel.id)?;
        Some(format!("{} {millivolts:.0} mV", channel.label))
    })
}
