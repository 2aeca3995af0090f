//! The record on disk: one SQLite file a folder, written before anyone else hears of an entry.
//!
//! Every [`append`](Store::append) is one transaction with `synchronous = FULL`: when it returns, the
//! entries survive the machine. Headers and entries are stored in the JSON form of the model with
//! a CRC-32C each, because the machine that writes them is suspected of computing wrongly; a damaged
//! row is skipped and told, never guessed at and never a panic. Summary columns repeat what lists of
//! runs need. Nothing of a run is ever changed or deleted once it is written,
//! except those summary columns; the outbox moves on with what it delivers.

mod append;
mod change;
mod crc;
mod damage;
mod find;
mod import;
mod ledger;
mod open;
mod outbox;
mod outbox_read;
mod queue;
mod read;
mod salvage;
mod schema;

pub use append::WriteStoreError;
pub use crc::crc32c;
pub use damage::{Damage, DamagedRow};
pub use find::FindRunError;
pub use import::ImportRunError;
pub use ledger::{ReadLedgerError, StoredOutcome, WriteLedgerError};
pub use open::{FILE_NAME, OpenStoreError, Store};
pub use outbox::{Announcement, Claimed, DeliveryState, MOST_WAITING, Settlement};
pub use outbox_read::{DeliveryLine, Look, QueueStanding, Untold};
pub use queue::ENDED_JOBS_KEPT;
pub use read::{ReadStoreError, RunSummary, StoredRow, record_of};
pub use salvage::{SetAside, SetAsideError, find_damage, set_aside};
pub use schema::SCHEMA_VERSION;
