//! Figures for monitoring, as OpenMetrics text: base units, one unit a metric, and nothing where nothing
//! is known (a gauge without a reading is left out, it is not zero).

use std::collections::BTreeMap;
use std::fmt;
use std::sync::atomic::AtomicU64;

use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::metrics::info::Info;
use prometheus_client::registry::{Registry, Unit};
use serde::Serialize;

use crate::model::{Channel, Grade, JobState, Quantity, Sample, Wall, WorkerProgress};
use crate::report::QueueView;
use crate::store::RunSummary;

/// What the text says it is.
pub(super) const CONTENT_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

type Labels = Vec<(&'static str, String)>;
type Gauges = Family<Labels, Gauge<f64, AtomicU64>>;
type Counters = Family<Labels, Counter<f64, AtomicU64>>;

/// What is known at one instant.
#[derive(Debug)]
pub struct Figures<'a> {
    /// The queue and what holds it.
    pub queue: &'a QueueView,
    /// Runs on record, oldest first.
    pub runs: &'a [RunSummary],
    /// The run under way.
    pub live: Option<Live<'a>>,
}

/// The run under way.
#[derive(Debug)]
pub struct Live<'a> {
    /// Its line in the list.
    pub summary: &'a RunSummary,
    /// What its readings are of.
    pub channels: &'a [Channel],
    /// The last sample on record.
    pub sample: Option<&'a Sample>,
}

/// Renders `figures` as OpenMetrics 1.0 text.
///
/// # Errors
/// Never for figures of ours: writing to a text does not fail.
pub fn render_metrics(figures: &Figures<'_>) -> Result<String, fmt::Error> {
    let mut registry = Registry::with_prefix("soakproof");
    add_service(&mut registry, figures);
    add_last_run(&mut registry, figures.runs);
    if let Some(live) = &figures.live {
        add_live(&mut registry, live);
        if let Some(sample) = live.sample {
            add_sensors(&mut registry, live.channels, sample);
            add_workers(&mut registry, &sample.workers);
        }
    }
    let mut text = String::new();
    encode(&mut text, &registry)?;
    Ok(text)
}

fn add_service(registry: &mut Registry, figures: &Figures<'_>) {
    let build = Info::new(vec![("version", env!("CARGO_PKG_VERSION"))]);
    registry.register("build", "Version of the program", build);
    let active = gauges(&[(Labels::new(), f64::from(u8::from(figures.live.is_some())))]);
    registry.register("run_active", "1 while a run is under way", active);

    let jobs = figures.queue.jobs.iter().map(|line| &line.job.state);
    let waiting = jobs.filter(|state| **state == JobState::Waiting).count();
    let waiting = gauges(&[(Labels::new(), count(waiting))]);
    registry.register("queue_waiting_jobs", "Jobs that wait in the queue", waiting);

    let holds: Vec<(Labels, f64)> = figures
        .queue
        .holds
        .iter()
        .map(|hold| (vec![("kind", word(&hold.kind))], 1.0))
        .collect();
    if !holds.is_empty() {
        let about = "1 for each reason why nothing starts from the queue";
        registry.register("queue_held", about, gauges(&holds));
    }
}

fn add_last_run(registry: &mut Registry, runs: &[RunSummary]) {
    let mut grades: BTreeMap<Grade, usize> = BTreeMap::new();
    for grade in runs.iter().filter_map(|run| run.grade) {
        *grades.entry(grade).or_default() += 1;
    }
    let recorded: Vec<(Labels, f64)> = grades
        .into_iter()
        .map(|(grade, runs)| (vec![("grade", word(&grade))], count(runs)))
        .collect();
    if !recorded.is_empty() {
        let about = "Runs on record by the grade that holds";
        registry.register("recorded_runs", about, gauges(&recorded));
    }
    let judged = runs
        .iter()
        .rev()
        .find_map(|run| Some((run, run.grade?, run.ended?)));
    if let Some((run, grade, ended)) = judged {
        let labels = vec![
            ("grade", word(&grade)),
            ("suite", run.suite.clone()),
            ("run", run.number.to_string()),
        ];
        registry.register(
            "last_run",
            "The last run that was judged",
            Info::new(labels),
        );
        let ended = gauges(&[(Labels::new(), seconds(ended))]);
        let about = "When the last run that was judged ended, since 1970-01-01T00:00:00Z";
        registry.register_with_unit("last_run_end_timestamp", about, Unit::Seconds, ended);
    }
}

fn add_live(registry: &mut Registry, live: &Live<'_>) {
    let labels = vec![
        ("suite", live.summary.suite.clone()),
        ("run", live.summary.number.to_string()),
    ];
    registry.register("run", "The run under way", Info::new(labels));
    let alone = |value| gauges(&[(Labels::new(), value)]);
    let started = alone(seconds(live.summary.started));
    let about = "When the run under way began, since 1970-01-01T00:00:00Z";
    registry.register_with_unit("run_start_timestamp", about, Unit::Seconds, started);
    #[expect(clippy::cast_precision_loss, reason = "far below 2^53 findings")]
    let findings = alone(live.summary.findings as f64);
    registry.register("run_findings", "Findings of the run under way", findings);
    if let Some(sample) = live.sample {
        let at = alone(seconds(sample.at.wall));
        let about = "When the readings were taken, since 1970-01-01T00:00:00Z";
        registry.register_with_unit("sample_timestamp", about, Unit::Seconds, at);
    }
}

