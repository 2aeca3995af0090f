//! Samples as a table for spreadsheets: CSV (RFC 4180), a row a sample, units in the head.

use std::collections::BTreeMap;
use std::io::Write;

use super::super::page::escape;
use super::super::units::rfc3339;
use crate::model::{ChannelId, CpuId, Record, Sample, WorkerProgress};

/// A table could not be written.
#[derive(Debug, thiserror::Error)]
#[error("cannot write the table")]
pub struct WriteTableError(#[from] csv::Error);

/// Columns of each CPU, with their units.
const OF_CPU: [&str; 6] = [
    "kernel",
    "passes [count]",
    "checked [s]",
    "clock [MHz]",
    "errors [count]",
    "silent [s]",
];

/// Writes all samples of `record`. A reading or a worker that was not there is an empty cell.
///
/// # Errors
/// The other end takes no more.
pub fn write_table(record: &Record, to: impl Write) -> Result<(), WriteTableError> {
    let mut writer = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(to);
    let header = &record.header;
    let channels: Vec<ChannelId> = header.channels.iter().map(|channel| channel.id).collect();
    let cpus: Vec<CpuId> = header.machine.cpus.iter().map(|cpu| cpu.id).collect();
    writer.write_record(head(record))?;
    for sample in &record.samples {
        writer.write_record(row(record, sample, (&channels, &cpus)))?;
    }
    writer.flush().map_err(csv::Error::from)?;
    Ok(())
}

fn head(record: &Record) -> Vec<String> {
    let header = &record.header;
    let since = if header.machine.simulated {
        "since start [s] (simulated machine)"
    } else {
        "since start [s]"
    };
    let mut cells: Vec<String> = [since, "wall clock [UTC]", "stage", "segment"]
        .map(str::to_owned)
        .to_vec();
    for channel in &header.channels {
        let unit = channel.quantity.unit();
        cells.push(words(&format!("{} [{unit}]", channel.label)));
    }
    for cpu in &header.machine.cpus {
        cells.extend(OF_CPU.map(|name| format!("{} {name}", cpu.id)));
    }
    cells
}

fn row(
    record: &Record,
    sample: &Sample,
    (channels, cpus): (&[ChannelId], &[CpuId]),
) -> Vec<String> {
    let header = &record.header;
    let stage = header.plan.stages.get(usize::from(sample.stage));
    let mut cells = vec![
        format!("{:.3}", sample.at.mono.seconds_since(header.started.mono)),
        rfc3339(sample.at.wall).unwrap_or_default(),
        words(stage.map_or("", |stage| &stage.name)),
        (sample.segment + 1).to_string(),
    ];
    let readings: BTreeMap<ChannelId, f64> = sample
        .readings
        .iter()
        .map(|reading| (reading.channel, reading.value))
        .collect();
    cells.extend(channels.iter().map(|channel| {
        let reading = readings.get(channel);
        reading.map_or_else(String::new, ToString::to_string)
    }));
    let workers: BTreeMap<CpuId, &WorkerProgress> = sample
        .workers
        .iter()
        .map(|worker| (worker.cpu, worker))
        .collect();
    for cpu in cpus {
        match workers.get(cpu) {
            Some(worker) => cells.extend(of_worker(record, sample, worker)),
            None => cells.extend(OF_CPU.map(|_| String::new())),
        }
    }
    cells
}

fn of_worker(record: &Record, sample: &Sample, worker: &WorkerProgress) -> [String; 6] {
    let plan = &record.header.plan;
    let load = plan.load(sample.stage, sample.segment, worker.load);
    let index = usize::from(worker.kernel);
    let kernel = load.and_then(|load| load.kernels.get(index));
    let clock = worker.clock_mhz.get(index).filter(|mhz| **mhz > 0.0);
    #[expect(clippy::cast_precision_loss, reason = "shown in milliseconds")]
    let silent_s = worker.silent_ns as f64 / 1e9;
    [
        words(kernel.map_or("", |name| name)),
        worker.passes.iter().sum::<u64>().to_string(),
        format!("{:.3}", worker.checked_s.iter().sum::<f64>()),
        clock.map_or_else(String::new, ToString::to_string),
        worker.errors.to_string(),
        format!("{silent_s:.3}"),
    ]
}

/// A text as a cell. A spreadsheet takes a cell that begins with one of `= + - @` or white space for a
/// formula (OWASP, CSV Injection); an apostrophe in front makes it a text.
fn words(text: &str) -> String {
    let safe = escape(text);
    let begins = |c: char| "=+-@|%".contains(c) || c.is_whitespace() || c.is_control();
    // Full-width forms of the same signs count too.
    let wide = |c: char| "\u{ff1d}\u{ff0b}\u{ff0d}\u{ff20}".contains(c);
    if text.starts_with(|c: char| begins(c) || wide(c)) {
        format!("'{safe}")
    } else {
        safe
    }
}
