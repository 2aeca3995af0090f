//! The service: queue and schedule, started at the right time, one run at a time, whether or not
//! anybody is looking; and the interface through which commands reach it.
//!
//! [`agenda`] decides and is pure; the engine carries out what it decides and owns the queue; `http`
//! turns requests into [`Action`]s, which is all that the engine ever sees of them; [`client`] is the
//! other end, for the command line; [`notices`] tell people elsewhere, by what [`config`] says. A run
//! has a thread and an event loop of its own, so that nothing that happens here can delay its guard.

pub mod action;
pub mod agenda;
pub mod client;
pub mod config;
mod engine;
mod http;
mod inside;
pub mod metrics;
pub mod notices;
mod readiness;
mod runner;
mod seal;
mod serve;
mod state;
mod surroundings;
mod transfer;
mod wires;
mod words;

pub use action::{Action, Answer, Refusal};
pub use http::{ClosedLine, LeftLine, RecoveryBody, ServiceFacts, openapi};
pub use inside::Inside;
pub use serve::{ServeError, ServeOptions, serve};
pub use state::{OpenQueueError, QueueState};
pub use transfer::{
    FillSheetError, as_stored, digest_of, fill_sheet, run_line, whole_line, write_export,
};
pub use wires::Snapshot;
