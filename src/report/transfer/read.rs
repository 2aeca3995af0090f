//! Taking an export apart again. A file from elsewhere is believed in nothing: every line is held
//! against the form, the digest and the checksum, and every refusal names its line.

use std::io::{BufRead, Read};
use std::time::Duration;

use super::form::{Digest, EXPORT_FORM, ExportEnd, ExportHead, RowLine, TransferRow};
use crate::model::{FORMAT, RunHeader};

/// Largest file that is taken in, in bytes.
pub const MOST_FILE: u64 = 2 << 30;
/// Longest line, in bytes.
pub const MOST_LINE: usize = 16 << 20;
/// Longest plan that is believed.
const MOST_LENGTH: Duration = Duration::from_secs(366 * 24 * 3600);
/// Most channels, CPUs and stages that are believed, each.
const MOST_PARTS: usize = 4096;

/// An export could not be taken apart; the place is a line of the file, from 1.
#[derive(Debug, thiserror::Error)]
#[error("line {line}: {what}")]
pub struct ReadExportError {
    /// Line.
    pub line: usize,
    /// What is wrong there, and what would be right.
    pub what: String,
}

/// The rows of an export, in order, the header's first; row n stands in line n + 2.
///
/// # Errors
/// The first line that is not as it should be.
pub fn read_export(from: impl BufRead) -> Result<Vec<TransferRow>, ReadExportError> {
    let mut lines = Lines {
        from: from.take(MOST_FILE),
        number: 0,
    };
    let Some(head) = lines.next()? else {
        return Err(lines.refuse("the file is empty"));
    };
    let head: ExportHead = serde_json::from_str(&head).map_err(|_| {
        lines.refuse("no export of this program; `soakproof export RUN --jsonl` makes one")
    })?;
    if head.export != EXPORT_FORM {
        let form = super::super::escape(&head.export);
        return Err(lines.refuse(&format!(
            "it is of the form `{form}`, this program knows `{EXPORT_FORM}`; use the newer program \
             that wrote it"
        )));
    }
    let mut rows: Vec<TransferRow> = Vec::new();
    let mut digest = Digest::default();
    loop {
        let Some(line) = lines.next()? else {
            return Err(
                lines.refuse("the file breaks off: its last line, with the digest, is missing")
            );
        };
        if let Ok(end) = serde_json::from_str::<ExportEnd>(&line) {
            check_end(&lines, &end, (&digest, &rows))?;
            return Ok(rows);
        }
        let row: RowLine<'_> = serde_json::from_str(&line)
            .map_err(|error| lines.refuse(&format!("no row of a record ({error})")))?;
        check_order(&lines, &row, rows.last())?;
        digest.add(&format!("{line}\n"));
        rows.push(TransferRow {
            seq: row.seq,
            kind: row.kind,
            body: row.body.get().to_owned(),
            crc: row.crc,
        });
    }
}

fn check_order<R: BufRead>(
    lines: &Lines<R>,
    row: &RowLine<'_>,
    before: Option<&TransferRow>,
) -> Result<(), ReadExportError> {
    match before {
        None if row.seq != 0 || row.kind != "header" => {
            Err(lines.refuse("the header of the run should stand here"))
        }
        Some(before) if row.seq <= before.seq => Err(lines.refuse(&format!(
            "row {} cannot come after row {}",
            row.seq, before.seq
        ))),
        None | Some(_) => Ok(()),
    }
}

/// Nothing may be missing but what the last line says was left out.
fn check_end<R: BufRead>(
    lines: &Lines<R>,
    end: &ExportEnd,
    (digest, rows): (&Digest, &[TransferRow]),
) -> Result<(), ReadExportError> {
    if end.rows != digest.rows() {
        return Err(lines.refuse(&format!(
            "{} rows were written and {} are in the file",
            end.rows,
            digest.rows()
        )));
    }
    let mut before = -1;
    for (index, row) in rows.iter().enumerate() {
        let hole = before + 1..row.seq;
        if let Some(missing) = hole.into_iter().find(|seq| !end.left_out.contains(seq)) {
            return Err(ReadExportError {
                line: index + 2,
                what: format!("row {missing} should stand before row {}", row.seq),
            });
        }
        before = row.seq;
    }
    if end.sha256 != digest.words() {
        return Err(lines.refuse(
            "the digest does not fit the rows: the file was damaged or altered after it was written",
        ));
    }
    Ok(())
}

/// Whether a header from elsewhere can be reckoned with: figures that no run has would overflow.
///
/// # Errors
/// What is beyond belief.
pub fn check_believable(header: &RunHeader) -> Result<(), String> {
    if header.format > FORMAT {
        return Err(format!(
            "the run has format {}, this program knows up to {FORMAT}; use the newer program that \
             wrote it",
            header.format
        ));
    }
    if uuid::Uuid::try_parse(&header.id).is_err() {
        return Err("its id is no UUID".to_owned());
    }
    let plan = &header.plan;
    let mut length = Duration::ZERO;
    for segment in plan.stages.iter().flat_map(|stage| &stage.segments) {
        length = length.saturating_add(segment.length);
    }
    if length > MOST_LENGTH {
        return Err("its plan is longer than a year".to_owned());
    }
    let parts = [
        ("channels", header.channels.len()),
        ("CPUs", header.machine.cpus.len()),
        ("stages", plan.stages.len()),
        ("kernels", header.kernels.len()),
    ];
    for (name, number) in parts {
        if number > MOST_PARTS {
            return Err(format!("it has {number} {name}, more than {MOST_PARTS}"));
        }
    }
    Ok(())
}

/// Lines with their numbers.
struct Lines<R> {
    from: std::io::Take<R>,
    number: usize,
}

impl<R: BufRead> Lines<R> {
    fn next(&mut self) -> Result<Option<String>, ReadExportError> {
        self.number += 1;
        let mut bytes = Vec::new();
        let limit = u64::try_from(MOST_LINE).unwrap_or(u64::MAX);
        let read = (&mut self.from).take(limit).read_until(b'\n', &mut bytes);
        read.map_err(|error| self.refuse(&format!("cannot be read: {error}")))?;
        if bytes.is_empty() {
            return Ok(None);
        }
        if bytes.pop_if(|byte| *byte == b'\n').is_none() {
            return Err(self.refuse("the line is too long, or the file breaks off in it"));
        }
        String::from_utf8(bytes)
            .map(Some)
            .map_err(|_| self.refuse("not UTF-8 text"))
    }

    fn refuse(&self, what: &str) -> ReadExportError {
        ReadExportError {
            line: self.number,
            what: what.to_owned(),
        }
    }
}