/// Name, unit, factor from the channel's unit to the base unit, and what is told.
type Shown = (&'static str, Unit, f64, &'static str);

/// How a quantity that goes up and down is shown; none for counts.
fn shown(quantity: Quantity) -> Option<Shown> {
    let hertz = || Unit::Other("hertz".to_owned());
    match quantity {
        Quantity::Temperature => Some(("sensor_temperature", Unit::Celsius, 1.0, "Temperature")),
        Quantity::Voltage => Some(("sensor_voltage", Unit::Volts, 1e-3, "Voltage")),
        Quantity::Current => Some(("sensor_current", Unit::Amperes, 1.0, "Current")),
        Quantity::Power => {
            let watts = Unit::Other("watts".to_owned());
            Some(("sensor_power", watts, 1.0, "Power"))
        }
        Quantity::Fan => Some((
            "sensor_rotation",
            hertz(),
            1.0 / 60.0,
            "Revolutions of a fan or pump",
        )),
        Quantity::Clock => Some((
            "sensor_clock",
            hertz(),
            1e6,
            "Clock as the operating system states it",
        )),
        Quantity::ThrottleEvents | Quantity::CorrectedErrors | Quantity::UncorrectedErrors => None,
    }
}

/// How a count is called.
fn counted(quantity: Quantity) -> Option<(&'static str, &'static str)> {
    match quantity {
        Quantity::ThrottleEvents => Some((
            "throttle_events",
            "Times that the processor slowed itself down",
        )),
        Quantity::CorrectedErrors => {
            Some(("corrected_errors", "Memory errors that hardware corrected"))
        }
        Quantity::UncorrectedErrors => Some((
            "uncorrected_errors",
            "Memory errors that hardware could not correct",
        )),
        Quantity::Temperature
        | Quantity::Voltage
        | Quantity::Fan
        | Quantity::Current
        | Quantity::Power
        | Quantity::Clock => None,
    }
}

fn add_sensors(registry: &mut Registry, channels: &[Channel], sample: &Sample) {
    let mut quantities: Vec<Quantity> = channels.iter().map(|channel| channel.quantity).collect();
    quantities.sort_unstable();
    quantities.dedup();
    for quantity in quantities {
        let read: Vec<(Labels, f64)> = channels
            .iter()
            .filter(|channel| channel.quantity == quantity)
            .filter_map(|channel| Some((labels_of(channel), sample.reading(channel.id)?)))
            .collect();
        if read.is_empty() {
            continue;
        }
        if let Some((name, unit, factor, about)) = shown(quantity) {
            let scaled: Vec<(Labels, f64)> = read
                .into_iter()
                .map(|(labels, value)| (labels, value * factor))
                .collect();
            registry.register_with_unit(name, about, unit, gauges(&scaled));
        } else if let Some((name, about)) = counted(quantity) {
            registry.register(name, about, counters(read));
        }
    }
}

/// The number keeps channels apart that drivers call the same.
fn labels_of(channel: &Channel) -> Labels {
    vec![
        ("channel", channel.id.0.to_string()),
        ("chip", channel.chip.clone()),
        ("label", channel.label.clone()),
        ("role", word(&channel.role)),
    ]
}

fn add_workers(registry: &mut Registry, workers: &[WorkerProgress]) {
    let of_cpu = |value: fn(&WorkerProgress) -> f64| {
        let each = workers.iter();
        counters(each.map(|worker| (vec![("cpu", worker.cpu.0.to_string())], value(worker))))
    };
    #[expect(clippy::cast_precision_loss, reason = "far below 2^53 passes")]
    let passes = of_cpu(|worker| worker.passes.iter().sum::<u64>() as f64);
    registry.register(
        "worker_passes",
        "Completed, checked passes of a worker",
        passes,
    );
    let checked = of_cpu(|worker| worker.checked_s.iter().sum());
    let about = "Time of completed, checked passes of a worker";
    registry.register_with_unit("worker_checked", about, Unit::Seconds, checked);
    #[expect(clippy::cast_precision_loss, reason = "far below 2^53 errors")]
    let errors = of_cpu(|worker| worker.errors as f64);
    registry.register(
        "worker_errors",
        "Wrong answers and memory faults of a worker",
        errors,
    );
}

fn gauges(values: &[(Labels, f64)]) -> Gauges {
    let family = Gauges::default();
    for (labels, value) in values {
        family.get_or_create(labels).set(*value);
    }
    family
}

fn counters(values: impl IntoIterator<Item = (Labels, f64)>) -> Counters {
    let family = Counters::default();
    for (labels, value) in values {
        family.get_or_create(&labels).inc_by(value);
    }
    family
}

/// As it is called in JSON.
fn word(what: &impl Serialize) -> String {
    let form = serde_json::to_value(what).unwrap_or_default();
    form.as_str().unwrap_or_default().to_owned()
}

#[expect(
    clippy::cast_precision_loss,
    reason = "milliseconds of this age are below 2^53"
)]
fn seconds(at: Wall) -> f64 {
    at.0 as f64 / 1000.0
}

#[expect(clippy::cast_precision_loss, reason = "counts of jobs and runs")]
fn count(number: usize) -> f64 {
    number as f64
}
