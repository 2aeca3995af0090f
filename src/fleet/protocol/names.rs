//! Names of machines, streams and subjects, and the spans that both ends count on.

use std::time::Duration;

use crate::model::MachineName;

/// Stream of what the hub's commands ordered.
pub const DESK: &str = "DESK";
/// Stream of the machines' mailboxes.
pub const JOBS: &str = "JOBS";
/// Stream of what came of it.
pub const RESULTS: &str = "RESULTS";
/// Stream with the one message that says which hub acts.
pub const LEASE: &str = "LEASE";
/// What begins every subject of ours.
pub const SUBJECTS: &str = "soakproof";
/// Subject of [`DESK`].
pub const DESK_SUBJECT: &str = "soakproof.desk";
/// Subject of [`LEASE`].
pub const LEASE_SUBJECT: &str = "soakproof.lease";
/// Subject of the hub's own sign of life.
pub const HUB_SUBJECT: &str = "soakproof.hub";
/// Names the parcel in the head of a chunk: the SHA-256 of its bytes.
pub const PARCEL_HEAD: &str = "Soakproof-Parcel";
/// Number of the chunk in its parcel, from 0.
pub const CHUNK_HEAD: &str = "Soakproof-Chunk";
/// Between two signs of life, on either side.
pub const BEAT_EVERY: Duration = Duration::from_secs(2);
/// Whoever was not heard for so long is silent: three beats.
pub const SILENT_AFTER: Duration = Duration::from_secs(6);

/// `soakproof.KIND.NAME`, for `results`, `beat`, `live` and `word`.
pub fn subject(kind: &str, machine: &MachineName) -> String {
    format!("{SUBJECTS}.{kind}.{machine}")
}

/// The mailbox of `machine`.
pub fn job_subject(machine: &MachineName) -> String {
    subject("jobs", machine)
}

/// The machine that a subject belongs to; the server lets no other one write there.
pub fn machine_of_subject(subject: &str) -> Option<MachineName> {
    let (_, name) = subject.strip_prefix(SUBJECTS)?.rsplit_once('.')?;
    name.parse().ok()
}
