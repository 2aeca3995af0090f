//! Whether each core goes on under an even load as fast as it began. A clock probe alone does not tell:
//! a core that is held back by skipped cycles still shows its full clock between them. The rate of
//! checked passes does; the cycles of a pass are the same all along, so rate over rate is effective clock
//! over effective clock.
//!
//! Other programs slow a core too. So an interval counts only where the worker had the CPU, the best
//! interval of a stretch speaks for it, and loads that share caches or memory with the rest of the machine
//! are left out.

use std::collections::BTreeMap;

use super::exposure::Place;
use super::statistics::median;
use crate::model::{CpuId, LoadClass, Mono, Record, Rhythm, Sample, WorkerProgress};

/// Intervals that are compared: so many at the start, and as many in a row later.
const STRETCH: usize = 10;
/// Share of an interval in which the worker had to be computing for it to count.
const UNDISTURBED: f64 = 0.9;
/// Fewest passes and seconds of a kernel in an interval: a rate needs some.
const LEAST_PASSES: u64 = 3;
const LEAST_S: f64 = 0.2;
/// Levels of memory that a core has to itself; kernels are named `unit.level`.
const OWN_LEVELS: [&str; 3] = [".reg", ".l1", ".l2"];

/// What the worst stretch of one kernel on one CPU came to, against its own start.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Course {
    /// Where.
    pub(super) cpu: CpuId,
    /// Under which kernel.
    pub(super) kernel: String,
    /// Lowest rate of passes at equal clock probe, 1 at the start.
    pub(super) effective: f64,
    /// Lowest clock probe, 1 at the start.
    pub(super) clock: f64,
    /// How near the hottest processor thermometer was to its limit when the clock was lowest, in degrees
    /// (negative above it); none without a reading.
    pub(super) below_limit_c: Option<f64>,
}

/// One kernel between two samples.
#[derive(Debug, Clone, Copy)]
struct Interval {
    passes_a_second: f64,
    probe_mhz: f64,
    below_limit_c: Option<f64>,
}

/// Every kernel on every CPU that was seen long enough.
pub(super) fn courses(record: &Record) -> Vec<Course> {
    let mut courses = Vec::new();
    for ((place, cpu, index), intervals) in intervals(record) {
        let load = record.header.plan.load(place.0, place.1, place.2);
        let kernel = load.and_then(|load| load.kernels.get(index));
        if let Some((kernel, course)) = kernel.zip(worst(&intervals)) {
            courses.push(Course {
                cpu,
                kernel: kernel.clone(),
                ..course
            });
        }
    }
    courses
}

fn worst(intervals: &[Interval]) -> Option<Course> {
    if intervals.len() < 2 * STRETCH {
        return None;
    }
    let (start, later) = intervals.split_at(STRETCH);
    let values = |of: fn(&Interval) -> f64| start.iter().map(of).collect::<Vec<f64>>();
    let rate = median(&values(|interval| interval.passes_a_second))?;
    let probe = median(&values(|interval| interval.probe_mhz))?;
    let mut course = Course {
        cpu: CpuId(0),
        kernel: String::new(),
        effective: f64::INFINITY,
        clock: f64::INFINITY,
        below_limit_c: None,
    };
    for stretch in later.windows(STRETCH) {
        let best = |of: fn(&Interval) -> f64| stretch.iter().map(of).fold(0.0, f64::max);
        let clock = best(|interval| interval.probe_mhz) / probe;
        let effective = best(|interval| interval.passes_a_second) / rate / clock;
        course.effective = course.effective.min(effective);
        if clock < course.clock {
            course.clock = clock;
            let readings = stretch.iter().filter_map(|interval| interval.below_limit_c);
            course.below_limit_c = readings.reduce(f64::min);
        }
    }
    Some(course)
}

type Key = (Place, CpuId, usize);

fn intervals(record: &Record) -> BTreeMap<Key, Vec<Interval>> {
    let mut last: BTreeMap<(Place, CpuId), (Mono, &WorkerProgress)> = BTreeMap::new();
    let mut all: BTreeMap<Key, Vec<Interval>> = BTreeMap::new();
    for sample in &record.samples {
        for worker in &sample.workers {
            let place = (sample.stage, sample.segment, worker.load);
            let before = last.insert((place, worker.cpu), (sample.at.mono, worker));
            let Some((since, before)) = before else {
                continue;
            };
            let span_s = sample.at.mono.seconds_since(since);
            for (index, interval) in between(record, sample, (before, worker), span_s) {
                all.entry((place, worker.cpu, index))
                    .or_default()
                    .push(interval);
            }
        }
    }
    all
}

/// The kernels that ran between two samples, if the worker was undisturbed.
fn between(
    record: &Record,
    sample: &Sample,
    (before, now): (&WorkerProgress, &WorkerProgress),
    span_s: f64,
) -> Vec<(usize, Interval)> {
    let load = record
        .header
        .plan
        .load(sample.stage, sample.segment, now.load);
    let Some(load) = load.filter(|load| load.rhythm == Rhythm::Even) else {
        return Vec::new();
    };
    let grown = |index: usize| {
        let value = |worker: &WorkerProgress| worker.checked_s.get(index).copied().unwrap_or(0.0);
        value(now) - value(before)
    };
    let computing: f64 = (0..load.kernels.len()).map(grown).sum();
    if !computing.is_finite() || computing < UNDISTURBED * span_s {
        return Vec::new();
    }
    let below_limit_c = below_limit(record, sample);
    let ran = load.kernels.iter().enumerate().filter_map(|(index, name)| {
        let count = |worker: &WorkerProgress| worker.passes.get(index).copied().unwrap_or(0);
        let passes = count(now).saturating_sub(count(before));
        let probe_mhz = now.clock_mhz.get(index).copied().unwrap_or(0.0);
        let enough = passes >= LEAST_PASSES && grown(index) >= LEAST_S && probe_mhz > 0.0;
        if !enough || !is_own(record, name) {
            return None;
        }
        #[expect(clippy::cast_precision_loss, reason = "passes between two samples")]
        let passes_a_second = passes as f64 / grown(index);
        let interval = Interval {
            passes_a_second,
            probe_mhz,
            below_limit_c,
        };
        Some((index, interval))
    });
    ran.collect()
}

/// True for kernels whose speed depends on their core alone.
fn is_own(record: &Record, name: &str) -> bool {
    let computes = match record.header.class_of(name) {
        Some(LoadClass::ScalarInteger | LoadClass::ScalarFloat | LoadClass::WideVector) => true,
        Some(LoadClass::Memory | LoadClass::Contention) | None => false,
    };
    computes && OWN_LEVELS.iter().any(|level| name.ends_with(level))
}

/// Degrees between the hottest processor thermometer and its own limit (without one: the judged limit).
fn below_limit(record: &Record, sample: &Sample) -> Option<f64> {
    let judged_c = record.header.plan.heat.judged_c;
    let thermometers = record.header.processor_thermometers();
    let left = thermometers.filter_map(|channel| {
        let reading = sample.reading(channel.id)?;
        Some(channel.limit.unwrap_or(judged_c) - reading)
    });
    left.filter(|left| left.is_finite()).reduce(f64::min)
}
