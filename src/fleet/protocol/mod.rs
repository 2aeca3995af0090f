//! What travels between machines and hub: names, messages with a version, parcels; bounded and believed in
//! nothing. Pure.
//!
//! | subject | stream | who writes | what |
//! |---|---|---|---|
//! | `soakproof.desk` | `DESK` | hub's commands | machines, orders, cancels |
//! | `soakproof.jobs.NAME` | `JOBS` (work queue) | hub | jobs for one machine |
//! | `soakproof.results.NAME` | `RESULTS` | that machine | parcels of records, outcomes |
//! | `soakproof.beat.NAME`, `soakproof.live.NAME` | - | that machine | signs of life, progress |
//! | `soakproof.word.NAME` | - | hub | receipts, cancels |
//! | `soakproof.hub` | - | hub | its own sign of life |
//! | `soakproof.lease` | `LEASE` | hub | who acts |

mod desk;
mod message;
mod names;
mod parcel;

pub use crate::model::{MachineName, NameMachineError};
pub use desk::{Circuit, DeskEntry, DeskNote, Order, Registration, Stamp};
pub use message::{
    Beat, Doing, JobEnd, JobMessage, MOST_MESSAGE, Outcome, Packed, ParseMessageError, Progress,
    RunTold, Word, parse_message, write_message,
};
pub use names::{
    BEAT_EVERY, CHUNK_HEAD, DESK, DESK_SUBJECT, HUB_SUBJECT, JOBS, LEASE, LEASE_SUBJECT,
    PARCEL_HEAD, RESULTS, SILENT_AFTER, SUBJECTS, job_subject, machine_of_subject, subject,
};
pub use parcel::{
    MOST_CHUNK, MOST_CHUNKS, PackError, UnpackError, pack, pack_within, sha256, unpack,
    unpack_within,
};
