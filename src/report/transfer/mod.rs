//! Records on their way to another machine, and readings on their way to a spreadsheet.
//!
//! JSON Lines (one JSON value a line, UTF-8): a first line that says what the file is and in which
//! units, then the rows of the record exactly as they are stored, the header's first, then a last line
//! with the digest. The digest of a record is the SHA-256 of its row lines with their line ends, so
//! that any program can check it: `sed '1d;$d' FILE | sha256sum`. It tells damage and alteration of
//! a file from a digest that is kept elsewhere; it does not tell who made the record.
//!
//! CSV (RFC 4180) holds the samples only, for spreadsheets; it is not taken in again.

mod form;
mod read;
mod table;

pub use form::{Digest, ExportHead, TransferRow, export_end, export_head, export_row};
pub use read::{MOST_FILE, MOST_LINE, ReadExportError, check_believable, read_export};
pub use table::{WriteTableError, write_table};
