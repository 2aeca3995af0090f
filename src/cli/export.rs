//! `export`: a run in a file, for another machine or for a spreadsheet.

use std::io::{self, BufWriter, Write};

use super::arguments::{ExportArguments, StoreArguments};
use super::run::open_store;
use super::through::find;
use super::{Exit, Failure, tell};
use crate::model::Record;
use crate::os;
use crate::report::write_table;
use crate::service::write_export;
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
    let left_out = write_export(rows, to)?;
    if !left_out.is_empty() {
        tell(&format!(
            "warning: {} rows of run {number} are damaged or missing and are not in the export, which \
             says so",
            left_out.len()
        ));
    }
    Ok(())
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
