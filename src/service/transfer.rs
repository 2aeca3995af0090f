//! Rows as the store keeps them, as the lines in which they travel.

use std::io::{self, Write};

use crate::model::{Entry, RunHeader};
use crate::report::{Digest, TransferRow, export_end, export_head, export_row};
use crate::store::StoredRow;

/// Writes the export of the run that `rows` hold. Gives the numbers of rows that are damaged or missing and
/// so are not in it.
///
/// # Errors
/// The header is damaged, or the other end takes no more.
pub fn write_export(rows: Vec<StoredRow>, to: &mut dyn Write) -> io::Result<Vec<i64>> {
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
    Ok(left_out)
}

/// The row as a line.
///
/// # Errors
/// Its number, where it is not what was written.
pub fn whole_line(row: StoredRow) -> Result<String, i64> {
    let seq = row.seq;
    let whole = if seq == 0 {
        row.decode::<RunHeader>().is_ok()
    } else {
        row.decode::<Entry>().is_ok()
    };
    let row = TransferRow {
        seq,
        kind: row.kind,
        body: row.body,
        crc: row.crc,
    };
    export_row(&row).filter(|_| whole).ok_or(seq)
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
