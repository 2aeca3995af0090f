//! Closes every run of a record that was cut short on this machine.

use std::path::Path;
use std::time::Duration;

use super::decide::entries_of;
use super::gather::gather_aftermath;
use crate::model::{Entry, Machine, Record, Verdict};
use crate::os::{self, HoldRecordError, RecordHold, Root};
use crate::store::{ReadStoreError, RunSummary, Store, WriteStoreError};
use crate::verdict;

/// Runs that were cut short could not be closed.
#[derive(Debug, thiserror::Error)]
pub enum RecoverRunsError {
    /// The record may not be held, so nobody knows whether a run is alive.
    #[error(transparent)]
    Hold(HoldRecordError),
    /// The list of runs cannot be read.
    #[error(transparent)]
    Read(#[from] ReadStoreError),
    /// What was concluded cannot be written.
    #[error(transparent)]
    Write(#[from] WriteStoreError),
}

/// A run that was closed just now.
#[derive(Debug)]
pub struct ClosedRun {
    /// Its number.
    pub number: i64,
    /// All of it.
    pub record: Record,
    /// What it came to.
    pub verdict: Verdict,
}

/// A run without an end that was left as it is.
#[derive(Debug)]
pub struct LeftRun {
    /// Its number.
    pub number: i64,
    /// Why.
    pub reason: String,
}

/// What became of the runs without an end.
#[derive(Debug, Default)]
pub struct Recovery {
    /// Closed and judged.
    pub closed: Vec<ClosedRun>,
    /// Judged again for an error that showed after their end.
    pub revised: Vec<ClosedRun>,
    /// Left alone.
    pub left: Vec<LeftRun>,
}

/// Closes and judges every run of `store` that was cut short on `machine`, which `root` tells of. Does
/// nothing while another process runs on this record: a run that is alive has no end either. Waits up to
/// `patience` to be sure of that: a process that died while it started another one leaves the record held
/// until that one is on its own feet.
///
/// # Errors
/// The record cannot be held, read or written; what was closed before stays closed.
pub fn recover_cut_runs(
    store: &mut Store,
    root: &Root,
    machine: &Machine,
    patience: Duration,
) -> Result<Recovery, RecoverRunsError> {
    let mut recovery = Recovery::default();
    if unfinished(store)?.is_empty() {
        return Ok(recovery);
    }
    let folder = store
        .path()
        .parent()
        .unwrap_or(Path::new("."))
        .to_path_buf();
    let _hold = match RecordHold::take_within(&folder, patience) {
        Ok(hold) => hold,
        Err(HoldRecordError::Held(_)) => return Ok(recovery),
        Err(error) => return Err(RecoverRunsError::Hold(error)),
    };
    // Asked again under the hold: another process may have been faster.
    for run in unfinished(store)? {
        let number = run.number;
        let record = match store.record(number) {
            Ok(record) => record,
            Err(error) => {
                let reason = os::with_cause(&error);
                recovery.left.push(LeftRun { number, reason });
                continue;
            }
        };
        if !is_same_machine(&record.header.machine, machine) {
            let reason = format!(
                "it was made on another machine, `{}`: only there can be told how it ended",
                record.header.machine.host
            );
            recovery.left.push(LeftRun { number, reason });
            continue;
        }
        recovery
            .closed
            .push(close(store, root, machine, (number, record))?);
    }
    Ok(recovery)
}

/// True when some run of `store` has no end or no verdict, alive or not.
///
/// # Errors
/// The list of runs cannot be read.
pub fn has_unfinished_runs(store: &Store) -> Result<bool, ReadStoreError> {
    Ok(!unfinished(store)?.is_empty())
}

fn unfinished(store: &Store) -> Result<Vec<RunSummary>, ReadStoreError> {
    let runs = store.runs()?;
    let unfinished = runs
        .into_iter()
        .filter(|run| run.open || run.grade.is_none());
    Ok(unfinished.collect())
}

/// The same by name, or by board and processor: a host may be renamed, and a part may be replaced
/// because of this very crash.
pub(super) fn is_same_machine(one: &Machine, other: &Machine) -> bool {
    let same_parts =
        !one.board.is_empty() && (&one.board, &one.processor) == (&other.board, &other.processor);
    one.simulated == other.simulated && (one.host == other.host || same_parts)
}

fn close(
    store: &mut Store,
    root: &Root,
    machine: &Machine,
    (number, record): (i64, Record),
) -> Result<ClosedRun, WriteStoreError> {
    // A run that was killed between its end and its verdict lacks the verdict only.
    let entries = if record.end.is_none() {
        let aftermath = gather_aftermath(root, &record, &machine.boot_id, os::moment());
        entries_of(&record, aftermath)
    } else {
        Vec::new()
    };
    judge_again(store, (number, record), entries)
}

/// Puts `entries` and the verdict on all of it on record, at once.
pub(super) fn judge_again(
    store: &mut Store,
    (number, mut record): (i64, Record),
    mut entries: Vec<Entry>,
) -> Result<ClosedRun, WriteStoreError> {
    for entry in &entries {
        record.apply(entry.clone());
    }
    let verdict = verdict::judge(&record);
    let entry = Entry::Verdict(Box::new(verdict.clone()));
    record.apply(entry.clone());
    entries.push(entry);
    store.append(number, &entries)?;
    Ok(ClosedRun {
        number,
        record,
        verdict,
    })
}
