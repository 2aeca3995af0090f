//! The hub: orders go out, results come in and are kept, and somebody sees at a glance how it stands.
//!
//! What a hub knows is what the streams `DESK` and `RESULTS` say, copied into files of its own ([`Keep`] and
//! a [`Store`](crate::store::Store) beside it), each message once however often it is read. Several hubs may
//! run, each with its own copy; the holder of the lease sends jobs and receipts. A hub can be stopped,
//! killed and started at any moment. Commands write to `DESK` and read the copy, so they need no hub that
//! runs.

mod board;
mod copy;
mod desk;
mod enrol;
mod export;
mod keep;
mod lead;
mod live;
mod page;
mod presence;
mod query;
mod refusals;
mod result;
mod serve;
mod settings;
mod shop;
mod streams;

pub use board::{BoardLine, board_lines, held_words};
pub use desk::{AskHubError, HubDesk, ReadDeskError, new_stamp, read_desk};
pub use enrol::{EnrolError, HubFolder, NewHub};
pub use export::{ParseDayError, csv_text, day_of, local_time, parse_day};
pub use keep::{Keep, KeepError};
pub use live::{LiveKeep, LiveLine};
pub use query::{KeptOutcome, Lost, Query};
pub use result::TakeOutcomeError;
pub use serve::{ServeHubError, serve_hub};
