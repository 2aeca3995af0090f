//! Rows as the store keeps them, as the lines in which they travel.

use std::io::{self, Write};

use crate::model::{Record, RunHeader};
use crate::report::{
    Digest, RunLine, SheetFacts, TransferRow, export_end, export_head, export_row,
};
use crate::store::{DamagedRow, RunSummary, StoredRow, record_of};

/// Writes the export of the run that `rows` hold. Gives the numbers of rows that are damaged or missing and
/// so are not in it.
///
/// # Errors
/// The header is damaged, or the other end takes no more.
pub fn write_export(rows: Vec<StoredRow>, to: &mut dyn Write) -> io::Result<Vec<i64>> {
    let header: RunHeader = rows
        .first()
        .filter(|row| row.seq == 0)
        .and_then(|row| row.header().ok())
        .ok_or_else(|| io::Error::other("the header of the run is damaged"))?;
    to.write_all(export_head(&header).as_bytes())?;
    let mut digest = Digest::default();
    let mut left_out = Vec::new();
    let mut next = 0;
    for row in rows {
        left_out.extend(next..row.seq);
        next = row.seq + 1;
        match whole_line(row) {
            Ok(line) => {
                digest.add(&line);
                to.write_all(line.as_bytes())?;
            }
            Err(seq) => left_out.push(seq),
        }
    }
    to.write_all(export_end(&digest, &left_out).as_bytes())?;
    Ok(left_out)
}

/// The row as a line.
///
/// # Errors
/// Its number, where it is not what was written.
pub fn whole_line(row: StoredRow) -> Result<String, i64> {
    let seq = row.seq;
    let whole = if seq == 0 {
        row.header().is_ok()
    } else {
        row.entry().is_ok()
    };
    let row = TransferRow {
        seq,
        kind: row.kind,
        body: row.body,
        crc: row.crc,
    };
    export_row(&row).filter(|_| whole).ok_or(seq)
}

/// A row that came as a line, as the store keeps it.
pub fn as_stored(row: TransferRow) -> StoredRow {
    StoredRow {
        seq: row.seq,
        kind: row.kind,
        body: row.body,
        crc: row.crc,
    }
}

/// A run as a line of a list.
pub fn run_line(run: RunSummary) -> RunLine {
    RunLine {
        number: run.number,
        id: run.id,
        suite: run.suite,
        host: run.host,
        started: run.started,
        ended: run.ended,
        grade: run.grade,
        findings: run.findings,
        simulated: run.simulated,
    }
}

/// There is nothing to put on a sheet.
#[derive(Debug, thiserror::Error)]
pub enum FillSheetError {
    /// A row is missing or damaged.
    #[error(
        "row {seq} of run {run} is missing or not what was written; see `soakproof runs check`"
    )]
    Row {
        /// The run.
        run: i64,
        /// The row.
        seq: i64,
    },
    /// The record cannot be read.
    #[error("the record is damaged: {0}")]
    Record(DamagedRow),
    /// Nothing to say yet.
    #[error("run {0} has no verdict yet, so there is nothing to put on a sheet")]
    Unjudged(i64),
}

/// What a sheet of run `run`, which `rows` hold, is made of.
///
/// # Errors
/// The record is damaged, or has no verdict.
pub fn fill_sheet(
    run: i64,
    rows: Vec<StoredRow>,
    serial: Option<String>,
) -> Result<(Record, SheetFacts), FillSheetError> {
    let digest = digest_of(&rows).map_err(|seq| FillSheetError::Row { run, seq })?;
    let record = record_of(run, rows).map_err(FillSheetError::Record)?;
    if record.verdict().is_none() {
        return Err(FillSheetError::Unjudged(run));
    }
    let facts = SheetFacts {
        serial,
        rows: digest.rows(),
        digest: digest.words(),
    };
    Ok((record, facts))
}

/// The digest of the rows of a run, of which every one must be what was written.
///
/// # Errors
/// The number of the first that is missing or damaged.
pub fn digest_of(rows: &[StoredRow]) -> Result<Digest, i64> {
    let mut digest = Digest::default();
    let mut next = 0;
    for row in rows {
        if row.seq != next {
            return Err(next);
        }
        next = row.seq + 1;
        digest.add(&whole_line(row.clone())?);
    }
    Ok(digest)
}
