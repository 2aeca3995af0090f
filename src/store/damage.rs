//! Rows that are not what was written.

use std::fmt;

/// What is wrong with a row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Damage {
    /// Its checksum does not fit its text.
    Checksum {
        /// As stored.
        stored: i64,
        /// Of the text as it is now.
        computed: u32,
    },
    /// The checksum fits, but the text has no meaning for this program.
    Unreadable {
        /// Why.
        reason: String,
    },
    /// There is no row where one was written.
    Missing,
}

/// A row that is not what was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DamagedRow {
    /// Number of the run.
    pub run: i64,
    /// Number of the entry within the run, from 1; none for the header.
    pub seq: Option<i64>,
    /// Kind of the entry as its column says (`header` for the header, empty where it is missing).
    pub kind: String,
    /// What is wrong.
    pub damage: Damage,
}

impl fmt::Display for DamagedRow {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.seq {
            Some(seq) => write!(f, "run {} row {seq} `{}`: ", self.run, self.kind)?,
            None => write!(f, "run {} header: ", self.run)?,
        }
        match &self.damage {
            Damage::Checksum { stored, computed } => {
                write!(f, "checksum {stored:08x} stored, {computed:08x} computed")
            }
            Damage::Unreadable { reason } => write!(f, "not readable ({reason})"),
            Damage::Missing => f.write_str("missing"),
        }
    }
}
