//! `export`: a run in a file, for another machine or for a spreadsheet.

use std::io::{self, BufWriter, Write};

use super::arguments::{ExportArguments, StoreArguments};
use super::run::open_store;
use super::through::find;
use super::{Exit, Failure, tell};
use crate::model::{Record, RunHeader};
use crate::os;
use crate::report::{Digest, TransferRow, export_end, export_head, export_row, write_table};
use crate::store::{StoredRow, record_of};

/// Rows that are read at once.
const PAGE: u32 = 500;

/// Writes one run.
pub(super) fn export(wanted: &ExportArguments) -> Result<Exit, Failure> {
    let (number, rows) = find_rows(&wanted.place.as_store(), &wanted.run)?;
    let fill = |to: &mut dyn Write| {
        if wanted.csv {
            let record = fold(number, rows).map_err(io::Error::other)?;
            write_table(&record, to).map_err(io::Error::other)
        } else {
            write_rows(number, rows, to)
        }
    };
    match &wanted.to {
        Some(path) => os::write_file(path, fill)?,
        None => {
            let mut output = BufWriter::new(io::stdout().lock());
            fill(&mut output).and_then(|()| output.flush())?;
        }
    }
    Ok(Exit::Fine)
}

fn write_rows(number: i64, rows: Vec<StoredRow>, to: &mut dyn Write) -> io::Result<()> {
    let header: RunHeader = rows
        .first()
        .filter(|row| row.seq == 0)
        .and_then(|row| row.decode().ok())
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
    if !left_out.is_empty() {
        tell(&format!(
            "warning: {} rows of run {number} are damaged or missing and are not in the export, which \
             says so",
            left_out.len()
        ));
    }
    Ok(())
}

/// The row as a line; its number where it is not what was written.
pub(super) fn whole_line(row: StoredRow) -> Result<String, i64> {
    let seq = row.seq;
    let whole = if seq == 0 {
        row.decode::<RunHeader>().is_ok()
    } else {
        row.decode::<crate::model::Entry>().is_ok()
    };
    let row = TransferRow {
        seq,
        kind: row.kind,
        body: row.body,
        crc: row.crc,
    };
    export_row(&row).filter(|_| whole).ok_or(seq)
}

/// Number and rows of the run that `word` names, through the service where there is one.
pub(super) fn find_rows(
    wanted: &StoreArguments,
    word: &str,
) -> Result<(i64, Vec<StoredRow>), Failure> {
    if let Some(service) = find(wanted, None)? {
        return service.wait(async |client| client.rows(word).await);
    }
    let store = open_store(wanted.store.as_deref())?;
    let number = store.find_run(word).map_err(Failure::usage)?;
    let mut rows = store.rows(number, -1, PAGE)?;
    while let Some(after) = rows.last().map(|row| row.seq) {
        let page = store.rows(number, after, PAGE)?;
        if page.is_empty() {
            break;
        }
        rows.extend(page);
    }
    Ok((number, rows))
}

/// The record that rows hold.
pub(super) fn fold(number: i64, rows: Vec<StoredRow>) -> anyhow::Result<Record> {
    record_of(number, rows).map_err(|row| anyhow::anyhow!("the record is damaged: {row}"))
}
