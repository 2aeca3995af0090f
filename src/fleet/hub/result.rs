//! Taking an outcome in: believed in nothing, graded again, kept once.

use crate::fleet::floor::{Floor, parts_of_job};
use crate::fleet::protocol::{JobEnd, MachineName, Outcome, RunTold, unpack};
use crate::model::Record;
use crate::report::{check_believable, read_export, verdict_headline};
use crate::service::as_stored;
use crate::store::{ImportRunError, LengthenRunError, Store, StoredRow, record_of};
use crate::verdict;

use super::keep::{Keep, KeepError, Place};
use super::query::KeptOutcome;

/// Longest id that is taken.
const MOST_ID: usize = 260;
/// Longest serial number that is taken, in characters.
const MOST_SERIAL: usize = 80;

/// An outcome was not taken in.
#[derive(Debug, thiserror::Error)]
pub enum TakeOutcomeError {
    /// Sending it again will not help.
    #[error("{0}")]
    Refused(String),
    /// Parts of its parcel are not here.
    #[error("parts of the record are missing")]
    Incomplete,
    /// The hub's own trouble; it is tried again.
    #[error(transparent)]
    Keep(#[from] KeepError),
    /// The same, with the records.
    #[error("the hub's record cannot be written")]
    Store(#[source] Box<dyn std::error::Error + Send + Sync>),
}

fn refuse(why: impl Into<String>) -> TakeOutcomeError {
    TakeOutcomeError::Refused(why.into())
}

/// Takes `outcome` in, which came from `machine` and is to be kept under `serial`. Gives it as it is kept, with the grade that counts here.
///
/// # Errors
/// Why not; nothing is kept then.
pub(super) fn take_outcome(
    (keep, store): (&mut Keep, &mut Store),
    (machine, outcome): (&MachineName, &Outcome),
    serial: Option<String>,
    at: &Place<'_>,
) -> Result<KeptOutcome, TakeOutcomeError> {
    let mut kept = KeptOutcome::of(machine.clone(), outcome.id.clone());
    (kept.serial, kept.at, kept.copied) = (serial, outcome.at, at.now);
    if let Some((job, end)) = &outcome.job {
        kept.job = Some(job.clone());
        kept.reason = words_of(end);
        kept.job_end = Some(end.clone());
    }
    if let Some(told) = &outcome.run {
        let owner = keep.owner(&told.id)?;
        if owner.is_some_and(|owner| owner != machine.as_str()) {
            return Err(refuse("its run is on record as that of another machine"));
        }
        kept.key = told.id.clone();
        kept.run = Some(told.id.clone());
        kept.rows = Some(told.rows);
        kept.suite = Some(told.suite.clone());
        kept.grade = Some(told.grade);
        kept.grade_there = Some(told.grade);
        match &told.record {
            Some(packed) => {
                let bytes = keep.parcel(machine, &packed.sha256)?;
                if (bytes.len() as u64) < packed.bytes {
                    return Err(TakeOutcomeError::Incomplete);
                }
                let export = unpack(packed, &bytes).map_err(|error| refuse(error.to_string()))?;
                let rows = read_rows(&export, told)?;
                keep_record(store, &rows, &mut kept)?;
            }
            None => "as told; the record is too large for the line and is at the machine"
                .clone_into(&mut kept.reason),
        }
    }
    keep.put_outcome(&kept, (&outcome.id, at))?;
    Ok(kept)
}

/// Whether this machine may say that; gives the serial number under which it is kept.
///
/// # Errors
/// Why it is refused.
pub(super) fn check_outcome(
    floor: &Floor,
    machine: &MachineName,
    outcome: &Outcome,
) -> Result<Option<String>, TakeOutcomeError> {
    if outcome.machine != *machine {
        return Err(refuse(format!(
            "it is said in the name of {}",
            outcome.machine
        )));
    }
    if outcome.id.is_empty() || outcome.id.len() > MOST_ID {
        return Err(refuse("its id is none"));
    }
    if let Some(serial) = &outcome.serial
        && (serial.chars().count() > MOST_SERIAL || serial.chars().any(char::is_control))
    {
        return Err(refuse("its serial number is none"));
    }
    let registered = floor.machine(machine);
    let fixed = registered.and_then(|registered| registered.serial.clone());
    if let (Some(fixed), Some(told)) = (&fixed, &outcome.serial)
        && fixed != told
    {
        return Err(refuse(format!(
            "it bears the serial number `{told}`, and {machine} is registered with `{fixed}`"
        )));
    }
    let serial = outcome.serial.clone().or(fixed);
    let other = floor
        .machines()
        .find(|other| other.name != *machine && other.serial.is_some() && other.serial == serial);
    if let Some(other) = other {
        return Err(refuse(format!(
            "it bears the serial number of {}, another machine",
            other.name
        )));
    }
    match &outcome.job {
        Some((job, end)) => check_job(floor, machine, (job, end), outcome.run.as_ref())?,
        None if outcome.run.is_none() => return Err(refuse("it says nothing")),
        None => {}
    }
    Ok(serial)
}

fn check_job(
    floor: &Floor,
    machine: &MachineName,
    (job, end): (&str, &JobEnd),
    run: Option<&RunTold>,
) -> Result<(), TakeOutcomeError> {
    let known = parts_of_job(job).filter(|(order, to, _)| {
        to == machine
            && floor
                .order(order)
                .is_some_and(|(_, order)| order.to.contains(to))
    });
    if known.is_none() {
        return Err(refuse("no such job was ordered there"));
    }
    if matches!(end, JobEnd::Judged { .. }) != run.is_some() {
        return Err(refuse("a grade and a run belong together"));
    }
    Ok(())
}

fn words_of(end: &JobEnd) -> String {
    match end {
        JobEnd::Judged { .. } => String::new(),
        JobEnd::CutShort => {
            "the machine or its service went down before the run had begun".to_owned()
        }
        JobEnd::NotRun { why } => format!("not run: {why}"),
        JobEnd::Refused => "refused at the machine".to_owned(),
    }
}

fn read_rows(export: &[u8], told: &RunTold) -> Result<Vec<StoredRow>, TakeOutcomeError> {
    let rows = read_export(export).map_err(|error| refuse(format!("its record: {error}")))?;
    let rows: Vec<StoredRow> = rows.into_iter().map(as_stored).collect();
    let header = rows.first().map(StoredRow::header);
    let Some(Ok(header)) = header else {
        return Err(refuse("the header of its record is not what was written"));
    };
    check_believable(&header).map_err(|what| refuse(format!("its record: {what}")))?;
    if header.id != told.id {
        return Err(refuse("its record is that of another run"));
    }
    Ok(rows)
}

/// Puts the record where records are, or brings it up to date, and grades it.
fn keep_record(
    store: &mut Store,
    rows: &[StoredRow],
    kept: &mut KeptOutcome,
) -> Result<(), TakeOutcomeError> {
    let trouble = |error: Box<dyn std::error::Error + Send + Sync>| TakeOutcomeError::Store(error);
    let record = record_of(0, rows.to_vec()).map_err(|row| refuse(format!("its record: {row}")))?;
    if record.verdict().is_none() {
        return Err(refuse("its run was not judged"));
    }
    let number = match store.import_run(rows) {
        Ok(number) => number,
        Err(ImportRunError::Known { number }) => {
            store
                .lengthen_run(number, rows)
                .map_err(|error| match error {
                    LengthenRunError::Other { .. } | LengthenRunError::Row { .. } => {
                        refuse(format!("its record: {error}"))
                    }
                    LengthenRunError::Read(_) | LengthenRunError::Write(_) => trouble(error.into()),
                })?;
            number
        }
        Err(error @ (ImportRunError::NoHeader | ImportRunError::Row { .. })) => {
            return Err(refuse(format!("its record: {error}")));
        }
        Err(error @ ImportRunError::Write(_)) => return Err(trouble(error.into())),
    };
    describe(&record, kept);
    kept.number = Some(number);
    Ok(())
}

/// What lists are made from, by the record.
fn describe(record: &Record, kept: &mut KeptOutcome) {
    let here = verdict::judge(record);
    let machine = &record.header.machine;
    let mut parts = vec![machine.processor.clone(), machine.board.clone()];
    let standing = record.header.declared.standing.as_deref();
    let modules = standing.and_then(|standing| standing.fingerprint.modules.clone());
    parts.extend(
        modules
            .unwrap_or_default()
            .into_iter()
            .map(|module| module.part),
    );
    parts.retain(|part| !part.is_empty());
    parts.sort();
    parts.dedup();
    kept.parts = parts.join("; ");
    kept.host = Some(machine.host.clone());
    kept.simulated = machine.simulated;
    kept.suite = Some(record.header.plan.suite.clone());
    kept.grade = Some(here.grade);
    kept.grade_there = record.verdict().map(|verdict| verdict.grade);
    kept.peak_c = here.heat.as_ref().map(|heat| heat.peak_c);
    kept.reason = verdict_headline(&here);
    if kept.job_end.is_some() {
        kept.job_end = Some(JobEnd::Judged { grade: here.grade });
    }
}
