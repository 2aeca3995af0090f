//! How the lines of an export look, and the digest over them.

use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};

use crate::model::RunHeader;

/// Names the form; a reader refuses every other.
pub(super) const EXPORT_FORM: &str = "soakproof.export/1";

/// A row of a record as it is stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TransferRow {
    /// 0 for the header, from 1 for entries.
    pub seq: i64,
    /// Kind of the entry, `header` for the header.
    pub kind: String,
    /// JSON text without line breaks.
    pub body: String,
    /// CRC-32C of `body`.
    pub crc: i64,
}

/// A row as a line. The body stands there byte by byte as it was written, so its checksum holds.
#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RowLine<'a> {
    pub(super) seq: i64,
    pub(super) kind: String,
    pub(super) crc: i64,
    #[serde(borrow)]
    pub(super) body: &'a RawValue,
}

/// What the first line says, as far as a reader needs it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ExportHead {
    /// Form of the file.
    pub export: String,
    /// Version of the program that wrote it.
    pub program: String,
    /// Units and channels, for people and for other programs.
    #[serde(default)]
    pub units: Value,
    /// Which channel measures what, in which unit.
    #[serde(default)]
    pub channels: Value,
    /// True for a machine that is no real one.
    #[serde(default)]
    pub simulated: bool,
}

/// What the last line says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ExportEnd {
    /// Number of row lines, the header's included.
    pub(super) rows: u64,
    /// Numbers of rows that were damaged and are not in the file.
    pub(super) left_out: Vec<i64>,
    /// SHA-256 of the row lines, hexadecimal.
    pub(super) sha256: String,
}

/// The digest of a record under way.
#[derive(Debug, Clone, Default)]
pub struct Digest {
    hash: Sha256,
    rows: u64,
}

impl Digest {
    /// Takes the next row line in, with its line end.
    pub fn add(&mut self, line: &str) {
        self.hash.update(line.as_bytes());
        self.rows += 1;
    }

    /// Rows so far, the header's included.
    pub fn rows(&self) -> u64 {
        self.rows
    }

    /// SHA-256 of all rows so far, 64 hexadecimal digits.
    pub fn words(&self) -> String {
        let sum = self.hash.clone().finalize();
        sum.iter().map(|byte| format!("{byte:02x}")).collect()
    }
}

/// The first line, with its line end.
pub fn export_head(header: &RunHeader) -> String {
    let channels: Vec<Value> = header
        .channels
        .iter()
        .map(|channel| {
            json!({
                "id": channel.id.0,
                "label": channel.label,
                "quantity": super::super::json::value(&channel.quantity),
                "unit": channel.quantity.unit(),
            })
        })
        .collect();
    let head = json!({
        "export": EXPORT_FORM,
        "program": header.program,
        "simulated": header.machine.simulated,
        "units": {
            "mono": "ns of a monotonic clock",
            "wall": "ms since 1970-01-01T00:00:00Z",
            "value": "by channel, see `channels`",
            "checked_s": "s",
            "clock_mhz": "MHz",
            "silent_ns": "ns",
            "passes": "count",
            "errors": "count",
            "memory_bytes_per_worker": "byte",
        },
        "channels": channels,
    });
    format!("{head}\n")
}

/// The line of a row, with its line end; none where its body is no JSON and so cannot be what was
/// written.
pub fn export_row(row: &TransferRow) -> Option<String> {
    if row.body.contains(['\n', '\r']) {
        return None;
    }
    let body: &RawValue = serde_json::from_str(&row.body).ok()?;
    let line = RowLine {
        seq: row.seq,
        kind: row.kind.clone(),
        crc: row.crc,
        body,
    };
    let text = serde_json::to_string(&line).ok()?;
    Some(format!("{text}\n"))
}

/// The last line, with its line end. `left_out` are numbers of rows that were damaged.
pub fn export_end(digest: &Digest, left_out: &[i64]) -> String {
    let end = ExportEnd {
        rows: digest.rows(),
        left_out: left_out.to_vec(),
        sha256: digest.words(),
    };
    format!("{}\n", json!(end))
}
