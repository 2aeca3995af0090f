//! What the pattern of a verdict's evidence usually points at, and the next single thing to try.
//!
//! [`signs`] puts the evidence in order once; [`table`] holds one row for each pattern: what it points
//! at, what to try, and a function that gives the evidence, or none where the row does not hold. Rows
//! that would lay the blame on a setting are silent where it must not be laid: when several things were
//! altered at once, and when the machine erred while it was hot. Only settings that the person changes
//! are named; never a value, and always within the maker's limits.

mod figures;
mod memory;
mod signs;
mod table;

use crate::model::{Diagnosis, Record, Verdict};

use signs::Signs;
use table::TABLE;

/// Patterns that hold in `verdict` on `record`, best first.
pub(super) fn diagnose(record: &Record, verdict: &Verdict) -> Vec<Diagnosis> {
    let signs = Signs::of(record, verdict);
    let mut held: Vec<Diagnosis> = Vec::new();
    let mut unblamed = false;
    for row in TABLE {
        if unblamed && row.blames_setting {
            continue;
        }
        let because = (row.evidence)(&signs);
        if because.is_empty() {
            continue;
        }
        unblamed |= row.forbids_blame;
        held.push(Diagnosis {
            pattern: row.pattern,
            points_at: row.points_at.to_owned(),
            try_next: row.try_next.to_owned(),
            mind: row.mind.to_owned(),
            because,
            common_practice: row.common_practice,
        });
    }
    held
}
