//! Errors that show only after a run has ended: hardware that does not announce corrected errors is
//! looked at every `check_interval`, and a log may be read late. Such an error adds a finding and a new
//! verdict to the run under whose load it was made; the first verdict stays on record.

use std::time::Duration;

use super::close::{ClosedRun, RecoverRunsError, is_same_machine, judge_again};
use crate::model::{Entry, Finding, FindingKind, Machine, Moment, Mono, Record};
use crate::os::{self, Root};
use crate::sensors::{
    JournalLine, LogEvent, LogRecord, join_details, parse_event, read_boot_journal,
    read_check_interval,
};
use crate::store::Store;

/// Who told of such an error.
const SOURCE: &str = "journal";
/// Runs that are looked at, the newest first: older ones were, when they were the newest.
const NEWEST: usize = 3;
/// Where the machine does not tell how often it looks (the kernel's default).
const USUAL_INTERVAL: Duration = Duration::from_secs(300);

/// Adds errors that the log of this boot holds from the time right after the newest runs, and judges those
/// runs again.
///
/// # Errors
/// The record cannot be read or written.
pub fn add_late_errors(
    store: &mut Store,
    root: &Root,
    machine: &Machine,
) -> Result<Vec<ClosedRun>, RecoverRunsError> {
    let mut revised = Vec::new();
    let runs = store.runs()?;
    let mut until_next = Mono(u64::MAX);
    let mut lines: Option<Vec<JournalLine>> = None;
    for run in runs.iter().rev().take(NEWEST) {
        if run.boot_id != machine.boot_id || run.open {
            continue;
        }
        let Ok(record) = store.record(run.number) else {
            continue;
        };
        let next = std::mem::replace(&mut until_next, record.header.started.mono);
        if !is_same_machine(&record.header.machine, machine) {
            continue;
        }
        let lines = lines.get_or_insert_with(|| {
            read_boot_journal(root, &machine.boot_id).unwrap_or_else(|error| {
                tracing::debug!(error = os::with_cause(&error), "no late errors to be had");
                Vec::new()
            })
        });
        let interval = read_check_interval(root).unwrap_or(USUAL_INTERVAL);
        let late = late_errors(&record, lines, next.min(record.last_known().plus(interval)));
        if !late.is_empty() {
            revised.push(judge_again(store, (run.number, record), late)?);
        }
    }
    Ok(revised)
}

/// Errors between the end of `record` and `until` that it does not hold yet.
fn late_errors(record: &Record, lines: &[JournalLine], until: Mono) -> Vec<Entry> {
    let end = record.last_known();
    let of_kernel: Vec<&JournalLine> = lines.iter().filter(|line| line.kernel).collect();
    let late = of_kernel
        .iter()
        .enumerate()
        .filter(|(_, line)| line.mono > end && line.mono <= until);
    let findings = late.filter_map(|(index, line)| {
        let Some(LogEvent::Error {
            severity, count, ..
        }) = parse_event(&LogRecord::kept(&line.text))
        else {
            return None;
        };
        let behind = of_kernel[index + 1..].iter().map(|line| line.text.as_str());
        let kind = FindingKind::HardwareError {
            severity,
            source: SOURCE.to_owned(),
            text: join_details(&line.text, behind),
            count,
        };
        let at = Moment {
            mono: line.mono,
            wall: line.wall,
        };
        // Another look may find more lines behind it.
        let known = |finding: &Finding| finding.at == at && begins_with(&finding.kind, line);
        (!record.findings.iter().any(known)).then(|| {
            Entry::Finding(Finding {
                at,
                stage: "after the end".to_owned(),
                cpu: None,
                kernel: None,
                temperature_c: None,
                clock_mhz: None,
                kind,
                events: count,
            })
        })
    });
    findings.collect()
}

/// True for the error of `line`, with or without what lines behind it tell.
fn begins_with(kind: &FindingKind, line: &JournalLine) -> bool {
    let FindingKind::HardwareError { source, text, .. } = kind else {
        return false;
    };
    let details = text.strip_prefix(&line.text);
    source == SOURCE && details.is_some_and(|rest| rest.is_empty() || rest.starts_with("; "))
}
